"""A disk in between: SQLite's own files and the tail's, with every write seen, slowed down, or refused. For tests.

It lies below everything of ours, at the border between SQLite and the system: a VFS (SQLite documentation, "The OS
Interface Or VFS") that hands all on to the system's own, registered as the default with the very library that Python's
sqlite3 uses. The structures are those of sqlite3.h; the numbers are that file's SQLITE_* values. The tail writes by
os.pwrite and os.fdatasync, which are stood in for.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import errno
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

OK, IOERR_READ, IOERR_WRITE, IOERR_FSYNC, FULL = 0, 10 | 1 << 8, 10 | 3 << 8, 10 | 4 << 8, 13
OPEN_CREATE = 0x4

_P, _I, _L, _S = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64, ctypes.c_char_p
_OPEN = ctypes.CFUNCTYPE(_I, _P, _P, _P, _I, _P)  # vfs, name, file, flags, flags out
_DELETE = ctypes.CFUNCTYPE(_I, _P, _S, _I)  # vfs, name, whether the folder is synced
_WRITE = ctypes.CFUNCTYPE(_I, _P, _P, _I, _L)  # file, data, amount, offset
_TRUNCATE = ctypes.CFUNCTYPE(_I, _P, _L)  # file, size
_SYNC = ctypes.CFUNCTYPE(_I, _P, _I)  # file, flags


class _Vfs(ctypes.Structure):
    """sqlite3_vfs, version 3."""

    _fields_ = [
        ("iVersion", _I), ("szOsFile", _I), ("mxPathname", _I), ("pNext", _P), ("zName", _S), ("pAppData", _P),
        ("xOpen", _P), ("xDelete", _P), *((f"x{n}", _P) for n in range(2, 16)),
    ]  # fmt: skip


class _Methods(ctypes.Structure):
    """sqlite3_io_methods, version 3."""

    _fields_ = [
        ("iVersion", _I), ("xClose", _P), ("xRead", _P), ("xWrite", _P), ("xTruncate", _P), ("xSync", _P),
        *((f"x{n}", _P) for n in range(5, 18)),
    ]  # fmt: skip


@dataclass(slots=True, frozen=True)
class Op:
    """One thing that was done to a file. what: "write", "truncate", "sync", "create", "delete", or "told".

    at: offset of a write, size of a truncate. told: what the test itself noted between two operations.
    """

    what: str
    name: str
    at: int = 0
    data: bytes = b""
    told: object = None


@dataclass(slots=True)
class Disk:
    """What has been done to the files whose name begins with `name`, and what shall go wrong.

    meets(what, name, size) is asked before each write, truncate and sync; it may sleep, and its answer, if not OK,
    is what SQLite gets instead of the deed.
    """

    name: str
    keeps: bool = True
    ops: list[Op] = field(default_factory=list)
    meets: Callable[[str, str, int], int] = lambda _what, _name, _size: OK
    wrong: list[BaseException] = field(default_factory=list)
    written: int = 0
    syncs: int = 0

    def tell(self, told: object) -> None:
        """Note something among the operations."""
        self.ops.append(Op("told", "", told=told))

    def did(self, op: Op) -> None:
        self.written += len(op.data)
        self.syncs += op.what == "sync"
        if self.keeps:
            self.ops.append(op)


@contextmanager
def between(disk: Disk) -> Iterator[Disk]:
    """All databases opened inside go through `disk`. They must be closed again inside."""
    shim = _Shim(disk)
    shim.register()
    try:
        with _plain_files(disk):
            yield disk
    finally:
        shim.unregister()
    if disk.wrong:
        raise disk.wrong[0]


@contextmanager
def _plain_files(disk: Disk) -> Iterator[None]:
    pwrite, fdatasync = os.pwrite, os.fdatasync

    def met(what: str, name: str, size: int) -> None:
        answer = disk.meets(what, name, size)
        if answer != OK:
            raise OSError(errno.ENOSPC if answer == FULL else errno.EIO, "as the disk in between was told")

    def name_of(file: int) -> str:
        return Path(f"/proc/self/fd/{file}").readlink().name

    def on_pwrite(file: int, data: Any, at: int) -> int:
        name = name_of(file)
        if not name.startswith(disk.name):
            return pwrite(file, data, at)
        met("write", name, len(data))
        if os.fstat(file).st_size == 0:
            disk.did(Op("create", name))
        done = pwrite(file, data, at)
        disk.did(Op("write", name, at, bytes(data)))
        return done

    def on_fdatasync(file: int) -> None:
        name = name_of(file)
        if name.startswith(disk.name):
            met("sync", name, 0)
        fdatasync(file)
        if name.startswith(disk.name):
            disk.did(Op("sync", name))

    os.pwrite, os.fdatasync = on_pwrite, on_fdatasync  # type: ignore[assignment]
    try:
        yield
    finally:
        os.pwrite, os.fdatasync = pwrite, fdatasync


class _Shim:
    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        self.names: dict[int, str] = {}
        self.tables: dict[int, tuple[Any, ...]] = {}
        self.library = ctypes.CDLL(library())
        self.library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        system = self.library.sqlite3_vfs_find(None).contents
        self.vfs = _Vfs.from_buffer_copy(system)
        self.vfs.zName, self.vfs.pNext = b"between", None
        self.open, self.delete = _OPEN(system.xOpen), _DELETE(system.xDelete)
        self.kept = (_OPEN(self._guard(self._open)), _DELETE(self._guard(self._delete)))  # or they are collected
        self.vfs.xOpen, self.vfs.xDelete = (ctypes.cast(one, _P).value for one in self.kept)

    def register(self) -> None:
        assert self.library.sqlite3_vfs_register(ctypes.byref(self.vfs), 1) == OK

    def unregister(self) -> None:
        assert self.library.sqlite3_vfs_unregister(ctypes.byref(self.vfs)) == OK

    def _guard(self, deed: Callable[..., int]) -> Callable[..., int]:
        def guarded(*values: Any) -> int:
            try:
                return deed(*values)
            except BaseException as error:  # must not cross the border into C
                self.disk.wrong.append(error)
                return IOERR_WRITE

        return guarded

    def _open(self, vfs: int, name: int | None, file: int, flags: int, out: int) -> int:
        path = Path(ctypes.string_at(name).decode()) if name else None
        new = path is not None and not path.exists()
        answer: int = self.open(vfs, name, file, flags, out)
        if answer == OK and path is not None and path.name.startswith(self.disk.name):
            self.names[file] = path.name
            at = ctypes.cast(file, ctypes.POINTER(_P))
            at[0] = self._patched(at[0])
            if new and flags & OPEN_CREATE:
                self.disk.did(Op("create", path.name))
        return answer

    def _delete(self, vfs: int, name: bytes, synced: int) -> int:
        answer: int = self.delete(vfs, name, synced)
        short = Path(name.decode()).name
        if answer == OK and short.startswith(self.disk.name):
            self.disk.did(Op("delete", short, synced))
        return answer

    def _patched(self, address: int | None) -> int | None:
        """Where a table of methods is that does what the one at `address` does, and tells."""
        assert address is not None
        if address not in self.tables:
            methods = _Methods.from_buffer_copy(_Methods.from_address(address))
            write, truncate, sync = _WRITE(methods.xWrite), _TRUNCATE(methods.xTruncate), _SYNC(methods.xSync)

            def on_write(file: int, data: int, size: int, at: int) -> int:
                name = self.names[file]
                answer = self.disk.meets("write", name, size) or write(file, data, size, at)
                if answer == OK:
                    self.disk.did(Op("write", name, at, ctypes.string_at(data, size)))
                return answer

            def on_truncate(file: int, size: int) -> int:
                name = self.names[file]
                answer = self.disk.meets("truncate", name, size) or truncate(file, size)
                if answer == OK:
                    self.disk.did(Op("truncate", name, size))
                return answer

            def on_sync(file: int, flags: int) -> int:
                name = self.names[file]
                answer = self.disk.meets("sync", name, 0) or sync(file, flags)
                if answer == OK:
                    self.disk.did(Op("sync", name))
                return answer

            kept = (_WRITE(self._guard(on_write)), _TRUNCATE(self._guard(on_truncate)), _SYNC(self._guard(on_sync)))
            methods.xWrite, methods.xTruncate, methods.xSync = (ctypes.cast(one, _P).value for one in kept)
            self.tables[address] = (methods, kept)
        return ctypes.addressof(self.tables[address][0])


def library() -> str:
    """What gives the functions of the very SQLite that Python's sqlite3 uses, whatever others this process has loaded.

    It is the module itself: what is looked up in it is looked up in the library that it is linked with.
    """
    import _sqlite3

    place = getattr(_sqlite3, "__file__", None)
    if place is None or not hasattr(ctypes.CDLL(place), "sqlite3_vfs_find"):
        raise LookupError("Python's sqlite3 has SQLite built in here, so nothing can be put between")
    return str(place)
