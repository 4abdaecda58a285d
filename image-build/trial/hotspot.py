"""Step 6: a phone in the box's own Wi-Fi, by two radios that Linux simulates (mac80211_hwsim), one in its own net."""

from __future__ import annotations

import json

from trial.machine import PIN, Machine, send_form
from trial.report import Failed, Report, until

PHONE_MOST_S = 900
"""Its own waits come to 400 s; the rest is room for slow emulation. Then it tells how far it came."""
NOBODY_S = 600.0  # promised on the page, and by appliance/card/change.py
FOLDER = "/var/lib/linelamp/wifi"
UP = "iw dev wlan0 info"

# Runs in the box, in the phone's net: joins, asks for an address, for the name, and for the page; tells it in JSON.
PHONE = r"""
import json, pathlib, re, socket, subprocess, sys, time, urllib.request

ssid, passphrase, name, wait_s = sys.argv[1], sys.argv[2], sys.argv[3], float(sys.argv[4])
said = {}

def run(*words):
    return subprocess.run(words, capture_output=True, text=True).stdout

def option(number, here, server):  # a DHCPINFORM, RFC 2131 and 2132: what would you have me know?
    mac = bytes.fromhex(pathlib.Path("/sys/class/net/wlan1/address").read_text().replace(":", ""))
    head = bytes((1, 1, 6, 0)) + b"help" + bytes(4) + socket.inet_aton(here) + bytes(12) + mac + bytes(202)
    one = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    one.bind((here, 68))
    one.settimeout(20)
    one.sendto(head + bytes((99, 130, 83, 99, 53, 1, 8, 55, 1, number, 255)), (server, 67))
    answer, at = one.recv(1500), 240
    while at < len(answer) and answer[at] != 255:
        if answer[at] == number:
            return answer[at + 2 : at + 2 + answer[at + 1]].decode()
        at += 2 + answer[at + 1] if answer[at] else 1
    return ""

def asked(name, server, port):  # asks again, as a phone does: a datagram may be lost
    for _ in range(4):
        try:
            return asked_once(name, server, port)
        except TimeoutError:
            pass
    raise TimeoutError("no answer for %s from %s" % (name, server))

def asked_once(name, server, port):
    labels = b"".join(bytes([len(part)]) + part.encode() for part in name.split("."))
    one = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    one.settimeout(10)
    one.sendto(b"\x12\x34\x01\x00\x00\x01\x00\x00\x00\x00\x00\x00" + labels + b"\x00\x00\x01\x00\x01", (server, port))
    found = re.search(rb"\x00\x01[\x00\x80]\x01....\x00\x04(....)", one.recv(1500)[12:], re.S)  # a record of type A
    return socket.inet_ntoa(found[1]) if found else ""

pathlib.Path("/tmp/phone.conf").write_text(
    'ctrl_interface=/run/phone\nnetwork={\n ssid="%s"\n psk="%s"\n scan_ssid=1\n}\n' % (ssid, passphrase))
run("ip", "link", "set", "lo", "up")
run("ip", "address", "flush", "dev", "wlan1")  # of the net it was in before
pathlib.Path("/run/net-wlan1.conf").unlink(missing_ok=True)
run("wpa_supplicant", "-B", "-P", "/run/phone.pid", "-i", "wlan1", "-c", "/tmp/phone.conf")
until_s = time.monotonic() + wait_s
try:
    while "wpa_state=COMPLETED" not in run("wpa_cli", "-p", "/run/phone", "-i", "wlan1", "status"):
        if time.monotonic() > until_s:
            raise SystemExit
        time.sleep(1)
    said["joined"] = True
    status = run("wpa_cli", "-p", "/run/phone", "-i", "wlan1", "status")
    said["how"] = re.findall(r"key_mgmt=(.*)|pairwise_cipher=(.*)", status)
    said["seen"] = sorted(set(re.findall(r"Authentication suites: (.*)", run("iw", "dev", "wlan1", "scan"))))
    run("/usr/lib/klibc/bin/ipconfig", "-t", "60", "-c", "dhcp", "wlan1")
    lease = dict(re.findall(r"^(\w+)='(.*)'", pathlib.Path("/run/net-wlan1.conf").read_text(), re.M))
    said["address"], said["dns"] = lease["IPV4ADDR"], lease["IPV4DNS0"]
    run("ip", "route", "add", "224.0.0.0/4", "dev", "wlan1")
    said["option 114"] = option(114, lease["IPV4ADDR"], lease["IPV4DNS0"])
    said["by dns"] = asked("linelamp.local", lease["IPV4DNS0"], 53)
    said["its name by dns"] = asked(name + ".local", lease["IPV4DNS0"], 53)
    said["by mdns"] = asked(name + ".local", "224.0.0.251", 5353)
    page = urllib.request.Request("http://%s/" % said["by dns"], headers={"Host": "linelamp.local"})
    said["page"] = "linelamp" in urllib.request.urlopen(page, timeout=60).read().decode()
except Exception as trouble:
    said["trouble"] = "%s: %s" % (type(trouble).__name__, trouble)
finally:
    run("wpa_cli", "-p", "/run/phone", "-i", "wlan1", "terminate")
    print("phone:" + json.dumps(said))
"""


def hotspot(report: Report, machine: Machine, ssid: str, passphrase: str, name: str) -> None:
    """The box's Wi-Fi comes up as the boot file says; one phone knows the passphrase, another does not."""
    with report.step("6 the box opens its Wi-Fi by itself as soon as there is a radio") as told:
        machine.put("/tmp/phone.py", PHONE)
        machine.shell("modprobe mac80211_hwsim radios=2")
        took_s = until(lambda: f"ssid {ssid}" in machine.shell(UP), 300, f"no access point {ssid}", 3.0)
        told.append(f"{took_s:.0f} s; {' '.join(machine.shell(UP).split())}")
        machine.shell("ip netns add phone; nmcli device set wlan1 managed no")
        machine.shell("iw phy $(cat /sys/class/net/wlan1/phy80211/name) set netns name phone")
    with report.step("6 a phone with the wrong passphrase does not join") as told:
        said_by = phone(machine, ssid, passphrase[::-1], name, 60)
        told.append(f"tried for 60 s: {said_by}")
        if said_by:
            raise Failed(told[0])
    with report.step("6 a phone with the passphrase joins, gets an address, the name and the page") as told:
        said_by = phone(machine, ssid, passphrase, name, 120)
        told.append(str(said_by))
        here = "192.168.77.1"
        found = {said_by.get(how) for how in ("by dns", "its name by dns", "by mdns")}
        if not said_by.get("page") or found != {here} or "unrestricted" not in str(said_by.get("option 114")):
            raise Failed(told[0])


def another_wifi(report: Report, machine: Machine, passphrase: str, name: str) -> None:
    """Asked for by the page's form, over the network: one change that a phone follows, and one that none does."""
    kept = "/var/lib/linelamp/box/wifi.json"
    with report.step("6 the page asks for another Wi-Fi: a phone joins it, and it stays") as told:
        told.append(f"up after {asked_for(machine, 'cab-9', passphrase[::-1]):.0f} s")
        said_by = phone(machine, "cab-9", passphrase[::-1], name, 120)
        until(lambda: state(machine) != "changing", 120, "no end of it", 3.0)
        told.append(f"{machine.shell(f'cat {FOLDER}/answer.json')}; {said_by}")
        rights = machine.shell(f"stat -c %a {kept}")
        if state(machine) != "done" or not said_by.get("page") or rights != "600" or passphrase[::-1] in told[1]:
            raise Failed(f"{'; '.join(told)}; {kept} has mode {rights}")
    with report.step("6 it asks for one that nobody joins: after ten minutes the one before is back") as told:
        before = machine.shell(f"cat {kept}")
        asked_for(machine, "cab-10", "nobody knows it")
        took_s = until(lambda: state(machine) != "changing", 2 * NOBODY_S, "no end of it", 5.0)
        until(lambda: "ssid cab-9" in machine.shell(UP), 120, "cab-9 is not back", 3.0)
        told.append(f"after {took_s:.0f} s; {machine.shell(f'cat {FOLDER}/answer.json')}")
        said_by = phone(machine, "cab-9", passphrase[::-1], name, 120)
        told.append(str(said_by))
        if state(machine) != "fell-back" or machine.shell(f"cat {kept}") != before or not said_by.get("page"):
            raise Failed("; ".join(told))
        if took_s < NOBODY_S - 60:
            raise Failed(f"too early: {told[0]}")


def phone(machine: Machine, ssid: str, passphrase: str, name: str, wait_s: int) -> dict[str, object]:
    """What a phone finds that looks for this Wi-Fi for so long."""
    python = f"timeout -s INT {PHONE_MOST_S} ip netns exec phone /opt/linelamp/now/bin/python /tmp/phone.py"
    heard = machine.shell(f"{python} {ssid} '{passphrase}' {name} {wait_s}", PHONE_MOST_S + 120)
    _, mark, packed = heard.rpartition("phone:")
    if not mark:
        raise Failed(heard[-300:])
    return dict(json.loads(packed.splitlines()[0]))


def asked_for(machine: Machine, ssid: str, passphrase: str) -> float:
    """Fills in the page's form; seconds until that Wi-Fi is up."""
    machine.shell(f"rm -f {FOLDER}/answer.json")
    wished = {"name": ssid, "country": "GB", "channel": "11", "passphrase": passphrase}
    send_form(machine.origin, "/box/wifi", wished | {"pin": PIN})
    return until(lambda: f"ssid {ssid}" in machine.shell(UP), 300, f"no access point {ssid}", 3.0)


def state(machine: Machine) -> str:
    """What the change has come to, as the page is told."""
    said = machine.shell(f"cat {FOLDER}/answer.json")
    return str(json.loads(said)["state"]) if said.startswith("{") else "changing"
