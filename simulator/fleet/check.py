"""Reads a fleet back: whether every point of every site is there once, by count and sum of each quantity.

Asked site by site and day by day, since servers of the 3 line limit how much one question may go through.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from simulator.fleet.link import Questions
from simulator.fleet.plan import DAY_MS, DEVICES, LATEST_STAMP_MS, MEASUREMENT, QUANTITIES, Plan
from simulator.fleet.site import FleetSite

AT_ONCE = 20_000
"""Polls of a site that are made at once to add them up (our choice: a few megabytes)."""

ROUNDING = 1e-9
"""By which share of the sum of absolute values a server's sum may differ: it adds floats in its own order
(2^-53 for each of up to some hundred thousand, our choice)."""

Sums = dict[str, tuple[int, float]]
"""By quantity: how many values, and their sum."""


def lacking_of(
    plan: Plan, sites: Sequence[FleetSite], questions: Questions, each: Callable[[], None] | None = None
) -> dict[str, str]:
    """What is not as it was sent, by the site's name; `each` hears of every site. Raises FleetError."""
    found = {}
    for site in sites:
        there = _there(plan, site, questions)
        differences = _differences(plan, site, there)
        if differences:
            found[site.name] = _in_words(differences)
        if each is not None:
            each()
    return found


def sent(plan: Plan, site: FleetSite) -> dict[str, tuple[int, float, float]]:
    """What a site sends: by quantity how many values, their sum, and the sum of their absolute values."""
    steps, sizes = np.zeros(len(QUANTITIES)), np.zeros(len(QUANTITIES))
    for first in range(0, plan.polls, AT_ONCE):
        readings = site.readings(first, min(first + AT_ONCE, plan.polls))
        steps += readings.whole_steps.sum(axis=1)  # whole numbers: exact
        sizes += np.abs(readings.whole_steps).sum(axis=1)
    per_unit = site.per_unit[:, 0]
    totals = zip(QUANTITIES, (steps / per_unit).tolist(), (sizes / per_unit).tolist(), strict=True)
    return {name: (plan.polls, total, size) for name, total, size in totals}


def _there(plan: Plan, site: FleetSite, questions: Questions) -> Sums:
    """What the server has of a site."""
    asked = ", ".join(f'count("{name}"), sum("{name}")' for name in QUANTITIES)
    name = site.name.replace("\\", "\\\\").replace("'", "\\'")
    days = [*range(plan.start_ms, plan.end_ms, DAY_MS), plan.end_ms + LATEST_STAMP_MS]
    found: Sums = {}
    for from_ms, to_ms in pairwise(days):
        for series in questions.ask(
            f'SELECT {asked} FROM "{MEASUREMENT}" WHERE "site" = \'{name}\' AND time >= {from_ms}ms '
            f'AND time < {to_ms}ms GROUP BY "device"'
        ):
            if len(series.get("columns", ())) != 1 + 2 * len(QUANTITIES):
                raise questions.no_answer()
            for quantity, count, total in _figures(series):
                before = found.get(quantity, (0, 0.0))
                found[quantity] = (before[0] + count, before[1] + total)
    return found


def _figures(series: dict[str, Any]) -> Iterator[tuple[str, int, float]]:
    """A device's counts and sums, in the order in which they were asked for."""
    device = series.get("tags", {}).get("device", "")
    figures = series["values"][0][1:]
    for place, quantity in enumerate(QUANTITIES):
        count, total = figures[2 * place : 2 * place + 2]
        if count and quantity in DEVICES.get(device, ()):
            yield quantity, int(count), float(total)


def _differences(plan: Plan, site: FleetSite, there: Sums) -> dict[str, str]:
    """What is not as it was sent, by quantity."""
    found = {}
    for quantity, (count, total, size) in sent(plan, site).items():
        has, adds_up_to = there.get(quantity, (0, 0.0))
        if has != count:
            found[quantity] = f"{has:,} of {count:,} values"
        elif abs(adds_up_to - total) > ROUNDING * size:
            found[quantity] = f"its values add up to {adds_up_to:.10g} instead of {total:.10g}"
    return found


def _in_words(differences: dict[str, str]) -> str:
    if len(differences) == len(QUANTITIES) and len(set(differences.values())) == 1:
        return f"{differences[QUANTITIES[0]]} of each quantity"
    return "; ".join(f"{quantity}: {words}" for quantity, words in differences.items())
