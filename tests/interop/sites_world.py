"""Sites with stores of their own, copied to a real server by `nightbank mirror` as people do it."""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from monitor.cli import main
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import AlarmState, DeviceHealth, Heartbeat, Reading, iso_utc
from monitor.sampling import BASIS_NOTE
from monitor.store.embedded import open_writer
from monitor.store.heartbeat import write_heartbeat
from tests.interop.mirror_world import BUCKET
from tests.unit.site_files import MARSH_HIDE

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS

SENTENCE = "Lasts until morning: lowest about 54 % at 08:00."

VALUES = {
    ("charger", "battery_voltage_V"): 12.47,
    ("charger", "load_power_W"): 49.9,
    ("charger", "charge_stage"): 0.0,
    ("derived", "battery_current_A"): -4.12,
    ("estimate", "state_of_charge"): 0.72,
    ("estimate", "state_of_charge_sd"): 0.04,
}

# the slow pace lets a slow computer take a quarter of an hour for the tests before a site counts as silent
MIRROR = """
[[mirrors]]
name = "hub"
url = "{url}"
bucket = "{bucket}"
send = {send}
every_s = 900
"""

LOW = "Low voltage: 11.5 V for 6 minutes"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def low_voltage(priority: str = "high") -> AlarmState:
    """An alarm that has stood for ten minutes."""
    since_ms = now_ms() - 10 * MINUTE_MS
    return AlarmState("Low voltage", "unacknowledged", since_ms, priority, 11.5, LOW, since_ms)


def outlook() -> dict[str, Any]:
    """An evening's outlook as a daemon stores it (invented)."""
    at = now_ms()

    def band(middle: float, half: float) -> dict[str, float]:
        return {"p10": middle - half, "p50": middle, "p90": middle + half}

    return {
        "at": iso_utc(at - 5 * MINUTE_MS),
        "sunset": iso_utc(at - 4 * HOUR_MS),
        "sunrise": iso_utc(at + 11 * HOUR_MS),
        "array_helps_from": iso_utc(at + 12 * HOUR_MS),
        "reserve_soc": 0.5,
        "soc_min": band(0.54, 0.05),
        "battery_voltage_min_V": band(12.1, 0.1),
        "low_at": iso_utc(at + 12 * HOUR_MS),
        "hours_left": 14.0,
        "wet_days_left": 2,
        "sentence": SENTENCE,
        "basis": ["loads as on the last 12 nights of this site"],
        "switch_off": [],
        "course": [
            {"time": iso_utc(at + n * HOUR_MS), "soc": band(0.72 - 0.015 * n, 0.02 + 0.002 * n)}
            for n in range(24)
        ],
    }


def a_site(
    folder: Path,
    name: str,
    url: str,
    *,
    send: tuple[str, ...] = ("all",),
    age_ms: int = 10_000,
    alarms: tuple[AlarmState, ...] = (),
    night: bool = True,
    more: str = "",
    values: dict[tuple[str, str], float] = VALUES,
) -> Path:
    """A site that was read age_ms ago and copied since; its site file. The text `more` is added to it."""
    home = folder / name.replace("/", "-")
    home.mkdir()
    file = home / "site.toml"
    file.write_text(
        MARSH_HIDE.replace('"Marsh hide"', json.dumps(name, ensure_ascii=False))
        + MIRROR.format(url=url, bucket=BUCKET, send=json.dumps(send))
        + more,
        encoding="utf-8",
    )
    fill(home / "nightbank.db", age_ms=age_ms, alarms=alarms, night=night, values=values)
    sent = CliRunner().invoke(main, ["mirror", str(file), "once"])
    assert sent.exit_code == 0, sent.output
    return file


def fill(
    store: Path,
    *,
    age_ms: int,
    alarms: tuple[AlarmState, ...],
    night: bool,
    values: dict[tuple[str, str], float] = VALUES,
) -> None:
    """An hour of readings by the minute up to age_ms ago, and what a daemon keeps beside them."""
    last_ms = now_ms() - age_ms
    with closing(open_writer(store, "Europe/London")) as writer:
        writer.rank_devices(["charger"])
        writer.append(
            Reading(last_ms - back * MINUTE_MS, device, quantity, value)
            for back in range(60, -1, -1)
            for (device, quantity), value in values.items()
        )
        writer.put_health(DeviceHealth("charger", "serial", "answering", last_ms, last_ms, 85.0, 720))
        for alarm in (*alarms, AlarmState("Cold bank", "normal", last_ms, "low", 8.0, "")):
            writer.put_alarm(alarm)
        writer.put_note(BASIS_NOTE, "full seen 2 days ago")
        if night:
            writer.put_note(OUTLOOK_NOTE, json.dumps(outlook()))
        write_heartbeat(writer, Heartbeat(last_ms, last_ms - HOUR_MS, None))
        writer.commit()


def described(folder: Path, url: str, more: str = "") -> Path:
    """The file of a page of many sites."""
    file = folder / "all.toml"
    file.write_text(f'[server]\nurl = "{url}"\nbucket = "{BUCKET}"\n{more}', encoding="utf-8")
    return file
