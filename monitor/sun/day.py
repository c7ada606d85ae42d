"""The steps of a day: what a clear sky gives in each, what was read in it, and what that shows of the sky."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from monitor.quantities import Stage

STEP_S = 300
"""Width of a step: a cloud's passing shows, a controller's slow display averages out (our choice). A record
whose readings come less often has steps as wide as its own interval, a multiple of this, at most 900 s."""


@dataclass(frozen=True, slots=True)
class Clear:
    """What a clear sky gives in one step, means over [start, start + step).

    beam and diffuse (sky and ground) fall on the array's plane, as if no horizon stood before it. power_W is
    the array's at its best point by its rated values; passed_W what of it the controller can pass on (a PWM
    controller works at the bank's voltage, every controller stops at its rated current).
    """

    start_ms: int
    elevation_deg: float
    azimuth_deg: float
    beam_W_m2: float
    diffuse_W_m2: float
    module_C: float
    power_W: float
    passed_W: float


@dataclass(frozen=True, slots=True)
class Step:
    """What was read in one step, means but for the two extremes; None where nothing good was read.

    power_W is the array's. covered is the share of the step for which readings speak.
    """

    start_ms: int
    covered: float
    power_W: float | None = None
    power_low_W: float | None = None
    power_high_W: float | None = None
    array_voltage_V: float | None = None
    array_current_A: float | None = None
    battery_voltage_V: float | None = None
    charge_current_A: float | None = None
    battery_temperature_C: float | None = None
    controller_temperature_C: float | None = None
    stage: Stage | None = None
    battery_current_A: float | None = None


@dataclass(frozen=True, slots=True)
class Day:
    """One local day; `clear` and `steps` are of the same moments, in order, one every step_s."""

    day: date
    start_ms: int
    end_ms: int
    step_s: int
    clear: tuple[Clear, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """What one step shows of the sky.

    held_back: the full bank took less than the array could give, so that its power says nothing of sky and
    array. index is the clear-sky index by power: what the array gave over `Clear.passed_W` (and so over an
    array as rated), None in the dark, without readings, and where held back. allowed_W is what the sky
    allowed the array to give: the power itself, or where held back an estimate with its deviation.
    """

    start_ms: int
    held_back: bool
    index: float | None
    allowed_W: float | None
    allowed_sd_W: float
