"""What is drawn a day: loads by branch, an inverter's losses and standby, this computer. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from pydantic import ValidationError

from monitor.site.model import Load

DAY_H = 24

INVERTER_EFFICIENCY = 0.85
"""What an inverter gives on of what it takes (both worked examples of the handbook and the training sheet:
SAND87-7023 and 'stand alone camp')."""

TYPED = re.compile(
    r"\s*(?:(?P<count>\d+)\s*[x×]\s*)?(?P<power>\d+(?:[.,]\d+)?)\s*W\s+(?P<name>\S.*?)\s+"
    r"(?P<hours>\d+(?:[.,]\d+)?)\s*h(?P<ac>\s+AC)?\s*",
    re.IGNORECASE,
)

TYPED_KEYS = {"power_W": "power", "count": "count", "hours_per_day": "hours"}
BOUNDS = {
    "power_W": "power of 0.01 to 20000 W",
    "count": "number of 1 to 1000",
    "hours_per_day": "time of more than 0 and at most 24 h a day",
}
"""What a site file takes as a load (`site.model.Load`), in words."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One load; ac: it hangs behind an inverter, and power_W is what it takes there."""

    name: str
    branch: str
    power_W: float
    count: int
    hours: float
    ac: bool = False

    @property
    def energy_Wh(self) -> float:
        """What it takes a day, an inverter's losses not counted."""
        return self.power_W * self.count * self.hours


@dataclass(frozen=True, slots=True)
class Branch:
    """The loads of one branch and their sum a day."""

    name: str
    draws: tuple[Draw, ...]

    @property
    def energy_Wh(self) -> float:
        return sum(draw.energy_Wh for draw in self.draws)


@dataclass(frozen=True, slots=True)
class Inverter:
    """efficiency is a share, standby_W what it takes around the clock without a load."""

    efficiency: float = INVERTER_EFFICIENCY
    standby_W: float = 0.0


@dataclass(frozen=True, slots=True)
class Demand:
    """Energy a day at the bank [Wh]: the loads, what the inverter loses and takes itself, this computer."""

    loads_Wh: float
    lost_Wh: float
    standby_Wh: float
    own_Wh: float

    @property
    def total_Wh(self) -> float:
        return self.loads_Wh + self.lost_Wh + self.standby_Wh + self.own_Wh


def declared(loads: Sequence[Load], ac_branches: Sequence[str] = ()) -> tuple[Draw, ...]:
    """The loads of a site file; those of ac_branches hang behind the inverter."""
    return tuple(
        Draw(load.name, load.branch, load.power_W, load.count, load.hours_per_day, load.branch in ac_branches)
        for load in loads
    )


def added(text: str) -> Draw:
    """A load as a person types it: '6 x 2 W lamps 4 h', '60 W drill 0.5 h AC'. Raises ValueError."""
    typed = TYPED.fullmatch(text)
    if typed is None:
        raise ValueError(
            f"'{text}' is no load; write it like '6 x 2 W lamps 4 h' or, behind an inverter,"
            " '60 W drill 0.5 h AC'"
        )
    given = {
        "name": typed["name"],
        "power_W": float(typed["power"].replace(",", ".")),
        "count": int(typed["count"] or 1),
        "hours_per_day": float(typed["hours"].replace(",", ".")),
    }
    try:
        load = Load.model_validate(given)
    except ValidationError as error:
        key = str(error.errors()[0]["loc"][0])
        raise ValueError(f"'{text}': {typed[TYPED_KEYS[key]]} is no {BOUNDS[key]}") from error
    return Draw(load.name, "added", load.power_W, load.count, load.hours_per_day, typed["ac"] is not None)


def by_branch(draws: Sequence[Draw]) -> tuple[Branch, ...]:
    """The loads by branch, in the order of their branch's first load."""
    order = {draw.branch: place for place, draw in reversed(list(enumerate(draws)))}
    ordered = sorted(draws, key=lambda draw: order[draw.branch])
    return tuple(Branch(name, tuple(some)) for name, some in groupby(ordered, lambda draw: draw.branch))


def demand(draws: Sequence[Draw], inverter: Inverter | None, own_W: float) -> Demand:
    """All that is drawn at the bank; AC loads over the inverter's efficiency (SAND87-7023, sheet 1).

    own_W is this computer's draw. Raises ValueError for AC loads without an inverter.
    """
    ac_Wh = sum(draw.energy_Wh for draw in draws if draw.ac)
    if ac_Wh and inverter is None:
        raise ValueError("loads behind an inverter need one")
    lost_Wh = ac_Wh / inverter.efficiency - ac_Wh if inverter else 0.0
    standby_Wh = inverter.standby_W * DAY_H if inverter else 0.0
    return Demand(sum(draw.energy_Wh for draw in draws), lost_Wh, standby_Wh, own_W * DAY_H)
