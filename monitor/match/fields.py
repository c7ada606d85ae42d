"""The fields of captured lines of text, laid beside the display.

A line has what it says for as long as the display may lag. Where lines carry no checksum, a damaged digit
stands alone between two sound ones, so each value is the middle one of three that follow one another.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from statistics import median

from monitor.devices.capture import LEAST_LINES, CapturedLine, read_capture, wrong
from monitor.devices.line_form import MOST, LineForm, LineKind, find_form, find_kinds, hint
from monitor.match.answer import Answer, match_columns
from monitor.match.columns import Column, Kind, LineField
from monitor.match.seen import Look

NEAR_MS, NEAR_LINES = 3000, 3
"""A look lies beside the nearest line at most so far away (our choice): a display may lag 2 s."""

OF_INTERVAL = 0.6
"""Between two lines of a device nobody can be farther from one than half of its interval, and a little."""

SUCCESSIVE_MS = 10_000
"""Lines at most so far apart follow one another (our choice)."""

LEAST_GAPS, RAREST_S = 2, 900.0
"""So many gaps between lines tell how often a device speaks; what is rarer are the looks (our choice)."""

BY_HAND = 20
"""Fewer lines than this without times may have been copied by hand, hours apart (our choice)."""

MOST_ROWS = 600
"""So many lines tell what there is to tell; of a longer capture every second, third ... one is taken."""


@dataclass(frozen=True, slots=True)
class Series:
    """What one field says over the capture; step is what its last digit counts, in its own digits. marks are
    the times of its lines in UTC ms, or their numbers in a capture without times.
    """

    field: LineField
    step: float
    marks: tuple[int, ...]
    values: tuple[float | None, ...]
    follow_ms: int | None

    @property
    def largest_step(self) -> float:
        """The largest change from one line to the next that follows it."""
        steps = [
            abs(after - before)
            for at, (before, after) in enumerate(pairwise(self.values))
            if before is not None
            and after is not None
            and _follow(range(at, at + 2), self.marks, self.follow_ms)
        ]
        return max(steps, default=0.0)

    def nearest(self, mark: int, near: float) -> float | None:
        """The value of the nearest line that gives one, None where none is near."""
        at = _nearest(self.marks, mark)
        return self.values[at] if abs(self.marks[at] - mark) <= near else None


@dataclass(frozen=True, slots=True)
class Lines:
    """The sound lines of a capture; the kind with most of them gives the moments at which a look may lie.
    refused is how many lines were damaged, or of a form of their own.
    """

    form: LineForm
    kinds: tuple[LineKind, ...]
    series: tuple[Series, ...]
    refused: int

    absence = "the capture has no sound line within 3 s"

    @property
    def sound(self) -> int:
        return sum(len(kind.lines) for kind in self.kinds)

    @property
    def times_ms(self) -> tuple[int, ...] | None:
        """When each line of the most frequent kind came, None in a capture without times."""
        lines = self.kinds[0].lines
        return None if lines[0].time_ms is None else _marks(lines)

    @property
    def interval_s(self) -> float | None:
        """The usual time between two lines of the most frequent kind, None where it is not known."""
        gaps = [b - a for a, b in pairwise(self.times_ms or ()) if b > a]
        usual_s = median(gaps) / 1000 if len(gaps) >= LEAST_GAPS else None
        return usual_s if usual_s is not None and usual_s <= RAREST_S else None

    def index_of(self, mark: int) -> int | None:
        """The line nearest to a time (UTC ms), or to a line's number in a capture without times."""
        marks = _marks(self.kinds[0].lines)
        at = _nearest(marks, mark)
        return at if abs(marks[at] - mark) <= self._near(marks) else None

    def columns(self, rows: Sequence[int]) -> list[Column]:
        """Each field as a column over so many lines of the most frequent kind."""
        marks = _marks(self.kinds[0].lines)
        found = []
        for place, series in enumerate(self.series):
            near = self._near(series.marks)
            raws = tuple(series.nearest(marks[row], near) for row in rows)
            kind: Kind = "whole" if series.step == 1 else "point"
            if any(raw is not None for raw in raws):
                found.append(Column(0, place, "text", None, kind, raws, series.step, series.field))
        return found

    def _near(self, marks: Sequence[int]) -> float:
        if self.times_ms is None:
            return max(NEAR_LINES, len(self.kinds))
        return max(NEAR_MS, OF_INTERVAL * (_usual_gap(marks) or 0.0))


def load_lines(path: Path) -> Lines:
    """The lines of a capture, understood. Raises MatchError where no form is found that a profile can say."""
    lines = read_capture(path)
    form = find_form(lines)
    kinds = find_kinds(form, lines) if form is not None else []
    sound = sum(len(kind.lines) for kind in kinds)
    if form is None or not kinds:
        raise wrong(path, f"no form fits its {len(lines)} lines: {hint(lines)}")
    if sound < (MOST * len(lines) if form.checksum == "none" else LEAST_LINES):
        told = f"only {sound} of {len(lines)} lines are sound; check baud and parity, and capture again"
        raise wrong(path, told)
    return Lines(form, tuple(kinds), tuple(_series(kinds, form)), len(lines) - sound)


def match_lines(lines: Lines, looks: Sequence[Look]) -> Answer:
    """Where the shown quantities live in the fields of the lines."""
    count = len(lines.kinds[0].lines)
    every = -(-count // MOST_ROWS)
    rows = sorted({look.index for look in looks} | set(range(0, count, every)))
    columns = lines.columns(rows)
    times_ms = None if lines.times_ms is None else [lines.times_ms[row] for row in rows]
    beside = [replace(look, index=rows.index(look.index)) for look in looks]
    return match_columns(columns, {0: len(columns)}, times_ms, beside)


def _series(kinds: Sequence[LineKind], form: LineForm) -> Iterator[Series]:
    """The fields of all kinds; a key that several kinds of pairs give is one field."""
    said: dict[LineField, list[tuple[int, float | None]]] = {}
    steps: dict[LineField, float] = {}
    for kind in kinds:
        for where, values in kind.values.items():
            field = LineField(where, tuple(sorted(kind.constants.items())))
            said.setdefault(field, []).extend(zip(_marks(kind.lines), values, strict=True))
            steps[field] = min(kind.steps[where], steps.get(field, 1.0))
    timed = kinds[0].lines[0].time_ms is not None
    for field, pairs in said.items():
        marks, values = zip(*sorted(pairs, key=lambda pair: pair[0]), strict=True)
        follow_ms = SUCCESSIVE_MS if timed else None
        if form.checksum == "none" and (timed or len(values) >= BY_HAND):
            values = tuple(_middle(values, marks, follow_ms))
        yield Series(field, steps[field], marks, values, follow_ms)


def _middle(
    values: Sequence[float | None], marks: Sequence[int], follow_ms: int | None
) -> Iterator[float | None]:
    """The middle one of each three that follow one another, at the ends of a stretch that of the nearest
    three.
    """
    for at, value in enumerate(values):
        stretches = [range(first, first + 3) for first in (at - 1, at, at - 2)]
        three = next((s for s in stretches if _follow(s, marks, follow_ms)), None)
        known = [values[other] for other in three or ()]
        yield value if three is None or None in known else median(v for v in known if v is not None)


def _follow(stretch: range, marks: Sequence[int], follow_ms: int | None) -> bool:
    """Whether the lines of a stretch are there and come one after the other."""
    if stretch.start < 0 or stretch.stop > len(marks):
        return False
    gaps = (marks[at + 1] - marks[at] for at in stretch[:-1])
    return follow_ms is None or all(gap <= follow_ms for gap in gaps)


def _marks(lines: Sequence[CapturedLine]) -> tuple[int, ...]:
    return tuple(line.number if line.time_ms is None else line.time_ms for line in lines)


def _nearest(marks: Sequence[int], mark: int) -> int:
    at = bisect_left(marks, mark)
    return min((n for n in (at - 1, at) if 0 <= n < len(marks)), key=lambda n: abs(marks[n] - mark))


def _usual_gap(times_ms: Sequence[int]) -> float | None:
    """The usual time between lines that follow one another, None where none do."""
    gaps = [b - a for a, b in pairwise(times_ms) if b > a]
    usual = median(gaps) if gaps else None
    return usual if usual is not None and usual <= SUCCESSIVE_MS else None
