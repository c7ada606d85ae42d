"""Whether a device has counted energy on earlier days: another counter then runs ahead of the day's by what
it had."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.match.alike import APART
from monitor.match.candidates import Candidate
from monitor.match.columns import Column
from monitor.match.habits import scales

FLOAT_SHARE = 1e-6
"""A float counts no finer than such a part of itself (single precision has 24 bits)."""


def counted_before(columns: Sequence[Column], day: Candidate) -> bool:
    """Whether a counter elsewhere has grown by as much as the day's energy at every snapshot, and always
    held more.

    A total, or the energy of the month or year, does so from the device's second day on.
    """
    own_step = day.column.step * abs(day.form.scale)
    for column in columns:
        if set(column.registers) & set(day.column.registers) and column.field == day.column.field:
            continue
        pairs = [
            (own, raw)
            for own, raw in zip(day.values(), column.raws, strict=True)
            if own is not None and raw is not None
        ]
        if len(pairs) > 1 and any(
            _runs_ahead(pairs, scale, column.step, own_step) for scale in scales("Wh", column.kind)
        ):
            return True
    return False


def _runs_ahead(pairs: Sequence[tuple[float, float]], scale: float, count: float, own_step: float) -> bool:
    """Whether the growth is the same to the two counters' steps, and large enough to tell (limits as in
    `alike`)."""
    held = [raw * scale for _, raw in pairs]
    step = max(count * scale, own_step, FLOAT_SHARE * max(map(abs, held)))
    ahead = [there - own for (own, _), there in zip(pairs, held, strict=True)]
    grown = max(held) - min(held)
    return grown >= APART * step and max(ahead) - min(ahead) <= 2 * step and min(ahead) >= APART * step
