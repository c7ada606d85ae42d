"""All checks in order, and which of them tell nothing while another is wrong. Pure."""

from __future__ import annotations

from collections.abc import Callable

from monitor.checkup import array_checks, bank_checks, lead_check, meter_checks, setting_checks
from monitor.checkup.recording import Recording
from monitor.checkup.result import CHECKS, Result, Verdict, untold
from monitor.checkup.roles import Roles, roles_of

JUDGES: dict[str, Callable[[Recording, Roles], Result | None]] = {
    "devices": bank_checks.devices,
    "clock": meter_checks.clock,
    "battery_switch": bank_checks.battery_switch,
    "bank_series": bank_checks.bank_series,
    "bank_parallel": bank_checks.bank_parallel,
    "set_points": setting_checks.set_points,
    "chemistry": setting_checks.chemistry,
    "probe": meter_checks.probe,
    "array_path": array_checks.array_path,
    "array_series": array_checks.array_series,
    "array_parallel": array_checks.array_parallel,
    "loads": meter_checks.loads,
    "shunt_sign": meter_checks.shunt_sign,
    "shunt_side": meter_checks.shunt_side,
    "lead_drop": lead_check.lead_drop,
    "own_draw": bank_checks.own_draw,
}

WITH_OTHER_VOLTAGE = (
    "array_series",
    "array_parallel",
    "loads",
    "shunt_sign",
    "shunt_side",
    "lead_drop",
    "own_draw",
)
WITHOUT_BANK = ("bank_series", "bank_parallel", *WITH_OTHER_VOLTAGE)

HIDES: dict[str, tuple[str, ...]] = {
    "battery_switch": (*WITHOUT_BANK, "probe"),
    "bank_series": (*WITH_OTHER_VOLTAGE, "bank_parallel"),
    "array_path": ("array_series", "array_parallel"),
    "array_series": ("array_parallel",),
    "shunt_sign": ("own_draw",),
    "shunt_side": ("own_draw", "shunt_sign"),
}
"""While the first is wrong, the others would only tell of the same."""


def judge(recording: Recording) -> tuple[Result, ...]:
    """Every check that this system has, in the order of `CHECKS`."""
    roles = roles_of(recording)
    found = {name: result for name in CHECKS if (result := JUDGES[name](recording, roles)) is not None}
    hidden = dict(HIDES)
    if _other_class(recording, roles):
        hidden["set_points"] = WITH_OTHER_VOLTAGE
    for cause, others in hidden.items():
        if cause in found and found[cause].verdict is Verdict.WRONG:
            for name in others:
                if name in found and found[name].verdict is not Verdict.RIGHT:
                    found[name] = untold(
                        name,
                        f"first of all: {CHECKS[cause].title[0].lower()}{CHECKS[cause].title[1:]}",
                        "put that right and ask again",
                    )
    return tuple(found.values())


def _other_class(recording: Recording, roles: Roles) -> bool:
    """Whether the controller is set for a bank of another voltage, and so switches loads and charge
    wrongly."""
    if setting_checks.idle_in_light(recording, roles) is not None:
        return True
    return any(each.other_class for each in setting_checks.seen_settings(recording, roles))
