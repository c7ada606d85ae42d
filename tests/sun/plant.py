"""A small site as drawn by a seed: array, controller, bank, loads, meters, and what its owner wrote down.

All spans are ours: common sizes of small sites.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tests.banks import lithium, third_order, two_wells
from tests.banks.charger import Charger
from tests.banks.consumption import Use
from tests.banks.lithium import LithiumBank
from tests.banks.model import BankModel
from tests.banks.third_order import ThirdOrderBank
from tests.banks.two_wells import TwoWellBank
from tests.sun.panels import Panel

PANELS = {
    "50": Panel(50, 21.8, 3.05, 17.8, 2.81, 36, -0.0032, 2),
    "100": Panel(100, 22.4, 6.05, 18.3, 5.46, 36, -0.0030, 2),
    "150": Panel(150, 22.5, 8.75, 18.4, 8.15, 36, -0.0030, 2),
    "200": Panel(200, 36.2, 7.20, 29.6, 6.76, 60, -0.0031, 3),
    "300": Panel(300, 39.6, 9.80, 32.6, 9.20, 60, -0.0029, 3),
}
"""Invented panels of usual sizes; the last two are no match for a PWM controller."""


@dataclass(frozen=True, slots=True)
class Meters:
    """What the instruments show: gains, steps, and which quantities there are."""

    volt_gain: float
    amp_gain: float
    volt_step: float
    amp_step: float
    row_s: int
    shows: frozenset[str]


@dataclass(frozen=True, slots=True)
class Plant:
    """All that one seed makes of a record's weather."""

    seed: int
    panel: Panel
    series: int
    parallel: int
    kind: str
    rating_A: float
    chemistry: str
    nominal_V: int
    cells: int
    rated_Ah: float
    charger: Charger
    bank: Callable[[], BankModel]
    uses: tuple[Use, ...]
    level: str
    meters: Meters
    efficiency: float
    own_W: float
    heating: float  # cells over air, K per W/m²
    case_K: float  # controller over air at its rated current
    condition: float  # what the array gives of its rated power

    @property
    def array_W(self) -> float:
        return self.panel.power_W * self.series * self.parallel

    @property
    def most_A(self) -> float:
        """About the charging current of the array at its rated power, within the controller's rating."""
        whole = self.array_W / self.nominal_V if self.kind == "mppt" else self.panel.isc_A * self.parallel
        return min(self.rating_A, whole)


KINDS_OF_ARRAY = (
    # panel, in series, in parallel, nominal volts, kind
    ("50", 1, 2, 12, "pwm"),
    ("100", 1, 1, 12, "pwm"),
    ("100", 1, 2, 12, "pwm"),
    ("150", 1, 2, 12, "pwm"),
    ("100", 2, 2, 24, "pwm"),
    ("100", 1, 3, 12, "mppt"),
    ("150", 2, 1, 12, "mppt"),
    ("100", 2, 2, 12, "mppt"),
    ("150", 1, 3, 12, "mppt"),
    ("200", 1, 1, 12, "mppt"),
    ("200", 1, 2, 12, "mppt"),
    ("300", 1, 1, 12, "mppt"),
    ("300", 1, 2, 12, "mppt"),
    ("100", 3, 1, 24, "mppt"),
    ("200", 2, 1, 24, "mppt"),
    ("150", 2, 2, 24, "mppt"),
    ("300", 2, 1, 24, "mppt"),
)


def draw(
    seed: int,
    name: str,
    measured_step_s: int,
    air_C: float,
    bright: float,
    *,
    needs: Callable[[str, int, int], bool] = lambda kind, series, parallel: True,
    shown: frozenset[str] = frozenset(),
    thirsty: bool = False,
) -> Plant:
    """The plant of a seed for the record of that name.

    air_C is the weather's mean, bright the day's mean insolation [kWh/m²], by which the loads are sized.
    needs tells whether an array suits (a fault may ask for parallel strings), shown which quantities its
    meters show in any case. A thirsty site uses more, so that its bank is less often full.
    """
    rng = Random(f"{name}/{seed}/plant")
    fitting = [one for one in KINDS_OF_ARRAY if needs(one[4], one[1], one[2])]
    panel_name, series, parallel, nominal_V, kind = rng.choice(fitting)
    panel = PANELS[panel_name]
    array_W = panel.power_W * series * parallel
    chemistry = rng.choice(("flooded", "agm", "lifepo4"))
    charge_A = array_W / nominal_V if kind == "mppt" else panel.isc_A * parallel
    # a PWM controller must carry 1.25 times the short-circuit current; an MPPT one may clip a little
    least_A = 0.95 * charge_A if kind == "mppt" else 1.25 * panel.isc_A * parallel
    rating_A = next(size for size in (5, 10, 15, 20, 30, 40, 60) if size > least_A)
    rated_Ah = round(charge_A * rng.uniform(6, 14) / 5) * 5
    charger = _charger(rng, chemistry, array_W, rating_A, kind)
    bank, cells = _bank(rng, name, chemistry, nominal_V, rated_Ah, air_C)
    daily_Wh = 0.8 * bright * array_W * (0.75 if kind == "pwm" else 1.0)
    level = rng.choice(("shunt", "controller", "charging"))
    return Plant(
        seed=seed,
        panel=panel,
        series=series,
        parallel=parallel,
        kind=kind,
        rating_A=rating_A,
        chemistry=chemistry,
        nominal_V=nominal_V,
        cells=cells,
        rated_Ah=rated_Ah,
        charger=charger,
        bank=bank,
        uses=_uses(rng, daily_Wh * (rng.uniform(0.65, 1.1) if thirsty else rng.uniform(0.35, 0.95)), array_W),
        level=level,
        meters=_meters(rng, level, measured_step_s, shown),
        efficiency=rng.uniform(0.93, 0.98) if kind == "mppt" else 1.0,
        own_W=rng.uniform(0.1, 1.5),
        heating=rng.uniform(0.024, 0.036),
        case_K=rng.uniform(8, 25),
        condition=rng.uniform(0.86, 1.02),
    )


def _charger(rng: Random, chemistry: str, array_W: float, rating_A: float, kind: str) -> Charger:
    if chemistry == "lifepo4":
        return Charger(
            array_W,
            rating_A,
            absorption_V=rng.uniform(3.48, 3.56),
            float_V=rng.choice((3.35, 3.375, 3.40)),
            absorption_h=rng.choice((0.5, 1.0, 2.0)),
            compensation_V=0.0,
            tail=rng.choice((0.0, 0.03, 0.05)),
            disconnect_V=3.0,
            reconnect_V=3.2,
            kind=kind,
        )
    return Charger(
        array_W,
        rating_A,
        absorption_V=rng.uniform(2.40, 2.46),
        float_V=rng.uniform(2.24, 2.29),
        absorption_h=rng.choice((1.0, 2.0, 3.0, 4.0)),
        compensation_V=rng.choice((-0.003, -0.004, -0.005)),
        tail=rng.choice((0.0, 0.01, 0.02)),
        kind=kind,
    )


def _bank(
    rng: Random, name: str, chemistry: str, nominal_V: int, rated_Ah: float, air_C: float
) -> tuple[Callable[[], BankModel], int]:
    own, soc = rng.uniform(0.78, 1.03) * rated_Ah, rng.uniform(0.55, 0.95)
    made = Random(rng.random())
    if chemistry == "lifepo4":
        cells = round(nominal_V / 12) * 4
        cell = lithium.sized(own, made)
        return lambda: LithiumBank(cell, cells, soc, air_C), cells
    cells = nominal_V // 2
    if chemistry == "flooded" and rng.random() < 0.5:
        third = third_order.sized(own, made)
        return lambda: ThirdOrderBank(third, cells, soc, air_C), cells
    wells = two_wells.sized(chemistry, own, made)
    return lambda: TwoWellBank(wells, cells, soc, air_C), cells


def _uses(rng: Random, daily_Wh: float, array_W: float) -> tuple[Use, ...]:
    """Loads that take so much energy in a day on average."""
    parts = [rng.uniform(0.5, 1.5), rng.uniform(0.2, 1.5) * (rng.random() < 0.7), rng.uniform(0.2, 0.8)]
    shares = [part / sum(parts) for part in parts]
    metered = rng.random() < 0.7
    evening_h, pump_h = rng.uniform(3, 6), rng.uniform(0.5, 2.5)
    pump_h = max(pump_h, daily_Wh * shares[2] / (0.4 * array_W))
    begin_h = rng.uniform(9, 14)
    duty = rng.uniform(0.2, 0.45)
    return (
        Use(daily_Wh * shares[0] / evening_h, 18, 18 + evening_h, 0.8, metered=metered),
        Use(daily_Wh * shares[1] / 24 / duty, cycle_min=rng.uniform(25, 50), duty=duty, metered=metered),
        Use(daily_Wh * shares[2] / pump_h, begin_h, begin_h + pump_h, 0.5, 0.6, metered=metered),
        Use(rng.uniform(1.0, 3.0), metered=False),
    )


def _meters(rng: Random, level: str, measured_step_s: int, shown: frozenset[str]) -> Meters:
    shows = {"battery_voltage_V", "charge_current_A", *shown}
    for name, share in (
        ("battery_temperature_C", 0.85),
        ("controller_temperature_C", 0.6),
        ("array_voltage_V", 0.9),
        ("array_current_A", 0.6),
        ("array_power_W", 0.6),
        ("charge_stage", 0.5),
    ):
        if rng.random() < share:
            shows.add(name)
    if level == "shunt":
        shows.add("battery_current_A")
    elif level == "controller":
        shows.add("load_current_A")
    coarse = rng.random() < 0.4
    return Meters(
        volt_gain=1 + rng.uniform(-0.004, 0.004),
        amp_gain=1 + rng.uniform(-0.015, 0.015),
        volt_step=0.1 if coarse else 0.01,
        amp_step=0.1 if coarse else 0.01,
        row_s=measured_step_s if measured_step_s < 900 else rng.choice((300, 300, 900)),
        shows=frozenset(shows),
    )
