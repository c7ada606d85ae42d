"""Days of an invented hide for the tests of the outlook: lamps in the evening, sun by day, in five minutes.

The bank is one of tests/banks. How good the outlook is, many sites judge (tests/bench/outlook_nights.py).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.outlook.past import SLOT_MS, SitePast
from monitor.site.load import with_defaults
from monitor.site.model import Site
from tests.banks.library import wells
from tests.banks.model import BankModel, root
from tests.unit.site_files import MARSH_HIDE

START = datetime(2026, 3, 2, tzinfo=UTC)
"""A Monday."""

START_MS = round(START.timestamp() * 1000)
HOUR_MS, DAY_MS = 3_600_000, 86_400_000

UTC_HIDE = MARSH_HIDE.replace("Europe/London", "UTC")
HELD_V = 14.7
LAMPS = """
[[loads]]
name = "lamps"
branch = "2"
power_W = 60
hours_per_day = 5

[[loads]]
name = "camera"
branch = "1"
power_W = 12
hours_per_day = 24
"""

Load = Callable[[int, float], float]
"""What is drawn [A] by the day's number and the hour."""


def site_of(text: str) -> Site:
    """The site of a text, set points filled in."""
    return with_defaults(Site.model_validate(tomllib.loads(text)))[0]


def evening_lamps(day: int, hour: float) -> float:
    """1 A always, 5 A more from six to eleven."""
    return 6.0 if 18 <= hour < 23 else 1.0


def rows(load: Load, days: float, sun_A: float = 30.0) -> Iterator[tuple[int, dict[str, float]]]:
    """What a shunt and a controller with a load output show of a bank of two wells, 400 Ah, held at 14.7 V.

    2 W are drawn past the meters: the monitor.
    """
    bank = wells("hide", "flooded", 400, 6, 0.85, 12)()
    for number in range(round(days * 288)):
        day, slot = divmod(number, 288)
        hour = slot / 12
        offered_A = max(0.0, sun_A * math.sin(math.pi * (hour - 6.5) / 11)) if 6.5 < hour < 17.5 else 0.0
        load_A = load(day, hour)
        drawn_A = load_A + 2 / 12.5
        charge_A = _taken_A(bank, offered_A, drawn_A)
        bank.step(charge_A - drawn_A, 1 / 12, 12 + 3 * math.cos(math.pi * (hour - 15) / 12))
        yield (
            START_MS + number * SLOT_MS,
            {
                "battery_voltage_V": round(bank.voltage_V(charge_A - drawn_A), 2),
                "battery_current_A": round(charge_A - drawn_A, 2),
                "charge_current_A": round(charge_A, 2),
                "load_current_A": round(load_A, 2),
                "battery_temperature_C": round(bank.temperature_C, 1),
            },
        )


def _taken_A(bank: BankModel, offered_A: float, drawn_A: float) -> float:
    if offered_A <= 0 or bank.voltage_V(offered_A - drawn_A) <= HELD_V:
        return offered_A
    return root(lambda amps: bank.voltage_V(amps - drawn_A) - HELD_V, 0.0, offered_A, 0.002)


def lived(site: Site, load: Load, days: float, sun_A: float = 30.0) -> tuple[BankEstimator, SitePast]:
    """Estimator and past after so many days."""
    estimator, past = BankEstimator(describe_site(site)), SitePast(site)
    for time_ms, row in rows(load, days, sun_A):
        read: dict[str, Any] = {**row}
        estimate = estimator.update(BankSample(time_ms, **read))
        more = {"charge_stage": float(estimate.stage)}
        if estimate.unseen_load_A is not None:
            more["unseen_load_A"] = estimate.unseen_load_A
        past.add(time_ms, row | more)
    return estimator, past
