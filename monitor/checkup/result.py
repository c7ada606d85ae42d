"""What each check of a checkup says: right, wrong or not to be told, with evidence, advice and caution."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from monitor import cautions


class Verdict(StrEnum):
    """What a check says."""

    RIGHT = "right"
    WRONG = "wrong"
    UNTOLD = "not to be told"


@dataclass(frozen=True, slots=True)
class Check:
    """A check: its title where it is right, its title where it is wrong, what whoever goes to look
    must bear in mind."""

    title: str
    fault: str
    cautions: tuple[str, ...] = (cautions.CODES,)


AT_BANK = (cautions.SHORT_CIRCUIT, cautions.ORDER, cautions.CODES)
AT_ARRAY = (cautions.ARRAY_LIVE, cautions.CODES)

CHECKS: dict[str, Check] = {
    "devices": Check("Every device answers", "A device does not answer", (cautions.ADAPTER,)),
    "clock": Check("The clock is right", "The clock is wrong", ()),
    "battery_switch": Check(
        "The bank is connected with the controller", "The bank is not connected with the controller", AT_BANK
    ),
    "bank_series": Check(
        "Units in series as described", "The units in series are not those described", AT_BANK
    ),
    "bank_parallel": Check(
        "Every string of the bank carries", "A string of the bank does not carry", AT_BANK
    ),
    "set_points": Check(
        "The controller is set as described", "The controller is set otherwise than described"
    ),
    "chemistry": Check(
        "The set points suit the bank's chemistry", "The set points do not suit the bank's chemistry"
    ),
    "probe": Check(
        "The temperature probe is on the bank",
        "The temperature probe is missing, or not on the bank",
        AT_BANK,
    ),
    "array_path": Check(
        "The array is connected with the controller",
        "The array is not connected with the controller",
        AT_ARRAY,
    ),
    "array_series": Check(
        "Panels in series as described", "The panels in series are not those described", AT_ARRAY
    ),
    "array_parallel": Check("Every string of panels gives", "A string of panels gives nothing", AT_ARRAY),
    "loads": Check(
        "The loads are metered as described", "The loads are metered otherwise than described", AT_BANK
    ),
    "shunt_sign": Check("The shunt is turned the right way", "The shunt is turned round", AT_BANK),
    "shunt_side": Check("The shunt sees both charge and loads", "Something goes past the shunt", AT_BANK),
    "lead_drop": Check(
        "The leads between controller and bank take little",
        "The leads between controller and bank take too much",
        AT_BANK,
    ),
    "own_draw": Check("The monitor draws what is described", "The idle draw is not the one described"),
}
"""Every check by its name, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Result:
    """One check's verdict. evidence names figures; look_at is what to do: where it is wrong, what to look
    at first; where it is not to be told, when it could be. figures are the numbers behind it, comparable
    next year."""

    check: str
    verdict: Verdict
    evidence: str
    look_at: str = ""
    figures: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """What the check says in a few words."""
        known = CHECKS[self.check]
        return known.fault if self.verdict is Verdict.WRONG else known.title

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before looking; nothing where nothing is to be touched."""
        return CHECKS[self.check].cautions if self.verdict is Verdict.WRONG else ()

    def document(self) -> dict[str, Any]:
        """The result as `--json` prints it."""
        return {
            "check": self.check,
            "title": self.title,
            "verdict": self.verdict.value,
            "evidence": self.evidence,
            "look_at": self.look_at,
            "caution": " ".join(self.cautions),
            "figures": {
                key: value if value is None else round(value, 4) for key, value in self.figures.items()
            },
        }


def right(check: str, evidence: str, **figures: float | None) -> Result:
    """A check that came out right."""
    return Result(check, Verdict.RIGHT, evidence, figures=figures)


def wrong(check: str, evidence: str, look_at: str, **figures: float | None) -> Result:
    """A check that came out wrong."""
    return Result(check, Verdict.WRONG, evidence, look_at, figures)


def untold(check: str, why: str, when: str, **figures: float | None) -> Result:
    """A check that cannot be told: why, and when it could be."""
    return Result(check, Verdict.UNTOLD, why, when, figures)
