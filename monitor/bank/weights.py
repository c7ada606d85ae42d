"""How much each supposed bank counts, and which are drawn anew. Pure.

The banks live in groups that never mix, one after the other in every array. May import cell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.bank.cell import Floats

SUPPOSED = 3200
"""How many banks are supposed: the fewer, the more the estimate depends on the seed (our choice; with half as
many two seeds may lie 6 % of charge apart)."""

GROUPS = 8
"""They live in groups that never mix: what chance made of one shows in how far the groups differ, and widens
the band (our choice)."""

FEWEST_EFFECTIVE, TEMPERED_EFFECTIVE = 0.5, 0.25
"""Share of effective banks below which they are drawn anew, and which no single weighing may undercut."""


def weights_of(log_weight: Floats) -> Floats:
    """Weights of all banks, sum 1; each group has the same share of them."""
    by_group = log_weight.reshape(GROUPS, -1)
    weights = np.exp(by_group - by_group.max(axis=1, keepdims=True))
    return np.asarray((weights / (GROUPS * weights.sum(axis=1, keepdims=True))).reshape(-1))


def effective(weights: Floats) -> Floats:
    """Share of effective banks of each group."""
    by_group = weights.reshape(GROUPS, -1)
    return np.asarray(1 / ((by_group * by_group).sum(axis=1) * GROUPS * SUPPOSED))


def weighed(before: Floats, fit: Floats) -> tuple[Floats, Floats]:
    """Log weights and weights after a weighing; one that surprises counts as far as enough banks are left
    by it."""
    after = before + fit
    weights = weights_of(after)
    if effective(weights).min() >= TEMPERED_EFFECTIVE:
        return after, weights
    low, high = 0.0, 1.0
    for _ in range(6):
        share = 0.5 * (low + high)
        enough = effective(weights_of(before + share * fit)).min() >= TEMPERED_EFFECTIVE
        low, high = (share, high) if enough else (low, share)
    after = before + low * fit
    return after, weights_of(after)


def drawn(weights: Floats, places: Floats) -> NDArray[np.intp]:
    """Which banks lie at these places of the summed weights."""
    return np.minimum(np.searchsorted(np.cumsum(weights), places), len(weights) - 1)
