"""What is drawn a day: loads by branch, an inverter's losses and standby, controller and computer. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from pydantic import ValidationError

from monitor.site.inverter_table import InverterEntry
from monitor.site.model import Load

DAY_H = 24

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
class Demand:
    """Energy a day at the bank [Wh]: the loads, what the inverter loses and takes itself, this computer and
    the controller."""

    loads_Wh: float
    lost_Wh: float
    standby_Wh: float
    own_Wh: float
    controller_Wh: float = 0.0

    @property
    def total_Wh(self) -> float:
        return self.loads_Wh + self.lost_Wh + self.standby_Wh + self.own_Wh + self.controller_Wh


def declared(loads: Sequence[Load]) -> tuple[Draw, ...]:
    """The loads of a site file."""
    return tuple(
        Draw(load.name, load.branch, load.power_W, load.count, load.hours_per_day, load.ac) for load in loads
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


def demand(
    draws: Sequence[Draw], inverter: InverterEntry | None, own_W: float, controller_W: float = 0.0
) -> Demand:
    """All that is drawn at the bank; AC loads over the inverter's efficiency (SAND87-7023, sheet 1).

    own_W is this computer's draw, controller_W the controller's. Raises ValueError for AC loads without an
    inverter.
    """
    ac_Wh = sum(draw.energy_Wh for draw in draws if draw.ac)
    if ac_Wh and inverter is None:
        raise ValueError("loads behind an inverter need one")
    lost_Wh = ac_Wh / inverter.efficiency - ac_Wh if inverter else 0.0
    standby_Wh = inverter.standby_W * inverter.hours_per_day if inverter else 0.0
    loads_Wh = sum(draw.energy_Wh for draw in draws)
    return Demand(loads_Wh, lost_Wh, standby_Wh, own_W * DAY_H, controller_W * DAY_H)


def night_share(
    draws: Sequence[Draw], inverter: InverterEntry | None, always_W: float, night_h: float
) -> float:
    """What part of all that is drawn a day falls into the dark hours: what runs for fewer hours than the
    night has is supposed to run in the night, which is the cautious order. 1 where nothing is drawn."""
    shares = [
        (draw.energy_Wh / inverter.efficiency if draw.ac and inverter else draw.energy_Wh, draw.hours)
        for draw in draws
    ]
    shares.append((always_W * DAY_H, DAY_H))
    if inverter is not None:
        shares.append((inverter.standby_W * inverter.hours_per_day, inverter.hours_per_day))
    total_Wh = sum(energy_Wh for energy_Wh, _ in shares)
    dark_Wh = sum(energy_Wh * min(1.0, night_h / hours) for energy_Wh, hours in shares)
    return dark_Wh / total_Wh if total_Wh > 0 else 1.0
