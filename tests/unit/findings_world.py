"""Days of an invented array for the findings' tests: weather, bank and faults by seed, equations of its own.

It shares no code with `monitor/sun`. What the monitor expects (`Clear`) and what the array truly does differ
as they do outside: another turbidity each day, a gain, a tilt and an azimuth some degrees off, haze in the
morning, rounding meters. Formulas: declination by Cooper (1969), airmass by Kasten and Young (1989), beam by
Meinel (1976), global light by Haurwitz (1945), module temperature by Ross (1981); all from memory. What the
weather does is our choice and no record of a place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

from monitor.quantities import Stage
from monitor.sun.day import Clear, Day, Seen, Step

STEP_S = 300
STEPS = 86400 // STEP_S


@dataclass(frozen=True)
class World:
    """An array and its sky. Angles and shares are the truth; the monitor expects `tilt_deg` and no error."""

    seed: int = 1
    first: date = date(2026, 4, 10)
    days: int = 60
    latitude_deg: float = 47.0
    tilt_deg: float = 35.0
    true_tilt_off_deg: float = 2.0
    true_azimuth_off_deg: float = 4.0
    gain: float = 0.95
    power_W: float = 450.0
    vmp_V: float = 18.2
    voc_V: float = 22.3
    series: int = 1
    warmth_C: float = 12.0
    need: float = 0.8
    power_step_W: float = 0.1
    voltage_step_V: float = 0.01
    with_voltage: bool = True
    mislabelled: float = 0.01
    weather: str | None = None
    shift_min: Callable[[date], float] = field(default=lambda day: 0.0)


@dataclass(frozen=True)
class Truth:
    """One step as it is: what a fault may change before the meters see it."""

    start_ms: int
    elevation_deg: float
    azimuth_deg: float
    beam_W: float
    diffuse_W: float
    sky: float
    voltage_V: float
    air_C: float
    controller_C: float
    held: float | None
    limit_W: float = math.inf

    @property
    def power_W(self) -> float:
        free = min(self.beam_W + self.diffuse_W, self.limit_W)
        return free if self.held is None else min(free, self.held)


Fault = Callable[[Truth], Truth]
Misread = Callable[[Step], Step]


def sun_at(day: date, hour: float, latitude_deg: float) -> tuple[float, float]:
    """Elevation and azimuth (from north, clockwise) in degrees at a solar hour."""
    number = day.timetuple().tm_yday + hour / 24
    declination = math.radians(23.45 * math.sin(math.radians(360 * (284 + number) / 365)))
    angle, latitude = math.radians(15 * (hour - 12)), math.radians(latitude_deg)
    up = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        angle
    )
    east = -math.cos(declination) * math.sin(angle)
    north = math.sin(declination) * math.cos(latitude) - math.cos(declination) * math.sin(
        latitude
    ) * math.cos(angle)
    return math.degrees(math.asin(up)), math.degrees(math.atan2(east, north)) % 360


def plane_light(
    elevation_deg: float, azimuth_deg: float, tilt_deg: float, faces_deg: float
) -> tuple[float, float]:
    """Clear beam and diffuse light on the plane, W/m²."""
    if elevation_deg <= 0:
        return 0.0, 0.0
    up = math.sin(math.radians(elevation_deg))
    air = 1 / (up + 0.50572 * (elevation_deg + 6.07995) ** -1.6364)
    normal = 1361 * 0.7 ** (air**0.678)
    tilt = math.radians(tilt_deg)
    towards = up * math.cos(tilt) + math.cos(math.radians(elevation_deg)) * math.sin(tilt) * math.cos(
        math.radians(azimuth_deg - faces_deg)
    )
    around = 0.12 * 1098 * up * math.exp(-0.059 / up) + 10 * up
    return normal * max(0.0, towards), around * (1 + math.cos(tilt)) / 2


def made(
    world: World, faults: Sequence[Fault] = (), readings: Sequence[Misread] = ()
) -> tuple[list[Day], list[tuple[Seen, ...]]]:
    """Days and what each step shows of the sky, as the rooms before the findings would give them."""
    random = Random(world.seed)
    days, seen, kind = [], [], "clear"
    for number in range(world.days):
        day = world.first + timedelta(days=number)
        kind = world.weather or _next_kind(kind, random)
        start_ms = round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)
        truths = [_faulty(truth, faults) for truth in _truths(world, day, start_ms, kind, random)]
        clear = [_clear(world, day, start_ms + 1000 * STEP_S * step) for step in range(STEPS)]
        steps = [_misread(_metered(world, truth, random), readings) for truth in truths]
        days.append(Day(day, start_ms, start_ms + 86_400_000, STEP_S, tuple(clear), tuple(steps)))
        shown = [_seen(world, c, s, t, random) for c, s, t in zip(clear, steps, truths, strict=True)]
        seen.append(tuple(shown))
    return days, seen


def _next_kind(kind: str, random: Random) -> str:
    if random.random() < 0.5:
        return kind
    return random.choices(["clear", "broken", "overcast", "dark"], [4, 4, 2, 1])[0]


def _faulty(truth: Truth, faults: Sequence[Fault]) -> Truth:
    for fault in faults:
        truth = fault(truth)
    return truth


def _misread(step: Step, readings: Sequence[Misread]) -> Step:
    for misread in readings:
        step = misread(step)
    return step


def _clear(world: World, day: date, start_ms: int) -> Clear:
    hour = (start_ms / 1000 % 86400 + STEP_S / 2) / 3600
    elevation, azimuth = sun_at(day, hour, world.latitude_deg)
    beam, diffuse = plane_light(elevation, azimuth, world.tilt_deg, 180)
    module = world.warmth_C + 4 * math.sin(math.radians(15 * (hour - 9))) + 0.03 * (beam + diffuse)
    power = world.power_W * (beam + diffuse) / 1000 * (1 - 0.004 * (module - 25))
    return Clear(start_ms, elevation, azimuth, beam, diffuse, module, power, power)


def _truths(world: World, day: date, start_ms: int, kind: str, random: Random) -> list[Truth]:
    haze = random.uniform(0.94, 1.03)
    morning = random.choice([0, 0, 0.3]) if kind == "clear" else 0.0
    warm = world.warmth_C + random.uniform(-4, 4)
    want_Wh = world.need * world.power_W * random.uniform(2, 7)
    cloud = _clouds(kind, random)
    truths, taken_Wh, held_W = [], 0.0, None
    for step in range(STEPS):
        now_ms = start_ms + 1000 * STEP_S * step
        hour = (step + 0.5) * STEP_S / 3600 - world.shift_min(day) / 60
        elevation, azimuth = sun_at(day, hour, world.latitude_deg)
        beam, diffuse = plane_light(
            elevation, azimuth, world.tilt_deg + world.true_tilt_off_deg, 180 + world.true_azimuth_off_deg
        )
        through = cloud[step] * haze
        if morning and elevation > 0 and azimuth < 150:
            through *= 1 - morning * math.exp(-elevation / 8)
        beam, diffuse = beam * max(0.0, through * 1.25 - 0.25), diffuse * (through + (1 - through) * 0.6)
        air = warm + 5 * math.sin(math.radians(15 * (hour - 9)))
        module = air + 0.03 * (beam + diffuse)
        factor = world.gain * world.power_W / 1000 * (1 - 0.004 * (module - 25))
        light = max(beam + diffuse, 0.3 * math.exp(elevation) if elevation < 0 else 0.3)
        best = world.vmp_V * (1 - 0.0042 * (module - 25)) * (1 + 0.025 * math.log(max(light, 20) / 1000))
        open_V = world.voc_V * (1 - 0.003 * (module - 25)) * (1 + 0.03 * math.log(max(light, 0.5) / 1000))
        power = factor * (beam + diffuse)
        if taken_Wh > want_Wh:
            held_W = power if held_W is None else held_W * math.exp(-STEP_S / 3600 / 1.5)
        holds = held_W if held_W is not None and held_W < power else None
        share = 1.0 if holds is None else max(0.0, holds / power)
        voltage = best + (open_V - best) * (1 - share) ** 0.5 if light > 4 else open_V * light / 5
        taken_Wh += min(power, holds or power) * STEP_S / 3600
        truths.append(
            Truth(
                now_ms,
                elevation,
                azimuth,
                factor * beam,
                factor * diffuse,
                through,
                max(0.0, voltage) * world.series,
                air,
                air + 8 + 0.04 * min(power, holds or power),
                holds,
            )
        )
    return truths


def _clouds(kind: str, random: Random) -> list[float]:
    """The share of clear light by step: smooth on clear days, switching under broken cloud."""
    level = {"clear": 1.0, "broken": 0.7, "overcast": 0.3, "dark": 0.12}[kind]
    values, state, drift = [], random.random() < 0.5, 0.0
    for _ in range(STEPS):
        drift = 0.9 * drift + random.gauss(0, 0.05)
        if kind == "clear":
            values.append(1 + 0.05 * drift + random.gauss(0, 0.004))
        elif kind == "broken":
            state = state if random.random() < 0.75 else random.random() < 0.55
            values.append(min(1.12, random.uniform(0.9, 1.1) if state else max(0.15, 0.4 + drift)))
        else:
            values.append(max(0.04, level * (1 + 2 * drift)))
    return values


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def _metered(world: World, truth: Truth, random: Random) -> Step:
    power = _rounded(max(0.0, truth.power_W * random.gauss(1, 0.003)), world.power_step_W)
    charge = 0.0 if power == 0 else _rounded(power * 0.95 / 13.2, 0.01)
    return Step(
        truth.start_ms,
        1.0,
        power_W=power,
        power_low_W=power * 0.98,
        power_high_W=power * 1.02,
        array_voltage_V=_rounded(truth.voltage_V, world.voltage_step_V) if world.with_voltage else None,
        array_current_A=_rounded(power / truth.voltage_V, 0.01) if truth.voltage_V > 1 else 0.0,
        battery_voltage_V=_rounded(12.6 + 0.05 * charge + random.gauss(0, 0.01), 0.01),
        charge_current_A=charge,
        battery_temperature_C=_rounded(truth.air_C + 1, 0.1),
        controller_temperature_C=_rounded(truth.controller_C, 0.1),
        stage=Stage.OFF if power == 0 else Stage.BULK if truth.held is None else Stage.ABSORPTION,
    )


def _seen(world: World, clear: Clear, step: Step, truth: Truth, random: Random) -> Seen:
    held = (truth.held is not None) != (random.random() < world.mislabelled)
    dark = clear.elevation_deg <= 3 or clear.passed_W < 0.02 * world.power_W
    power = step.power_W
    index = None if held or dark or power is None else power / clear.passed_W
    return Seen(clear.start_ms, held, index, None if dark else power, 0.0)


def after(world: World, number: int, hour: float = 0.0) -> int:
    """UTC ms of an hour of the day with this number (0 the first)."""
    day = world.first + timedelta(days=number)
    return round(
        (datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=hour)).timestamp() * 1000
    )


def strings_lost(share_left: float, from_ms: int, to_ms: int | None = None) -> Fault:
    """Some of the parallel strings give nothing; the voltage stays."""

    def fault(truth: Truth) -> Truth:
        if truth.start_ms < from_ms or (to_ms is not None and truth.start_ms >= to_ms):
            return truth
        return replace(truth, beam_W=truth.beam_W * share_left, diffuse_W=truth.diffuse_W * share_left)

    return fault


def diode_lost(share_left: float, from_ms: int) -> Fault:
    """A part of a panel is short-circuited by its diode: voltage and power fall alike."""

    def fault(truth: Truth) -> Truth:
        if truth.start_ms < from_ms:
            return truth
        lower = replace(truth, voltage_V=truth.voltage_V * share_left)
        return replace(lower, beam_W=truth.beam_W * share_left, diffuse_W=truth.diffuse_W * share_left)

    return fault


def disconnected(from_ms: int, to_ms: int) -> Fault:
    """The array's disconnect is open: neither voltage nor current at the controller."""

    def fault(truth: Truth) -> Truth:
        if not from_ms <= truth.start_ms < to_ms:
            return truth
        return replace(truth, beam_W=0.0, diffuse_W=0.0, voltage_V=0.05, held=None)

    return fault


def obstacle(from_deg: float, to_deg: float, height_deg: float, from_ms: int) -> Fault:
    """Something stands before the sun between two azimuths up to a height: it takes the beam."""

    def fault(truth: Truth) -> Truth:
        inside = from_deg <= truth.azimuth_deg <= to_deg and truth.elevation_deg < height_deg
        if truth.start_ms < from_ms or not inside:
            return truth
        return replace(truth, beam_W=truth.beam_W * 0.03, diffuse_W=truth.diffuse_W * 0.85)

    return fault


def dirt(a_day: float, from_ms: int, washed_ms: int | None) -> Fault:
    """Dirt takes another share of the light each day, until rain."""

    def fault(truth: Truth) -> Truth:
        if truth.start_ms < from_ms or (washed_ms is not None and truth.start_ms >= washed_ms):
            return truth
        left = max(0.5, 1 - a_day * (truth.start_ms - from_ms) / 86_400_000)
        return replace(truth, beam_W=truth.beam_W * left, diffuse_W=truth.diffuse_W * left)

    return fault


def snowed(from_ms: int, to_ms: int) -> Fault:
    """Snow lies on the panels: a little light comes through, the voltage is there, it is cold."""

    def fault(truth: Truth) -> Truth:
        if not from_ms <= truth.start_ms < to_ms:
            return truth
        return replace(
            truth,
            beam_W=truth.beam_W * 0.01,
            diffuse_W=truth.diffuse_W * 0.01,
            air_C=truth.air_C - 8,
            controller_C=truth.air_C - 6,
            held=None,
        )

    return fault


def derated(from_C: float, to_share: float, from_ms: int, rating_W: float) -> Fault:
    """Above a temperature the controller passes less and less, down to a share of its rating."""

    def fault(truth: Truth) -> Truth:
        if truth.start_ms < from_ms or truth.controller_C <= from_C:
            return truth
        left = max(to_share, 1 - 0.04 * (truth.controller_C - from_C))
        return replace(truth, limit_W=left * rating_W)

    return fault


def reading(name: str, value: float | None, from_ms: int) -> Misread:
    """A meter shows one value, whatever is true; None: it is not there."""

    shown: dict[str, Any] = {name: value}

    def misread(step: Step) -> Step:
        return step if step.start_ms < from_ms else replace(step, **shown)

    return misread
