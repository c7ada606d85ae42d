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
    """A check: its title, and the caution of whoever goes to look."""

    title: str
    caution: str = cautions.CODES


BANK_CAUTION = f"{cautions.SHORT_CIRCUIT} {cautions.ORDER} {cautions.CODES}"
ARRAY_CAUTION = f"{cautions.ARRAY_LIVE} {cautions.CODES}"

CHECKS: dict[str, Check] = {
    "devices": Check("Every device answers", cautions.ADAPTER),
    "clock": Check("The clock is right", ""),
    "battery_switch": Check("The bank is connected with the controller", BANK_CAUTION),
    "bank_series": Check("Units in series as described", BANK_CAUTION),
    "bank_parallel": Check("Every string of the bank carries", BANK_CAUTION),
    "set_points": Check("The controller is set as described", cautions.CODES),
    "chemistry": Check("The set points suit the bank's chemistry", cautions.CODES),
    "probe": Check("The temperature probe is on the bank", BANK_CAUTION),
    "array_path": Check("The array is connected with the controller", ARRAY_CAUTION),
    "array_series": Check("Panels in series as described", ARRAY_CAUTION),
    "array_parallel": Check("Every string of panels gives", ARRAY_CAUTION),
    "loads": Check("The loads are metered as described", BANK_CAUTION),
    "shunt_sign": Check("The shunt is turned the right way", BANK_CAUTION),
    "shunt_side": Check("The shunt sees both charge and loads", BANK_CAUTION),
    "lead_drop": Check("The leads between controller and bank are short and thick", BANK_CAUTION),
    "own_draw": Check("The monitor draws what is described", cautions.CODES),
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
        return CHECKS[self.check].title

    @property
    def caution(self) -> str:
        """What to bear in mind before looking; '' where nothing is to be touched."""
        return CHECKS[self.check].caution if self.verdict is Verdict.WRONG else ""

    def document(self) -> dict[str, Any]:
        """The result as `--json` prints it."""
        return {
            "check": self.check,
            "title": self.title,
            "verdict": self.verdict.value,
            "evidence": self.evidence,
            "look_at": self.look_at,
            "caution": self.caution,
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
