"""Which alarms are suppressed by design: another one, the night or a capacity test tells it all. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.alarms import slow_signs
from monitor.alarms.engine import is_beyond
from monitor.alarms.rule import Rule
from monitor.alarms.signs import VOLTAGE
from monitor.records import AlarmState, DeviceHealth
from monitor.site.model import Site
from monitor.site.sign_names import SIGNS

NEEDS = {"daylight_share": ("array_power_W", "charge_current_A"), "runaway_C": (VOLTAGE,)}
"""The measured quantities behind a sign; signs of the bank need its voltage."""

QUIET_S, QUIET_POLLS = 60.0, 3
"""A device silent for so long, and for so many of its polls, gives no values any more (our choice: longer
than a value counts as fresh, shorter than its silence is an alarm)."""

OF_A_TEST = ("daylight_share", "low_before_morning")
"""The signs that show what a capacity test is."""

OF_NO_DEVICE = frozenset(
    {
        "low_before_morning", "days_since_full", "silence_s", "line_silence_s", "implausible_readings",
        "clock_doubt", "unwritten_s", "free_space_MB", "computer_under_voltage", "computer_temperature_C",
        "dark_min", "test_left_h", "test_waits_h",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Standing:
    """The rules, how they stand, how the devices answer, and which devices have given each quantity."""

    rules: Mapping[str, Rule]
    states: Mapping[str, AlarmState]
    health: Mapping[str, DeviceHealth]
    gives: Mapping[str, set[str]]
    site: Site
    time_ms: int
    speed: float


def reasons(now: Standing, *, dark: bool, tested: bool = False) -> dict[str, str]:
    """The reason, by rule name, of each alarm that is only a consequence. tested: a capacity test is watched,
    for which the array's disconnect is opened and a load runs that will not go on until morning."""
    silent = {
        device.name
        for device in now.site.devices
        if (slow_signs.silence_s(now.health.get(device.name), now.time_ms, now.speed) or 0.0)
        >= max(QUIET_S, QUIET_POLLS * now.site.slowest_every_s(device))
    }
    found: dict[str, str] = {}
    for name, rule in now.rules.items():
        if rule.quantity == "silence_s" and rule.subject and _line_tells(now, rule.subject, silent):
            found[name] = "its whole line is silent"
        elif rule.quantity == "daylight_share" and dark:
            found[name] = "no daylight"
        elif rule.quantity in OF_A_TEST and tested:
            found[name] = "a capacity test runs"
        elif rule.quantity == "low_before_morning" and _is_low(now):
            found[name] = "it is low already"
        elif rule.quantity not in OF_NO_DEVICE:
            givers = _givers(now, rule.quantity)
            if givers and givers <= silent:
                found[name] = f"{', '.join(sorted(givers))} is silent"
    return found


def _line_tells(now: Standing, device: str, silent: set[str]) -> bool:
    """Whether a rule on the device's line tells that all of its devices are silent."""
    lines = (
        set(rule.subject.split(", ")) for rule in now.rules.values() if rule.quantity == "line_silence_s"
    )
    return any(device in line and line <= silent for line in lines)


def _is_low(now: Standing) -> bool:
    return any(
        is_beyond(now.states[name]) for name, rule in now.rules.items() if rule.quantity == "charge_at_most"
    )


def _givers(now: Standing, quantity: str) -> set[str]:
    """The devices behind a quantity or sign; what is estimated or derived rests on the bank's voltage."""
    needed = NEEDS.get(quantity, (VOLTAGE,) if quantity in SIGNS else (quantity,))
    givers = {device for each in needed for device in now.gives.get(each, ())}
    return givers or set(now.gives.get(VOLTAGE, ()))
