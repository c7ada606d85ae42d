"""What an outlook tells: the frozen values that words, document and page are made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """Ten, fifty and ninety percent of the supposed nights lie below."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class Point:
    """One moment of the course: the next five minutes, then every full hour."""

    time_ms: int
    soc: Band
    voltage_V: Band


@dataclass(frozen=True, slots=True)
class DayAhead:
    """24 hours of the coming days: the lowest charge in them, the charge at their end, what the array gives
    to bank and loads if the bank takes it, and what is used."""

    start_ms: int
    soc_min: Band
    soc_end: Band
    gives_Wh: Band | None
    used_Ah: Band
    crosses_reserve_probability: float


@dataclass(frozen=True, slots=True)
class Relief:
    """What switching off one branch now does: the probability to fall below the reserve that is left."""

    branch: str
    loads: tuple[str, ...]
    power_W: float
    crosses_reserve_probability: float
    crosses_disconnect_probability: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """The answers; None where a thing is not known or does not exist at this site.

    The night reaches from at_ms until the array helps again (helps_ms), or over 24 hours.
    """

    at_ms: int
    sunset_ms: int | None
    sunrise_ms: int | None
    helps_ms: int | None
    soc_now: float
    reserve_soc: float
    soc_min: Band
    voltage_min_V: Band
    used_Ah: Band
    low_ms: int
    crosses_reserve_probability: float
    crosses_disconnect_probability: float | None
    reserve_ms: int | None
    hours_left: float | None
    wet_days_left: int | None
    course: tuple[Point, ...]
    days: tuple[DayAhead, ...]
    switch_off: tuple[Relief, ...]
    basis: tuple[str, ...]
