"""The page of the box itself: what the machine tells, what it does not, and what is asked of the listening part."""

from __future__ import annotations

import logging
import re
from pathlib import Path
from typing import Any

import pytest

from appliance.recent_log import ROW_MOST_CHARACTERS, ROWS_MOST, RecentLog
from appliance.site import hardware

OWN = {"Origin": "http://localhost"}
PIN = "405162"


def laid(sys: Path, **files: str) -> Path:
    """A tree as the kernel shows it; "/" in a name is written "__"."""
    for name, text in files.items():
        path = sys / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return sys


def test_a_pi_tells_temperature_supply_and_networks(tmp_path: Path) -> None:
    """Names as in the kernel's documentation of thermal, raspberrypi-hwmon and net."""
    sys = laid(
        tmp_path, class__thermal__thermal_zone0__type="cpu-thermal\n", class__thermal__thermal_zone0__temp="48312\n",
        class__hwmon__hwmon0__name="cpu_thermal\n", class__hwmon__hwmon1__name="rpi_volt\n",
        class__hwmon__hwmon1__in0_lcrit_alarm="1\n", class__net__lo__operstate="unknown\n",
        class__net__wlan0__operstate="up\n", class__net__wlan0__phy80211="", class__net__eth0__operstate="down\n",
    )  # fmt: skip
    found = hardware.look(sys)
    assert found.temperature_c == pytest.approx(48.312)
    assert found.undervoltage is True
    assert found.wear is None
    assert [(net.name, net.wireless, net.state) for net in found.networks] == [
        ("eth0", False, "down"),
        ("wlan0", True, "up"),
    ]


def test_a_machine_that_tells_nothing_is_not_called_sound(tmp_path: Path) -> None:
    assert hardware.look(tmp_path / "none") == hardware.Hardware(None, None, None, ())
    laid(tmp_path, class__thermal__thermal_zone0__type="cpu", class__thermal__thermal_zone0__temp="hot")
    assert hardware.look(tmp_path).temperature_c is None


@pytest.mark.parametrize(
    ("life", "reserve", "says"),
    [("0x01 0x02\n", "0x01\n", "10 to 20 % of its life used, reserve normal"),
     ("0x0b 0x03", "0x03", "more than its life used: change it soon, 90 % of its reserve used: change it soon"),
     ("0x00 0x00", "0x00", None), ("", "", None), ("x y", "z", None)],
)  # fmt: skip
def test_wear_as_the_standard_of_such_cards_has_it(tmp_path: Path, life: str, reserve: str, says: str | None) -> None:
    """JEDEC JESD84-B51: DEVICE_LIFE_TIME_EST 0x01 is 0 to 10 %, 0x0B exceeded; PRE_EOL_INFO 1 normal, 3 urgent."""
    laid(tmp_path, block__mmcblk0__device__life_time=life, block__mmcblk0__device__pre_eol_info=reserve)
    assert hardware.look(tmp_path).wear == says


def test_the_page_tells_ports_counters_clock_and_room(past: Any, picture: dict[str, Any], listener: Any) -> None:
    listener.answer = {"ok": True, "rows": [{"at_utc": "2026-05-04T09:12:00Z", "level": "warning", "says": "<b>slow"}]}
    picture["lines"][0]["counters"]["framing"] = 17
    past.show(picture)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", past.html("/box")))
    for told in (
        "/dev/ttyAMA0", "open, listening", "38400 baud, 8N1", "Framing errors 17", "Time comes from the line",
        "Sure to 0.01 s", "Free on the card", "History takes", "linelamp 0.1.0", "1.3 s ahead of the receiver",
    ):  # fmt: skip
        assert told in text, told
    assert "&lt;b&gt;slow" in past.html("/box")


def test_the_page_stands_without_a_listening_part(page: Any) -> None:
    text = page.html("/box")
    assert "has not started, or has stopped" in text
    assert "The listening part does not answer." in text


def form(box: Any) -> dict[str, str]:
    found = re.search(r'name="token" value="([^"]+)"', box.html("/box"))
    assert found
    return {"token": found[1], "pin": PIN}


def orders(listener: Any) -> list[dict[str, Any]]:
    return [asked for asked in listener.heard if asked["do"] not in ("log", "catch-up")]


def test_erasing_asks_for_the_pin_and_for_a_tick(past: Any, listener: Any) -> None:
    listener.answer = {"ok": True, "rows": []}
    fields = form(past)
    assert past.client.post("/box/erase", data=fields | {"watch": "1"}, headers=OWN).status_code == 422
    assert orders(listener) == []
    sure = fields | {"sure": "yes"}
    assert past.client.post("/box/erase", data=sure | {"watch": "1"}, headers=OWN).status_code == 303
    assert past.client.post("/box/erase", data=sure | {"watch": "all"}, headers=OWN).status_code == 303
    assert orders(listener) == [{"do": "erase", "watch": 1}, {"do": "erase", "watch": "all"}]
    bare = past.app.test_client()
    assert bare.post("/box/erase", data={"watch": "1", "sure": "yes"}, headers=OWN).status_code == 403


def test_stopping_and_locking(past: Any, listener: Any) -> None:
    listener.answer = {"ok": True, "rows": []}
    fields = form(past)
    assert past.client.post("/box/stop", data=fields, headers=OWN).status_code == 303
    assert orders(listener) == [{"do": "stop"}]
    assert "Ask for the PIN again" in past.html("/box")
    assert past.client.post("/lock", data=fields, headers=OWN).status_code == 200
    assert "Ask for the PIN again" not in past.html("/box")


def test_trying_the_box(past: Any, listener: Any) -> None:
    row = {"what": "Card", "ok": False, "says": "It could not be written: <i>.", "at_utc": "", "level": "info"}
    listener.answer = {"ok": True, "rows": [row]}
    text = past.client.post("/box/try", headers=OWN).text
    assert "not good" in text
    assert "&lt;i&gt;" in text
    assert past.client.post("/box/try").status_code == 403


def test_what_the_box_did_is_told(past: Any) -> None:
    from appliance.history.rows import MarkRow, WatchStart
    from appliance.history.writer import HistoryWriter

    with HistoryWriter(past.history_path) as writer:
        writer.begin_watch(WatchStart(5, 1_777_886_000 * 10**9, "alive", "", "x", "0"))
        writer.add_mark(MarkRow(6, "box", "Watch 3 erased."))
        writer.add_mark(MarkRow(7, "page", "not the box"))
    text = past.html("/box")
    assert "Watch 3 erased." in text
    assert "not the box" not in text


def test_the_log_in_memory_has_an_end() -> None:
    log = RecentLog()
    for number in range(ROWS_MOST + 5):
        log.handle(logging.makeLogRecord({"msg": f"{number} " + "x" * 1000 + "\nsecond row", "levelno": 30}))
    assert len(log.rows) == ROWS_MOST
    assert log.rows[-1]["says"].startswith(f"{ROWS_MOST + 4} x")
    assert all(len(row["says"]) <= ROW_MOST_CHARACTERS and "\n" not in row["says"] for row in log.rows)
