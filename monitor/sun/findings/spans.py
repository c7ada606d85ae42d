"""When something was so: the likeliest spans, given what each moment says for and against."""

from __future__ import annotations

import numpy as np

from monitor.sun.findings.record import Column, Mask


def two_state(against_fault: Column, against_health: Column, switch: float) -> list[tuple[int, int]]:
    """Spans (first, past-the-last position) in which the fault is the better account.

    against_fault and against_health are the costs of each moment under either state, 0 where it says
    nothing; a change of state costs `switch`. The cheapest sequence of two states is found exactly
    (Viterbi 1967, from memory). Where a stretch that says nothing lies between, the change is put into its
    middle.
    """
    count = len(against_fault)
    if not count:
        return []
    came_from = np.zeros((count, 2), dtype=np.int8)
    cost = [float(against_health[0]), float(against_fault[0]) + switch]
    for at in range(1, count):
        stay_well, fall = cost[0], cost[1] + switch
        stay_ill, rise = cost[1], cost[0] + switch
        came_from[at] = (int(fall < stay_well), int(stay_ill <= rise))
        cost = [
            min(stay_well, fall) + float(against_health[at]),
            min(stay_ill, rise) + float(against_fault[at]),
        ]
    state = np.zeros(count, dtype=np.int8)
    state[-1] = int(cost[1] < cost[0])
    for at in range(count - 1, 0, -1):
        state[at - 1] = came_from[at, state[at]]
    silent = (against_fault == 0) & (against_health == 0)
    edges = [
        _middle(int(edge), silent) for edge in np.flatnonzero(np.diff(np.concatenate([[0], state, [0]])))
    ]
    return list(zip(edges[::2], edges[1::2], strict=True))


def _middle(edge: int, silent: Mask) -> int:
    """The middle of the moments around an edge that say nothing; the record's own ends stay."""
    if edge in (0, len(silent)):
        return edge
    low, high = edge, edge
    while low > 0 and silent[low - 1]:
        low -= 1
    while high < len(silent) and silent[high]:
        high += 1
    return (low + high) // 2


def steps_of_level(value: Column, cost: float, least: int) -> list[tuple[int, int]]:
    """Segments of a series without gaps, each `least` long or more, that are flat but for noise.

    The sum of distances from each segment's median is least, with `cost` for every segment more (optimal
    partitioning, Jackson et al. 2005, from memory).
    """
    count = len(value)
    best = np.full(count + 1, np.inf)
    best[0] = -cost
    back = np.zeros(count + 1, dtype=np.int64)
    for end in range(least, count + 1):
        for start in range(0, end - least + 1):
            if not np.isfinite(best[start]):
                continue
            part = value[start:end]
            total = best[start] + cost + float(np.abs(part - np.median(part)).sum())
            if total < best[end]:
                best[end], back[end] = total, start
    segments, end = [], count
    while end > 0 and np.isfinite(best[count]):
        segments.append((int(back[end]), end))
        end = int(back[end])
    return segments[::-1]
