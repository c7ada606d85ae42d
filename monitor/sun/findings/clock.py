"""The sun clock: whether the array wakes and sleeps when the sun says it should.

A panel's voltage comes with the first light and goes with the last, whatever the clouds, the plane it lies in
or a tree before it. The middle between both is the sun's noon by the readings' clock; the distance between
both is the day's length. Where no array voltage is read, power's first and last trace stand for them, which a
horizon or a wrong azimuth moves one by one: then both edges must be moved alike.

A clock that is wrong by c minutes and a longitude that is wrong by c/4 degrees look alike. Told apart by rule
(our choice): a jump within the record is the clock; so is an error of whole hours, as a wrong time zone
makes; another error that was there from the first day is the location.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.record import Column, Record
from monitor.sun.findings.spans import steps_of_level

AWAKE_SHARE = 0.35
"""Awake is an array voltage above this share of its rated best-point voltage (our choice)."""

AWAKE_POWER = 0.01
"""Without a voltage: power above this share of the rated power (our choice)."""

LEAST_ERROR_MIN = 7.0
"""Smaller errors and jumps are left. For an error half a step is added, since a reading may be of its step's
begin, middle or end; for a jump a quarter (our choice)."""

SHORT_DAYS, SHORT_ERROR_MIN = 7, 15.0
"""A clock that went wrong and right again must have been wrong for so many days and minutes (our choice)."""

LEAST_DAYS = 3
CHANGE_COST_MIN = 12.0
"""A new level of the day's error must spare so many minutes of misfit over its days (our choice)."""

ABOUT = 0.5
"""Errors are about the same if the smaller is this share of the larger (our choice)."""

SCATTERS = 1.3
"""An error must exceed the scatter of its days so many times, and four times its mean's (our choice)."""

ALIKE_MIN = 0.6
"""Both edges must be moved by this share of the error at least, where the right days show how they lay, or
where only power tells them (our choice); a panel's voltage shows both edges wherever it stands."""

HOUR_MIN, HOUR_NEAR_MIN = 60.0, 2.0
MINUTES_A_DEGREE = 4.0

LOOK_CLOCK = (
    "Compare the clock of the computer or logger that stamped the readings with a clock you trust, and the"
    " time zone it writes; nothing in the array needs to be touched."
)
LOOK_PLACE = (
    "Compare latitude and longitude in the site file with a map (west is negative), then the clock and the"
    " time zone of whatever stamped the readings; nothing in the array needs to be touched."
)


Days = npt.NDArray[np.int64]
"""Days by number."""


@dataclass(frozen=True)
class Edges:
    """Of each day, in minutes: how much later than the sun the array wakes and sleeps; nan: not seen."""

    wake_min: Column
    sleep_min: Column
    by_voltage: bool

    @property
    def late_min(self) -> Column:
        """By how much the readings' noon comes later than the sun's."""
        return np.asarray((self.wake_min + self.sleep_min) / 2)


def edges_of(record: Record) -> Edges:
    """When the array woke and slept each day, against the sun's rise and set by place and time."""
    voltage = record["array_voltage_V"]
    vmp_V = record.supply.panel_vmp_V * record.supply.panels_in_series
    by_voltage = np.isfinite(voltage).sum() > 0.5 * np.isfinite(record["power_W"]).sum()
    sign = (
        voltage / (AWAKE_SHARE * vmp_V) if by_voltage else record["power_W"] / (AWAKE_POWER * record.rated_W)
    )
    wake, sleep = np.full(record.count, np.nan), np.full(record.count, np.nan)
    for number in range(record.count):
        here = record.of_day(number)
        sun = _crossings(record.elevation_deg[here], 0.0)
        seen = _crossings(sign[here], 1.0)
        if sun is None or seen is None:
            continue
        if not np.all(np.isfinite(sign[here][max(0, int(seen[0]) - 2) : int(seen[1]) + 3][[0, -1]])):
            continue
        wake[number], sleep[number] = (np.array(seen) - np.array(sun)) * record.step_s / 60
    return Edges(wake, sleep, bool(by_voltage))


def _crossings(value: Column, level: float) -> tuple[float, float] | None:
    """Where a day's values first rise above a level and last fall below it, in steps; None without either.

    Both neighbours of a crossing must be known. A value above the level at either end of the day crosses
    nowhere (a midnight sun, a voltage that stays).
    """
    above = np.flatnonzero(value > level)
    if not len(above):
        return None
    first, last = int(above[0]), int(above[-1])
    if first == 0 or last == len(value) - 1:
        return None
    before, behind = value[first - 1], value[last + 1]
    if not (np.isfinite(before) and np.isfinite(behind)):
        return None
    rise = first - (value[first] - level) / (value[first] - before)
    fall = last + (value[last] - level) / (value[last] - behind)
    return float(rise), float(fall)


def find(record: Record) -> list[Finding]:
    """Spans of days in which the readings' noon is not the sun's."""
    edges = edges_of(record)
    known = np.flatnonzero(np.isfinite(edges.late_min))
    if len(known) < LEAST_DAYS:
        return []
    late = edges.late_min[known]
    jump_min = LEAST_ERROR_MIN + record.step_s / 240
    spans = _merged(late, steps_of_level(late, CHANGE_COST_MIN, LEAST_DAYS), jump_min)
    middles = [float(np.median(late[low:high])) for low, high in spans]
    right = _right(middles, [high - low for low, high in spans])
    slack_min = LEAST_ERROR_MIN + record.step_s / 120
    base = right if abs(right) < slack_min else 0.0
    usual = [at for at, middle in enumerate(middles) if base and middle == right]
    told = []
    for low, high in _joined(late, spans, base, jump_min if usual else slack_min):
        part, days = late[low:high], known[low:high]
        middle = float(np.median(part))
        sd = 1.4826 * float(np.median(np.abs(part - middle)))
        error = middle - base
        least = jump_min if usual else slack_min
        if high < len(known) and low > 0:
            least = max(least, SHORT_ERROR_MIN if high - low >= SHORT_DAYS else np.inf)
        if abs(error) < max(least, SCATTERS * sd, 4 * sd / np.sqrt(high - low)):
            continue
        before = known[slice(*spans[usual[0]])] if usual else known[:0]
        both = all(_alike(edge, days, before, error) for edge in (edges.wake_min, edges.sleep_min))
        if both or (edges.by_voltage and not usual):
            told.append(_finding(record, days, error, sd, low == 0, high == len(known), edges.by_voltage))
    return told


def _joined(
    late: Column, spans: list[tuple[int, int]], base: float, least_min: float
) -> list[tuple[int, int]]:
    """Neighbouring spans that are wrong the same way by about as much are one: a clock is not set twice in a
    few days, but the weather moves what is seen of it."""
    joined = [spans[0]]
    for low, high in spans[1:]:
        errors = [float(np.median(late[slice(*span)])) - base for span in (joined[-1], (low, high))]
        smaller, larger = sorted(map(abs, errors))
        if errors[0] * errors[1] > 0 and smaller >= max(least_min, ABOUT * larger):
            joined[-1] = (joined[-1][0], high)
        else:
            joined.append((low, high))
    return joined


def _merged(late: Column, spans: list[tuple[int, int]], jump_min: float) -> list[tuple[int, int]]:
    """Spans that differ by less than a jump are one, the nearest first; so are spans that do so on both sides
    of a few odd days."""
    merged = list(spans)
    at = 1
    while at < len(merged) - 1:
        before, odd, behind = (float(np.median(late[low:high])) for low, high in merged[at - 1 : at + 2])
        short = merged[at][1] - merged[at][0] < SHORT_DAYS
        if short and abs(before - behind) < min(jump_min, abs(odd - before)):
            merged[at - 1 : at + 2] = [(merged[at - 1][0], merged[at + 1][1])]
        else:
            at += 1
    while len(merged) > 1:
        middles = np.array([np.median(late[low:high]) for low, high in merged])
        at = int(np.argmin(np.abs(np.diff(middles))))
        if abs(middles[at + 1] - middles[at]) >= jump_min:
            break
        merged[at : at + 2] = [(merged[at][0], merged[at + 1][1])]
    return merged


def _alike(edge_min: Column, days: Days, right_days: Days, error: float) -> bool:
    """Whether one edge moved by most of the error against the days on which the clock is right."""
    usual = float(np.median(edge_min[right_days])) if len(right_days) else 0.0
    return bool((float(np.median(edge_min[days])) - usual) * np.sign(error) >= ALIKE_MIN * abs(error))


def _right(middles: list[float], lasted: list[int]) -> float:
    """The error of the spans in which the clock is best, among those that last a fifth of the time."""
    long = [m for m, days in zip(middles, lasted, strict=True) if days >= 0.2 * sum(lasted)]
    return min(long or middles, key=abs)


def _finding(
    record: Record,
    days: Days,
    error: float,
    sd: float,
    from_first: bool,
    to_last: bool,
    by_voltage: bool,
) -> Finding:
    start_ms = record.days[0 if from_first else int(days[0])].start_ms
    end_ms = None if to_last else record.days[int(days[-1])].end_ms
    whole_hour = abs(error - HOUR_MIN * round(error / HOUR_MIN)) <= HOUR_NEAR_MIN
    is_place = from_first and to_last and not whole_hour
    band = max(1.0, 2 * sd / np.sqrt(len(days)))
    way = "later" if error > 0 else "earlier"
    sign = "voltage" if by_voltage else "power"
    text = (
        f"By the array's {sign} of {len(days)} days its noon comes {abs(error):.0f} ± {band:.0f} minutes"
        f" {way} than the sun's at the site file's place; wake and sleep are moved alike."
    )
    if is_place:
        east = error / MINUTES_A_DEGREE
        text += (
            f" It was so from the first day and is no whole hour: a longitude {abs(east):.1f}° too far"
            f" {'east' if east > 0 else 'west'} would do it. A clock wrong all the time would look the same."
        )
    elif from_first and to_last:
        text += (
            " It is whole hours, as a wrong time zone or summer time makes it; a wrong longitude would"
            " look the same."
        )
    else:
        text += " It came at once, which a place cannot do: the clock was changed."
    return Finding(
        kind=Kind.LOCATION_WRONG if is_place else Kind.CLOCK_WRONG,
        start_ms=start_ms,
        end_ms=end_ms,
        size=error / MINUTES_A_DEGREE if is_place else error,
        confidence=min(0.97, 0.6 + 0.02 * abs(error) + 0.01 * len(days))
        * (0.8 if from_first and to_last else 1),
        evidence=text,
        look_first=LOOK_PLACE if is_place else LOOK_CLOCK,
    )
