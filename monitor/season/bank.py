"""What the bank went through: its lowest points, nights below the reserve, full charges, extremes. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from monitor.bank.charge_words import WIDE_SD
from monitor.records import Bucket, DayStat, to_datetime

CHARGE, CHARGE_SD = "state_of_charge", "state_of_charge_sd"

NOON_H = 12
"""A night goes from noon to noon, so that no charge at dawn counts in two of them (our choice)."""


@dataclass(frozen=True, slots=True)
class Nights:
    """Of the nights seen: in how many the charge was below the reserve; vague counts those left out of it,
    because their charge was too little known for one figure."""

    below: int
    told: int
    vague: int


@dataclass(frozen=True, slots=True)
class Spell:
    """A row of days: first and last day."""

    first: date
    last: date

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class Fulls:
    """Days with a full bank among those of which it is known, the newest of them, and the longest row of
    known days without; goes_on is whether that row reaches the last known day."""

    days: int
    told: int
    last: date | None
    longest: Spell | None
    goes_on: bool


@dataclass(frozen=True, slots=True)
class Extremes:
    """The lowest and the highest value of a quantity, each with its day."""

    lowest: float
    lowest_day: date
    highest: float
    highest_day: date


def nights_below(reserve: float, charges: Iterable[Bucket], vague_days: Set[date], zone: ZoneInfo) -> Nights:
    """The nights whose lowest charge was below the reserve (0..1), from buckets of about an hour.

    vague_days are the local days on which the charge is too little known for one figure: a night that
    touches one is left out.
    """
    lowest: dict[date, float] = defaultdict(lambda: 1.0)
    for bucket in charges:
        middle = to_datetime((bucket.start_ms + bucket.end_ms) // 2).astimezone(zone)
        evening = middle.date() if middle.hour >= NOON_H else middle.date() - timedelta(days=1)
        lowest[evening] = min(lowest[evening], bucket.minimum)
    clear = [
        least for evening, least in lowest.items() if not {evening, evening + timedelta(days=1)} & vague_days
    ]
    return Nights(sum(least < reserve for least in clear), len(clear), len(lowest) - len(clear))


def vague_days(stats: Iterable[DayStat]) -> frozenset[date]:
    """The days on which one figure for the charge would claim too much, as on the page 'Tonight'."""
    return frozenset(stat.day for stat in stats if stat.quantity == CHARGE_SD and stat.mean > WIDE_SD)


def fulls(by_day: Mapping[date, bool | None]) -> Fulls | None:
    """The full charges of some days, None where of no day it is known whether the bank got full.

    A day of which it is not known ends a row: nobody knows what the bank did then.
    """
    known = {day: full for day, full in sorted(by_day.items()) if full is not None}
    if not known:
        return None
    longest: Spell | None = None
    begun: date | None = None
    before: date | None = None
    for day, full in known.items():
        follows = before is not None and day - before == timedelta(days=1)
        before = day
        if full:
            begun = None
            continue
        begun = begun if begun is not None and follows else day
        spell = Spell(begun, day)
        if longest is None or spell.days > longest.days:
            longest = spell
    newest = max(known)
    return Fulls(
        sum(known.values()),
        len(known),
        max((day for day, full in known.items() if full), default=None),
        longest,
        longest is not None and longest.last == newest,
    )


def extremes(stats: Sequence[DayStat], quantity: str) -> Extremes | None:
    """The extremes of a quantity over some days, None where it was not read."""
    some = [stat for stat in stats if stat.quantity == quantity]
    if not some:
        return None
    low, high = min(some, key=lambda stat: stat.minimum), max(some, key=lambda stat: stat.maximum)
    return Extremes(low.minimum, low.day, high.maximum, high.day)
