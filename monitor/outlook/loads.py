"""Loads ahead: this site's own past nights run on from tonight's hour, those most that were like tonight.

Every past day is a track: what was drawn from the same hour on. Tracks are drawn at random, the recent ones
and those of the same kind of day more often, and those most whose hours before were like the last hours of
today, perhaps a little earlier or later. What belongs together in a night (a fridge and its compressor, an
evening with guests) so stays together. What today still differs by from its track fades within hours. Before
there are nights, tracks of the declared loads stand in for them, and a wide guess where none is declared.
All currents in A.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import exp

import numpy as np
from numpy.typing import NDArray

from monitor.bank.cell import Floats
from monitor.outlook.declared import stand_ins
from monitor.outlook.past import DAY, SIZE, SLOT_MS, Singles
from monitor.records import MINUTE_MS, to_datetime
from monitor.site.model import Site

HALF_DAYS = 6.0
"""A night so many days back counts half (our choice)."""

SAME_DAY, SAME_KIND, OTHER_KIND = 1.0, 0.8, 0.5
"""How much a night of the same day of the week counts, of the same kind (working day or weekend), and of the
other kind while too few days tell whether the kinds differ here (our choice)."""

KIND_DAYS, KIND_LEAST, KIND_SD = 2, 0.05, 0.1
"""From so many known days of each kind on, the other kind counts the less the more it differs here, down to
the second figure; two days of a kind differ by at least the third, a share of the mean (our choice)."""

WARMTH_C = 10.0
"""A day so much warmer or colder counts e^-0.5 (our choice: a fridge's compressor runs with the heat)."""

KNOWN_SHARE = 0.75
"""A past day counts by how much of it is known, and not at all below this share (our choice)."""

STAND_IN_NIGHTS, GUESSED_NIGHTS = 1.0, 0.4
"""How many nights all stand-ins together count: declared loads, and a guess where none is declared (our
choice)."""

BACK_SLOTS = np.array([9, 12, 12, 12, 12, 12])
BACK_COUNTS = np.array([1.0, 0.6, 0.4, 0.25, 0.15, 0.1])
"""The hours behind that are compared: the last 45 minutes and five hours before, and what each counts (our
choice)."""

BACK = int(BACK_SLOTS.sum())

DAY_COUNTS, DAY_UNLIKE = 1.0, 0.25
"""What the likeness of the 24 hours before counts, and by which share of the mean two days are unlike (our
choice): guests stay, a holiday lasts, a new lamp is there the next night, too."""

UNLIKE_MEAN, UNLIKE_SPREAD = 0.12, 0.45
"""Two hours are unlike if they differ by these shares of the mean load and of the loads' spread (our
choice)."""

SHIFT_STEP, SHIFTS, SHIFT_SD = 3, 4, 6.0
"""An evening may run up to an hour earlier or later than its track: steps of 15 minutes, with a deviation of
half an hour (our choice)."""

SHIFT_HOLDS, LATER_SHIFT_SD, MARGIN = 24.0, 4.0, 24
"""For two hours; later hours are shifted anew, by 20 minutes (our choice)."""

FADES_SLOTS, FADES_FACTOR = 36.0, 1.8
"""What today differs by from its track fades within three hours, give or take (our choice)."""

RATIO = (0.33, 3.0)
"""Half of the nights are moved by the difference, half by the ratio, within these bounds (our choice)."""

BLOCK = 48
"""Slots that are worked out together: tables small enough to be used again (our choice)."""

LEVEL_SD, FEW_NIGHTS_SD = 0.05, 0.35
"""How far a night's level may be off however many nights are known, and when none is (our choice)."""


@dataclass(frozen=True, slots=True)
class LoadsAhead:
    """What may be drawn: a row a slot from now on, a column a supposed bank [A]; and what it rests on.

    usual_A is the usual load by slot for a day ahead; now_A the mean of the last 45 minutes, None where it
    is not known. nights counts the past days that were used.
    """

    drawn_A: Singles
    usual_A: Floats
    now_A: float | None
    nights: int


class Habit:
    """The past loads of a site as seen from one moment."""

    def __init__(
        self, site: Site, load_A: Floats, temperature_C: Floats, at_ms: int, capacity_Ah: float
    ) -> None:
        """load_A and temperature_C are `SitePast.before` of the slot of at_ms."""
        self._load_A = load_A
        local = to_datetime(at_ms).astimezone(site.site.zone)
        self._weekday = _evening(local).weekday()
        self._first = (local.hour * 60 + local.minute) * MINUTE_MS // SLOT_MS
        by_day = load_A.reshape(-1, DAY)
        self._known = np.isfinite(by_day).mean(axis=1)[::-1]  # place 0: the last 24 hours
        temperature = temperature_C.reshape(-1, DAY)
        self._warmth = np.array([_mean(day) for day in temperature[::-1]])
        self._stand_ins = stand_ins(site, capacity_Ah, self._first)
        self._declared = bool(site.loads)
        self._weights = self._track_weights()
        self._filled = self._fill()

    @property
    def nights(self) -> int:
        """Past days that count."""
        return int(np.count_nonzero(self._weights))

    def _track_weights(self, later_days: int = 0) -> Floats:
        """What the track that begins n+1 days back counts for the day that begins later_days from now."""
        back = np.arange(1, len(self._known) + 1)
        today = (self._weekday + later_days) % 7
        then = (self._weekday - back) % 7
        away = (then - today) % 7
        kind = np.where((then >= 5) == (today >= 5), SAME_KIND, self._other_kind(then >= 5))
        weights = 0.5 ** ((back - 1) / HALF_DAYS) * np.where(away == 0, SAME_DAY, kind)
        warmth = self._warmth[0]
        if np.isfinite(warmth):
            colder = np.nan_to_num(self._warmth - warmth)
            weights = weights * np.exp(-0.5 * (colder / WARMTH_C) ** 2)
        return np.asarray(np.where(self._known >= KNOWN_SHARE, weights * self._known, 0.0))

    def _other_kind(self, weekend: NDArray[np.bool_]) -> float:
        """What a night of the other kind of day counts: by how far the two kinds lie apart on this site."""
        used = self._known >= KNOWN_SHARE
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # the mean of a day of which nothing is known
            means = np.nanmean(self._load_A.reshape(-1, DAY), axis=1)[::-1]
        kinds = [means[used & weekend], means[used & ~weekend]]
        if min(len(kind) for kind in kinds) < KIND_DAYS:
            return OTHER_KIND
        within = np.concatenate([kind - kind.mean() for kind in kinds]).std()
        apart = kinds[0].mean() - kinds[1].mean()
        unlike = apart / max(1e-9, within, KIND_SD * float(means[used].mean()))
        return SAME_KIND * max(KIND_LEAST, exp(-0.5 * unlike**2))

    def _fill(self) -> Floats:
        """The past with its gaps filled by the usual load of the hour."""
        days = self._load_A.reshape(-1, DAY)
        weights = 0.5 ** (np.arange(len(days))[::-1] / HALF_DAYS)[:, None] * np.isfinite(days)
        stand_in = self._stand_ins.mean(axis=0)
        each = self._stand_in_weight() * 0.2
        self.usual_A = (np.nansum(days * weights, axis=0) + each * stand_in) / (weights.sum(axis=0) + each)
        return np.asarray(np.where(np.isfinite(days), days, self.usual_A).reshape(-1))

    def _stand_in_weight(self) -> float:
        return STAND_IN_NIGHTS if self._declared else GUESSED_NIGHTS

    def now_A(self) -> float | None:
        """Mean of the last 45 minutes."""
        last = self._load_A[-int(BACK_SLOTS[0]) :]
        return float(np.nanmean(last)) if np.isfinite(last).any() else None

    def draw(self, slots: int, count: int, rng: np.random.Generator) -> LoadsAhead:
        """Loads for so many slots from now on, for so many supposed banks."""
        tracks, weights, before = self._tracks()
        chosen, shift = self._choose(tracks, weights, before, count, rng)
        sd = float(np.hypot(LEVEL_SD, FEW_NIGHTS_SD / (1 + self.nights)))
        level = np.exp(sd * rng.standard_normal(count))
        drawn = np.empty((slots, count), dtype=np.float32)  # half the memory: the daemon's peak
        self._run(tracks, chosen, shift, drawn[:DAY], rng)
        drawn[:DAY] *= level
        for later in range(1, -(-slots // DAY)):
            rest = min(DAY, slots - later * DAY)
            drawn[later * DAY : later * DAY + rest] = self._later_day(later, count, rng)[:rest] * level
        return LoadsAhead(drawn, self.usual_A, self.now_A(), self.nights)

    def _tracks(self) -> tuple[Floats, Floats, Floats]:
        """Tracks from BACK + MARGIN slots before to a day and MARGIN after; weights; the mean day before."""
        padded = np.concatenate([np.tile(self.usual_A, 2), self._filled, self.usual_A])
        span = np.arange(-BACK - MARGIN, DAY + MARGIN)
        used = np.flatnonzero(self._weights)
        starts = 2 * DAY + SIZE - (used + 1) * DAY
        real = padded[starts[:, None] + span]
        before = np.array([padded[start - DAY : start].mean() for start in starts])
        stand_ins = self._stand_ins[:, span % DAY]
        each = self._stand_in_weight() / len(stand_ins)
        return (
            np.vstack([real, stand_ins]),
            np.concatenate([self._weights[used], np.full(len(stand_ins), each)]),
            np.concatenate([before, self._stand_ins.mean(axis=1)]),
        )

    def _choose(
        self, tracks: Floats, weights: Floats, before: Floats, count: int, rng: np.random.Generator
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Which tracks are run on, and by how much each is shifted, drawn by their likeness to today."""
        shifts = SHIFT_STEP * np.arange(-SHIFTS, SHIFTS + 1)
        fit = np.log(weights)[:, None] - 0.5 * (shifts / SHIFT_SD) ** 2
        today, known = _means(self._load_A[None, -BACK:], np.zeros(1, dtype=np.intp), BACK)
        if known.any():
            mean, spread = float(self._filled.mean()), _spread(self._filled)
            unlike = max(1e-6, UNLIKE_MEAN * mean + UNLIKE_SPREAD * spread)
            like, _ = _means(tracks, shifts, MARGIN + BACK)
            apart = np.where(known[0, 0], np.nan_to_num((like - today) / unlike), 0.0)
            fit = fit - 0.5 * (BACK_COUNTS * apart**2).sum(axis=2)
            last_day = self._load_A[-DAY:]
            if np.isfinite(last_day).mean() > KNOWN_SHARE:
                apart_day = (before - np.nanmean(last_day)) / max(1e-6, DAY_UNLIKE * mean)
                fit = fit - 0.5 * DAY_COUNTS * (apart_day**2)[:, None]
        chance = np.exp(fit - fit.max()).reshape(-1)
        places = rng.choice(len(chance), size=count, p=chance / chance.sum())
        return places // len(shifts), shifts[places % len(shifts)]

    def _run(
        self,
        tracks: Floats,
        chosen: NDArray[np.intp],
        shift: NDArray[np.intp],
        drawn: Singles,
        rng: np.random.Generator,
    ) -> None:
        """Fill drawn with the chosen tracks from now on, moved toward what is drawn now."""
        count = len(chosen)
        later = LATER_SHIFT_SD * rng.standard_normal(count)
        lasts = FADES_SLOTS * FADES_FACTOR ** rng.standard_normal(count)
        adds = rng.random(count) < 0.5
        last = BACK + MARGIN - shift[:, None] - np.arange(1, BACK_SLOTS[0] + 1)
        then_A = tracks[chosen[:, None], last].mean(axis=1)
        now_A = self.now_A()
        off_A = (now_A - then_A) if now_A is not None else np.zeros(count)
        ratio = np.clip((then_A + off_A) / np.maximum(then_A, 1e-6), *RATIO)
        for begin in range(0, len(drawn), BLOCK):
            ahead = np.arange(begin, min(begin + BLOCK, len(drawn)))[:, None]
            fade = np.exp(-ahead / SHIFT_HOLDS)
            moved = np.clip(np.rint(fade * shift + (1 - fade) * later), -MARGIN, MARGIN).astype(np.intp)
            track = tracks[chosen, BACK + MARGIN + ahead - moved]
            fades = np.exp(-ahead / lasts)
            toward = np.where(adds, track + off_A * fades, track * (1 + (ratio - 1) * fades))
            drawn[begin : begin + BLOCK] = np.maximum(0.0, toward)

    def _later_day(self, later: int, count: int, rng: np.random.Generator) -> Floats:
        """A whole day, so many days from now, from tracks of its kind of day."""
        weights = self._track_weights(later)
        used = np.flatnonzero(weights)
        each = self._stand_in_weight() / len(self._stand_ins)
        chance = np.concatenate([weights[used], np.full(len(self._stand_ins), each)])
        days = np.vstack([self._filled.reshape(-1, DAY)[::-1][used], self._stand_ins])
        return np.asarray(days[rng.choice(len(chance), size=count, p=chance / chance.sum())].T)


def _means(tracks: Floats, shifts: NDArray[np.intp], now: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Means of the hours behind: track, shift, hour; now is the place of the present slot."""
    known = np.isfinite(tracks)
    sums = np.cumsum(np.nan_to_num(tracks), axis=1)
    counts = np.cumsum(known, axis=1)
    sums = np.hstack([np.zeros((len(tracks), 1)), sums])
    counts = np.hstack([np.zeros((len(tracks), 1)), counts])
    ends = now - np.concatenate([[0], np.cumsum(BACK_SLOTS)[:-1]])
    starts = now - np.cumsum(BACK_SLOTS)
    end, start = ends[None, :] - shifts[:, None], starts[None, :] - shifts[:, None]
    number = counts[:, end] - counts[:, start]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((sums[:, end] - sums[:, start]) / number), number > 0


def _spread(load_A: Floats) -> float:
    """Standard deviation of hourly means over the last fortnight."""
    return float(load_A[-14 * DAY :].reshape(-1, 12).mean(axis=1).std())


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else np.nan


def _evening(local: datetime) -> date:
    """The day to which a moment's night belongs: that of its evening."""
    return (local - timedelta(hours=9)).date()
