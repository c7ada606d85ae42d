"""Quantiles and medians of plain arrays. numpy's own load its masked arrays on first use, a megabyte that
stays in the daemon; a test holds these to them. May import numpy only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def quantiles(values: NDArray[np.floating[Any]], shares: Sequence[float]) -> list[Floats]:
    """The quantiles along the last axis, interpolated linearly (number 7 of Hyndman and Fan 1996).

    Values must be finite and at least one; shares lie in 0..1.
    """
    ordered = np.sort(values, axis=-1)
    last = ordered.shape[-1] - 1
    found = []
    for share in shares:
        place = share * last
        below = min(int(place), last)
        above = min(below + 1, last)
        part = place - below
        found.append(np.asarray((1 - part) * ordered[..., below] + part * ordered[..., above]))
    return found


def median(values: NDArray[np.floating[Any]]) -> Floats:
    """The median along the last axis."""
    return quantiles(values, (0.5,))[0]
