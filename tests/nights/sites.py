"""A site by its seed: everything of it is drawn, so that any new seed is a new site of the same kind.

    night_site(7)

Reserve, chemistry, size, metering level, meters, array, season, weather, loads and how they change are all
drawn. The array gives 1.15 to 2.2 times the use on the mean, so that wet spells bring some sites low.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random

from tests.banks.charger import Charger
from tests.banks.consumption import Use
from tests.banks.library import circuit, generic, iron, measured, seeded, wells
from tests.banks.model import BankModel
from tests.banks.site import Claims, Grade, Level, Meters, Site, bank_toml
from tests.banks.weather import Air, plane_W_m2

DAYS = 34
LEVELS: tuple[Level, ...] = ("shunt", "controller", "charging")


@dataclass(frozen=True, slots=True)
class NightSite:
    """A site as it is, and the site file that its owner wrote of it."""

    site: Site
    grade: Grade
    site_toml: str
    reserve_soc: float


def night_site(seed: int) -> NightSite:
    """The site of a seed."""
    rng = Random(f"night/{seed}")
    name = f"night{seed}"
    level = LEVELS[seed % 3]
    grade: Grade = "coarse" if (seed // 3) % 2 else "fine"
    chemistry = rng.choice(("flooded", "flooded", "agm", "agm", "gel", "lifepo4"))
    size = rng.choice((6, 6, 12)) if chemistry != "lifepo4" else rng.choice((4, 4, 8))
    rated_Ah = rng.choice((80, 110, 150, 200, 225, 300, 450))
    bank_V = 2.0 * size if chemistry != "lifepo4" else 3.2 * size
    capacity_Ah = rated_Ah * rng.uniform(0.78, 0.98)
    latitude, month = rng.uniform(30, 56), rng.randrange(12)
    start_day = 1 + round(month * 30.4)
    measured_sky = rng.random() < 0.25
    if measured_sky:
        latitude, start_day = 39.7, rng.randrange(15, 75)
    air = Air(
        max(-2.0, 24 - 0.45 * (latitude - 25)) + rng.uniform(-6, 6) * (start_day < 100), rng.uniform(2, 6)
    )
    daily_Wh = rng.uniform(0.10, 0.30) * capacity_Ah * bank_V
    uses = _uses(rng, daily_Wh, level)
    start = _monday(start_day)
    first = start.timetuple().tm_yday
    fair = rng.uniform(0.4, 0.8)
    sun_h = sum(plane_W_m2(first + DAYS / 2, hour / 4, latitude, 35) for hour in range(96)) / 4000
    mean_share = 0.55 if measured_sky else 0.85 * fair + 0.21 * (1 - fair)
    array_W = round(rng.uniform(1.15, 2.2) * _mean_Wh(uses) / (sun_h * mean_share * 0.8))
    kind = "pwm" if rng.random() < 0.25 else "mppt"
    if kind == "pwm":
        array_W = round(array_W * 1.15)
    rating_A = max(10, round(array_W / bank_V))
    soc = rng.uniform(0.6, 0.9)
    site = Site(
        name,
        seed,
        DAYS,
        _bank(rng, name, chemistry, capacity_Ah, size, soc, air.mean_C),
        measured(name, air, DAYS, 0.9) if measured_sky else seeded(name, first, latitude, fair, air, DAYS),
        _charger(chemistry, array_W, rating_A, kind),
        uses,
        Claims(
            chemistry,
            bank_V / (2 if chemistry != "lifepo4" else 1),
            2 if chemistry != "lifepo4" else 1,
            rated_Ah,
        ),
        Meters(
            level,
            rng.uniform(0.996, 1.004),
            rng.uniform(0.99, 1.01),
            rng.uniform(-0.05, 0.05),
            rng.uniform(-1, 1),
            temperature=rng.random() > 0.15,
        ),
        start=start,
    )
    reserve = rng.choice((0.4, 0.5, 0.5))
    declared = rng.random() < 0.6
    toml = _site_toml(site, grade, latitude, array_W, bank_V, reserve, level, uses if declared else ())
    return NightSite(site, grade, toml, reserve)


def _monday(day_of_year: int) -> datetime:
    day = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(days=day_of_year)
    return day - timedelta(days=day.weekday())


def _bank(
    rng: Random, name: str, chemistry: str, capacity_Ah: float, size: int, soc: float, air_C: float
) -> Callable[[], BankModel]:
    if chemistry == "lifepo4":
        return iron(name, capacity_Ah, size, soc, air_C)
    kinds = {"flooded": ("circuit", "wells"), "agm": ("generic", "wells", "circuit"), "gel": ("wells",)}
    kind = rng.choice(kinds[chemistry])
    if kind == "circuit":
        return circuit(name, capacity_Ah, size, soc, air_C)
    if kind == "generic":
        return generic(name, capacity_Ah, size, soc, air_C)
    return wells(name, chemistry, capacity_Ah, size, soc, air_C, sulfated=rng.random() < 0.3)


def _charger(chemistry: str, array_W: float, rating_A: float, kind: str) -> Charger:
    if chemistry == "lifepo4":
        return Charger(
            array_W, rating_A, 3.52, 3.37, 1.0, compensation_V=0.0, tail=0.03, disconnect_V=3.0,
            reconnect_V=3.25, kind=kind,
        )  # fmt: skip
    absorption_V, float_V, hours = (2.45, 2.22, 2.0) if chemistry == "flooded" else (2.40, 2.26, 3.0)
    return Charger(array_W, rating_A, absorption_V, float_V, hours, tail=0.015, kind=kind)


def _uses(rng: Random, daily_Wh: float, level: str) -> tuple[Use, ...]:
    """Lamps every evening, a fridge, guests, a few days away, a new lamp, a load that no meter sees."""
    metered = level != "charging"
    parts = [rng.uniform(0.3, 0.6), rng.uniform(0.2, 0.5) if rng.random() < 0.7 else 0.0]
    always = rng.uniform(0.08, 0.25)  # a camera, a radio, a pump's controller
    lamp_h = rng.uniform(3.5, 6.0)
    lit_h = rng.uniform(17.0, 19.0)
    away = rng.randrange(10, 26) if rng.random() < 0.3 else 90
    back = away + rng.randrange(2, 6)
    spans = ((0, away), (back, 100_000))
    uses: list[Use] = []

    def add(watts: float, from_h: float, to_h: float, jitter_h: float, days: str | float = "all") -> None:
        uses.extend(
            Use(round(watts, 1), from_h, to_h, jitter_h, days, metered=metered, first_day=first, end_day=end)
            for first, end in spans
        )

    add(daily_Wh * parts[0] / lamp_h, lit_h, lit_h + lamp_h, 0.7)
    uses.append(Use(round(daily_Wh * always / 24, 1), metered=metered))
    if parts[1]:
        duty = rng.uniform(0.2, 0.45)
        uses.append(
            Use(
                round(daily_Wh * parts[1] / 24 / duty, 1),
                cycle_min=rng.uniform(25, 60),
                duty=duty,
                metered=metered,
            )
        )
    if rng.random() < 0.5:
        add(daily_Wh * rng.uniform(0.3, 0.7) / 5, 18.0, 23.0, 1.0, "weekend")
    if rng.random() < 0.5:
        from_h = rng.choice((7.0, 10.0, 15.0, 20.0))
        add(daily_Wh * rng.uniform(0.2, 0.6) / 3, from_h, from_h + 3, 1.0, 0.3)
    if rng.random() < 0.4:
        first = rng.randrange(8, 28)
        watts = round(daily_Wh * rng.uniform(0.4, 0.9) / 5, 1)
        uses.append(
            Use(watts, 17.5, 23.5, 0.7, metered=metered, first_day=first, end_day=first + rng.randrange(1, 4))
        )
    if rng.random() < 0.4:
        watts = round(daily_Wh * rng.uniform(0.15, 0.35) / lamp_h, 1)
        uses.append(Use(watts, lit_h, lit_h + lamp_h, 0.5, metered=metered, first_day=rng.randrange(10, 26)))
    if level == "controller" and rng.random() < 0.3:
        uses.append(Use(round(daily_Wh * rng.uniform(0.03, 0.1) / 24, 1), metered=False))
    return (*uses, Use(2.0, metered=False))


def _mean_Wh(uses: tuple[Use, ...]) -> float:
    """Mean use of a day without what comes and goes."""
    shares = {"all": 1.0, "weekend": 2 / 7}
    return sum(
        use.power_W
        * (use.to_h - use.from_h)
        * (use.duty if use.cycle_min else 1.0)
        * (shares[use.days] if isinstance(use.days, str) else use.days)
        for use in uses
        if use.first_day == 0
    )


def _site_toml(
    site: Site,
    grade: Grade,
    latitude: float,
    array_W: float,
    bank_V: float,
    reserve: float,
    level: str,
    uses: tuple[Use, ...],
) -> str:
    panels = 1 + int(array_W // 900)
    vmp_V = round(18.0 * max(1.0, bank_V / 12), 2)
    watts = array_W / panels
    bank = bank_toml(site, grade).replace("[bank]\n", f"[bank]\nreserve_soc = {reserve}\n")
    loads = "".join(
        f'\n[[loads]]\nname = "load {number}"\nbranch = "{1 + number % 2}"\npower_W = {use.power_W}\n'
        f"hours_per_day = {min(24.0, use.to_h - use.from_h) * (use.duty if use.cycle_min else 1):.1f}\n"
        for number, use in enumerate(uses[:-1])
        if use.days == "all" and use.first_day == 0
    )
    return f"""[site]
name = "{site.name}"
latitude_deg = {latitude:.2f}
longitude_deg = 0.0
time_zone = "UTC"

{bank}
[array]
panel_power_W = {watts:.1f}
panel_voc_V = {1.22 * vmp_V:.2f}
panel_isc_A = {min(30.0, 1.06 * watts / vmp_V):.2f}
panel_vmp_V = {vmp_V}
panel_imp_A = {min(28.0, watts / vmp_V):.2f}
panels_in_series = 1
strings_in_parallel = {panels}
tilt_deg = 35
azimuth_deg = 180

[metering]
level = "{level}"
monitor_power_W = 2.0
{loads}"""
