"""Strikes one thread of a process from outside, without its knowing: ends it, or holds it where it is.

By ptrace(2), on x86-64. An ended thread has left by the system call exit(2), which ends no other; Python goes on
believing that it lives. A held one is as a thread that waits for ever, with whatever locks it has.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import time
from pathlib import Path

_GETREGS, _SETREGS, _DETACH, _SEIZE, _INTERRUPT = 12, 13, 17, 0x4206, 0x4207
_WALL = 0x40000000
_EXIT = 60  # the number of exit(2) on x86-64
_SYSCALL = b"\x0f\x05"
_PATIENCE_S = 20.0
_NAMES = (
    *("r15", "r14", "r13", "r12", "rbp", "rbx", "r11", "r10", "r9", "r8", "rax", "rcx", "rdx", "rsi", "rdi"),
    *("orig_rax", "rip", "cs", "eflags", "rsp", "ss", "fs_base", "gs_base", "ds", "es", "fs", "gs"),
)


class _Registers(ctypes.Structure):
    """user_regs_struct of x86-64."""

    _fields_ = [(name, ctypes.c_ulonglong) for name in _NAMES]


def why_not() -> str:
    """Why this machine cannot do it, or ""."""
    if platform.machine() != "x86_64":
        return "threads are struck on x86-64 alone"
    scope = Path("/proc/sys/kernel/yama/ptrace_scope")
    if os.geteuid() != 0 and scope.exists() and int(scope.read_text()) > 1:
        return "this machine lets nobody but root strike a thread"
    return ""


def threads(process: int) -> list[int]:
    """The threads of a process, in the order in which they began."""
    return sorted(int(task.name) for task in Path(f"/proc/{process}/task").iterdir())


def hold(thread: int) -> None:
    """Stop a thread for good. reap() must be called until the process is over."""
    _ptrace(_SEIZE, thread)
    _ptrace(_INTERRUPT, thread)
    os.waitpid(thread, _WALL)


def reap(thread: int) -> None:
    """Let the system bury a held thread, if its process is over; or else its process would not be gone either."""
    try:
        os.waitpid(thread, _WALL | os.WNOHANG)
    except ChildProcessError:
        return


def end(thread: int) -> None:
    """End a thread, the next time that it is found waiting in a call of the system."""
    end_s = time.monotonic() + _PATIENCE_S
    while True:
        hold(thread)
        registers = _Registers()
        _ptrace(_GETREGS, thread, ctypes.byref(registers))
        with open(f"/proc/{thread}/mem", "rb") as memory:  # noqa: PTH123
            memory.seek(registers.rip - 2)
            waits = memory.read(2) == _SYSCALL and registers.orig_rax != 2**64 - 1
        if waits:
            registers.rip -= 2
            registers.rax, registers.rdi, registers.orig_rax = _EXIT, 0, 2**64 - 1
            _ptrace(_SETREGS, thread, ctypes.byref(registers))
        _ptrace(_DETACH, thread)
        if waits:
            return
        assert time.monotonic() < end_s, "the thread never waits"
        time.sleep(0.003)


def _ptrace(request: int, thread: int, data: object = None) -> None:
    library = ctypes.CDLL(None, use_errno=True)
    library.ptrace.restype = ctypes.c_long
    library.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
    if library.ptrace(request, thread, None, data) == -1:
        number = ctypes.get_errno()
        raise OSError(number, f"ptrace {request}: {errno.errorcode.get(number, number)}")
