"""Days ahead: what share of a clear sky's power may come, from this site's own record of days.

A day's share is what the controller gave over what a clear sky lets pass, in the hours in which the bank took
all there was; sky, dirt, shade and the controller's losses are all in it. Days ahead are past days in their
order, begun at one that was like today, so that wet spells stay together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from monitor.bank.cell import Floats
from monitor.outlook.past import FREE, POWER, SIZE, SLOT_MS, SitePast
from monitor.sun.day import Clear

BROAD = (0.08, 0.15, 0.3, 0.45, 0.6, 0.75, 0.85, 0.92)
"""Shares of a clear day before there is a record: anything from rain to a clear sky (our choice)."""

BROAD_DAYS = 4.0
"""The broad guess counts as many days of the record (our choice)."""

FREE_SHARE = 0.25
"""A day of which less could be taken freely shows only what came (our choice)."""

ALIKE, ANY = 0.2, 0.25
"""A past day counts as a beginning by how near its share is to today's, and a little in any case (our
choice)."""

WET = 0.35
"""A wet day gives less than this share; WET_SHARE is supposed where none is on record (our choice: overcast
and rain lie between 0.05 and 0.35)."""

WET_SHARE = 0.15

BEHIND_DAYS = 21
"""So many days back the sky is judged: a season's weather, and what lies on the array now (our choice)."""

LOWEST_W = 1.0


def share_of(clear: Sequence[Clear], power_W: Floats, free: Floats) -> float | None:
    """A day's share, from the day's clear-sky steps and what was read in the same slots (NaN: nothing)."""
    passed_W = np.array([step.passed_W for step in clear])
    lit = passed_W > LOWEST_W
    read = lit & np.isfinite(power_W)
    if passed_W[read].sum() < 0.6 * passed_W[lit].sum() or not lit.any():
        return None
    came = float(power_W[read].sum() / passed_W[read].sum())
    freely = read & (free > 0.5)
    if passed_W[freely].sum() < FREE_SHARE * passed_W[lit].sum():
        return came
    return max(came, float(power_W[freely].sum() / passed_W[freely].sum()))


def past_shares(past: SitePast, at_ms: int, clear: Mapping[date, Sequence[Clear]]) -> list[float | None]:
    """The shares of these days, as far as the past before a moment tells them, in order."""
    first = at_ms // SLOT_MS - SIZE
    power_W, free = past.before(first + SIZE, POWER), past.before(first + SIZE, FREE)
    shares: list[float | None] = []
    for day in sorted(clear):
        steps = clear[day]
        begin = steps[0].start_ms // SLOT_MS - first
        end = begin + len(steps)
        if begin < 0:
            continue
        pad = (0, max(0, end - SIZE))
        shares.append(
            share_of(
                steps,
                np.pad(power_W[begin:end], pad, constant_values=np.nan)[-len(steps) :],
                np.pad(free[begin:end], pad, constant_values=np.nan)[-len(steps) :],
            )
        )
    return shares


def wet_share(shares: Sequence[float | None]) -> float:
    """What a wet day gives here."""
    wet = [share for share in shares if share is not None and share < WET]
    return float(np.mean([WET_SHARE, *wet]))


def mean_share(shares: Sequence[float | None]) -> float:
    """What a day gives on the mean, the last three weeks and the broad guess together."""
    known = [share for share in shares[-BEHIND_DAYS:] if share is not None]
    return (sum(known) + BROAD_DAYS * float(np.mean(BROAD))) / (len(known) + BROAD_DAYS)


def draw(shares: Sequence[float | None], days: int, count: int, rng: np.random.Generator) -> Floats:
    """Shares for so many days from today on: a row a day. shares are the past days', the last one today's;
    as long as that is not known, today follows on a day like the last known one."""
    broad = rng.choice(BROAD, size=(days, count))
    known = [share for share in shares if share is not None]
    if not known:
        return np.asarray(broad)
    values = np.array([np.nan if share is None else share for share in shares])
    filled = np.where(np.isfinite(values), values, np.nanmean(values))
    since = int(np.isfinite(values)[::-1].argmax())
    chance = np.exp(-0.5 * ((filled - values[-1 - since]) / ALIKE) ** 2) + ANY
    chance = np.where(np.isfinite(values), chance, 0.0)
    start = rng.choice(len(filled), size=count, p=chance / chance.sum())
    follows = (start + since + np.arange(days)[:, None]) % len(filled)
    from_record = rng.random(count) < len(known) / (len(known) + BROAD_DAYS)
    return np.asarray(np.where(from_record, filled[follows], broad))


def passed_by_slot(clear: Sequence[Clear], first_slot: int, slots: int) -> Floats:
    """The clear sky's power from a slot on; 0 where no table reaches."""
    power = np.zeros(slots)
    for step in clear:
        place = step.start_ms // SLOT_MS - first_slot
        if 0 <= place < slots:
            power[place] = step.passed_W
    return power
