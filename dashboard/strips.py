"""A quantity over the span of a closer look: what the store has of it, and the same in words and rows.

Pure but for `take_strips`, which asks the store.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboard.day_line import decimals_of, value_span
from dashboard.figures import mean_of
from dashboard.local import day_text
from dashboard.snapshot import current_shown
from dashboard.time_marks import BY_DAY_FROM_MS, clock_changes, moment_text
from dashboard.values import LABELS
from dashboard.view import EVEN_MS, View, asked_view
from dashboard.words import DECIMALS, FRACTIONS, STAGES, number, shown, span_text
from monitor.local_days import day_at
from monitor.quantities import Stage, unit_of
from monitor.records import DAY_MS, MINUTE_MS, SECOND_MS, Bucket, Quality, Reading, Series, to_datetime
from monitor.sampling import SLOW_QUANTITIES
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.steps import CODES

POINTS, MOST_POINTS = 300, 400
"""A point for each column of a phone; a year has one for each day, since days are summed up (our choice)."""

BY_DAY_FROM = 60
"""From so many days on a point is a day: the comb of days and nights would hide what a season does (our
choice)."""

SINGLE_UP_TO_MS = 15 * MINUTE_MS
"""So short a span shows its single readings (our choice: 180 of a device that is asked every 5 s)."""

MOST_DOUBTFUL = 200
"""More question marks than that stand on each other on a phone (our choice)."""

MOST_FLAWED = 20
"""So many spells of doubtful or missing readings are listed (our choice)."""

SILENT_FROM_MS = 2 * MINUTE_MS
"""A shorter time ahead of the first or behind the last reading is no gap: what is newest comes into the store
once a minute (our choice)."""

WITHOUT_PICTURE = ("fault_bits", "state_of_charge_sd")
"""Faults are a set and no size, the deviation stands beside the charge."""


@dataclass(frozen=True, slots=True)
class Flawed:
    """Readings of one kind in a row that are not good; the last begins no later than the next good one."""

    first_ms: int
    last_ms: int
    count: int
    missing: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Strip:
    """A quantity over a view. unread are the spans without readings, none of them ahead of now.

    single are the good readings themselves and doubtful the suspect ones, as (time, value); flawed tells all
    that are not good. They are empty but in a very close look.
    """

    quantity: str
    series: Series
    unread: tuple[tuple[int, int], ...]
    single: tuple[tuple[int, float], ...] = ()
    doubtful: tuple[tuple[int, float], ...] = ()
    flawed: tuple[Flawed, ...] = ()

    @property
    def label(self) -> str:
        return LABELS[self.quantity]

    @property
    def edges(self) -> tuple[float, float]:
        """The lowest and the highest value that its picture shows."""
        if self.quantity in FRACTIONS:
            return 0.0, 1.0
        if self.quantity == "charge_stage":
            return -0.3, max(Stage) + 0.3
        return value_span(self.series)


@dataclass(frozen=True, slots=True)
class Row:
    """A part of the view in words."""

    start_ms: int
    end_ms: int
    time: str
    lowest: str
    mean: str
    highest: str


def choices(latest: Sequence[Reading]) -> list[str]:
    """The quantities that a closer look can show, out of the store's latest readings."""
    read = {reading.quantity for reading in latest}
    return [name for name in LABELS if name in read and name not in WITHOUT_PICTURE]


def asked_there(
    query: Mapping[str, str], reader: StoreReader, site: Site, now_ms: int
) -> tuple[View, list[str], list[str]]:
    """The view of an address, remarks on it, and the quantities to choose from. Raises StoreError."""
    there = choices(reader.latest())
    usual = [name for name in ("battery_voltage_V", current_shown(site)) if name in there]
    view, remarks = asked_view(query, there, usual or there[:1], now_ms, site.site.zone)
    return view, remarks, there


def take_strips(reader: StoreReader, view: View, now_ms: int) -> list[Strip]:
    """Each of the view's quantities over its span. Raises StoreError."""
    return [take_strip(reader, name, view, now_ms) for name in view.quantities]


def take_strip(reader: StoreReader, name: str, view: View, now_ms: int) -> Strip:
    """One quantity over the view; in a very close look with its single readings. Raises StoreError."""
    series = reader.series(name, view.start_ms, view.end_ms, points_of(view))
    unread = unread_of(series, view, now_ms)
    if view.length_ms > SINGLE_UP_TO_MS:
        return Strip(name, series, unread)
    flawed = reader.flawed(name, view.start_ms, view.end_ms)
    doubtful = [(each.time_ms, each.value) for each in flawed if each.value is not None]
    return Strip(
        name,
        series,
        unread,
        tuple((bucket.start_ms, bucket.mean) for bucket in series.buckets if bucket.count == 1),
        tuple(doubtful[:MOST_DOUBTFUL]),
        tuple(_spells(flawed, [bucket.start_ms for bucket in series.buckets])),
    )


def read_closely(reader: StoreReader, view: View) -> list[Reading]:
    """All readings of the view's quantities, the doubtful and the missing ones too. Raises StoreError."""
    devices = {each.device for each in reader.latest() if each.quantity in view.quantities}
    readings = reader.readings(view.start_ms, view.end_ms, devices)
    return [each for each in readings if each.quantity in view.quantities]


def points_of(view: View) -> int:
    """How many points a view is shown in; those of a day are even five minutes, those of months days."""
    even, days = -(-view.length_ms // EVEN_MS), -(-view.length_ms // DAY_MS) + 1
    if 0.9 * POINTS < even <= POINTS:
        return even
    return days if BY_DAY_FROM <= days <= MOST_POINTS else POINTS


def _width_ms(bucket: Bucket) -> int:
    return bucket.end_ms - bucket.start_ms


def unread_of(series: Series, view: View, now_ms: int) -> tuple[tuple[int, int], ...]:
    """The spans of a view, as far as it lies behind us, in which the quantity was not read.

    What is stored only when it changes has no gaps.
    """
    end_ms = min(view.end_ms, now_ms)
    if series.quantity in SLOW_QUANTITIES or end_ms <= view.start_ms:
        return ()
    if not series.buckets:
        return ((view.start_ms, end_ms),)
    first, last = series.buckets[0], series.buckets[-1]
    ends = [(view.start_ms, first.start_ms), (last.end_ms, end_ms)]
    least_ms = max(SILENT_FROM_MS, last.end_ms - last.start_ms)
    silent = [(start, end) for start, end in ends if end - start > least_ms]
    gaps = [(max(start, view.start_ms), min(end, end_ms)) for start, end in series.gaps]
    return tuple(sorted([*silent, *(gap for gap in gaps if gap[1] > gap[0])]))


def _spells(flawed: Sequence[Reading], good_ms: Sequence[int]) -> list[Flawed]:
    """Readings that are not good, those of one reason together that no good one comes between."""
    found: list[Flawed] = []
    before: Reading | None = None
    for reading in flawed:
        same = (
            before is not None
            and (before.quality, before.reason, before.device)
            == (reading.quality, reading.reason, reading.device)
            and bisect_left(good_ms, before.time_ms) == bisect_left(good_ms, reading.time_ms)
        )
        last = found.pop() if same else None
        found.append(
            Flawed(
                reading.time_ms if last is None else last.first_ms,
                reading.time_ms,
                1 if last is None else last.count + 1,
                reading.quality is Quality.MISSING,
                reading.reason,
            )
        )
        before = reading
    return found


def fine(value: float, quantity: str, decimals: int) -> str:
    """A value with its unit, as finely as its picture's scale needs."""
    unit = "" if quantity in FRACTIONS or quantity in CODES else unit_of(quantity)
    if not unit or quantity == "unseen_load_A":
        return shown(value, quantity)
    return f"{number(value, max(DECIMALS[unit], decimals))} {unit}"


def scale_text(value: float, quantity: str, decimals: int) -> str:
    """A value beside its grid line."""
    if quantity in FRACTIONS:
        return shown(value, quantity)
    if quantity == "charge_stage":
        return STAGES[Stage(round(value))]
    return f"{number(value, decimals)} {unit_of(quantity)}".strip()


def sentence(strip: Strip, view: View, reserve_soc: float, now_ms: int, zone: ZoneInfo) -> str:
    """The strip in words: lowest and highest with their times, the mean, and how long nothing was read."""
    buckets, name = strip.series.buckets, strip.quantity
    if not buckets:
        begun = view.start_ms < now_ms
        return f"{strip.label}: {'nothing was read in this time' if begun else 'this time is still to come'}."
    lowest = min(buckets, key=lambda bucket: bucket.minimum)
    highest = max(buckets, key=lambda bucket: bucket.maximum)
    decimals = decimals_of(*strip.edges)
    low, high = (fine(value, name, decimals) for value in (lowest.minimum, highest.maximum))
    if low == high:
        text = f"{strip.label}: {low} all the time."
    elif name in CODES:
        text = f"{strip.label}: between {low} and {high}."
    else:
        low_at, high_at = (_when(bucket, view, zone) for bucket in (lowest, highest))
        mean = fine(mean_of(buckets), name, decimals)
        text = f"{strip.label}: lowest {low} {low_at}, highest {high} {high_at}, mean {mean}."
    if name == "state_of_charge":
        text += f" The dashed line is the reserve of {shown(reserve_soc, name)}."
    unread_ms = sum(end - start for start, end in strip.unread)
    return f"{text} Nothing was read for {span_text(unread_ms)} of it (grey)." if unread_ms else text


def complete_text(strips: Sequence[Strip]) -> str:
    """That nothing is missing, '' where something is."""
    whole = all(strip.series.buckets and not strip.unread for strip in strips)
    return "Nothing is missing." if whole else ""


def changes_told(view: View, zone: ZoneInfo) -> list[str]:
    """What to know of the times where the clocks were changed in the view."""
    found = []
    for at_ms, minutes in clock_changes(view.start_ms, view.end_ms, zone):
        day = moment_text(at_ms, DAY_MS, zone, with_day=True)
        length = span_text(abs(minutes) * MINUTE_MS)
        way, so = ("forward", "it skips that much") if minutes > 0 else ("back", "the same times come twice")
        found.append(f"On {day} the clocks went {way} by {length} (upright line): around it {so}.")
    return found


def _when(bucket: Bucket, view: View, zone: ZoneInfo) -> str:
    """No finer than a bucket: 'at 07:20:15', 'on 25 Nov at about 07:20', 'on 25 Nov 2026'."""
    width_ms = _width_ms(bucket)
    about = width_ms > MINUTE_MS
    if about:
        at_ms = (bucket.start_ms + bucket.end_ms) // 2
    else:  # most likely the reading is at its first whole second
        at_ms = min(-(-bucket.start_ms // SECOND_MS) * SECOND_MS, bucket.end_ms - 1)
    if width_ms > BY_DAY_FROM_MS:
        return f"on {moment_text(at_ms, DAY_MS, zone, with_day=True)}"
    finest_ms = SECOND_MS if view.length_ms <= SINGLE_UP_TO_MS else MINUTE_MS
    told = f"at {'about ' if about else ''}{moment_text(at_ms, finest_ms, zone, with_day=False)}"
    one_day = day_at(zone, view.start_ms).day == day_at(zone, view.end_ms - 1).day
    return told if one_day else f"on {day_text(to_datetime(at_ms).astimezone(zone))} {told}"


def rows_of(strip: Strip, view: View, zone: ZoneInfo) -> list[Row]:
    """The strip as a table of the view's parts; '—' where nothing was read."""
    found = []
    decimals = decimals_of(*strip.edges)
    with_day = view.length_ms > DAY_MS * 1.1
    middles = [(bucket.start_ms + bucket.end_ms) // 2 for bucket in strip.series.buckets]
    for start_ms, end_ms in view.parts(zone):
        some = strip.series.buckets[bisect_left(middles, start_ms) : bisect_left(middles, end_ms)]
        texts = ["—"] * 3
        if some:
            values = (min(b.minimum for b in some), mean_of(some), max(b.maximum for b in some))
            texts = [fine(value, strip.quantity, decimals) for value in values]
            if strip.quantity in CODES:
                texts[1] = "—"
        length_ms = end_ms - start_ms
        fine_ms = DAY_MS if length_ms > 0.9 * DAY_MS else MINUTE_MS if length_ms >= MINUTE_MS else 1000
        time = moment_text(start_ms, fine_ms, zone, with_day=with_day)
        found.append(Row(start_ms, end_ms, time, *texts))
    return found


def flawed_text(each: Flawed, zone: ZoneInfo) -> str:
    """'14:03:20 to 14:05:00, 21 times missing: the probe is not there'."""
    text = moment_text(each.first_ms, 1000, zone, with_day=False)
    if each.count > 1:
        text += f" to {moment_text(each.last_ms, 1000, zone, with_day=False)}, {each.count} times"
    else:
        text += ","
    return f"{text} {'missing' if each.missing else 'doubtful'}: {each.reason}"
