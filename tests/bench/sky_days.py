"""What `nightbank days` tells of measured skies, beside the truth and beside an energy ratio without a split.

    python -m tests.bench.sky_days [--records NAME ...] [--kept] [--seeds 1 2] [--jobs 2]

Records of tests/sun go through the real import into a real store. Judged are days of which all was read.

agreement     share of days whose class is the one from measured irradiance (tests/sun/classes.py)
mean recall   mean over the classes of the share of their days that is found
full          agreement on days on which the bank left at least a tenth of the day's potential
unused        on those days: told less true unused energy, over the day's potential; unknown counts as 1
clear         on measured clear days (set 'strict'): told clear-sky energy over the potential, over the median
              of this on the record's other such days, less 1; with fewer than five the record is left out

Baseline: harvest over the told clear-sky energy, scaled so that the record's highest tenth begins at 1, cut
by the same limits without variability; unused energy none.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import ceil
from statistics import fmean, median
from typing import Any

from tests.bench.figures import accuracy, hand_over
from tests.sun.classes import DEFAULT, KINDS, SETS, Limits
from tests.sun.command import told
from tests.sun.library import record
from tests.sun.records import KEPT, NAMES, OPEN

TARGETS = "agreement 0.84, mean recall 0.82, full 0.80, unused 12 %, clear 4 % and 9 %"
SKIES = "measured irradiance"
LEAST_CLEAR_DAYS = 5


@dataclass(frozen=True, slots=True)
class Judged:
    """One day as told and as true; plain is the baseline's class by set."""

    record: str
    pwm: bool
    kinds: dict[str, str]
    told: str
    plain: dict[str, str]
    full: bool
    unused_error: float
    plain_unused_error: float
    clear_ratio: float | None


def judge(name: str, seed: int) -> list[Judged]:
    """The days of one record."""
    kept = record(name, seed)
    by_date = {day["date"]: day for day in told(kept, "days")}
    days = [(true, by_date.get(true["date"])) for true in kept.truth["days"] if true["whole"]]
    top = _top([day for _, day in days if day is not None])
    pwm = kept.truth["kind"] == "pwm"
    return [_judged(f"{name}/{seed}", pwm, true, day, top) for true, day in days]


def _top(days: Iterable[dict[str, Any]]) -> float:
    """Where the record's highest tenth of harvest over clear-sky energy begins."""
    ratios = sorted(ratio for day in days if (ratio := _ratio(day)) is not None)
    return ratios[int(0.9 * (len(ratios) - 1))] if ratios else 1.0


def _ratio(day: dict[str, Any]) -> float | None:
    clear_Wh, harvest_Wh = day["clear_sky_Wh"], day["harvest_Wh"]
    return None if not clear_Wh or harvest_Wh is None else harvest_Wh / clear_Wh


def _judged(name: str, pwm: bool, true: dict[str, Any], day: dict[str, Any] | None, top: float) -> Judged:
    potential_Wh = max(1e-9, true["potential_Wh"])
    ratio = None if day is None else _ratio(day)
    unused_Wh = None if day is None else day["unused_Wh"]
    clear = true["kinds"]["strict"] == "clear" and day is not None and day["clear_sky_Wh"]
    return Judged(
        record=name,
        pwm=pwm,
        kinds=true["kinds"],
        told="none" if day is None else day["sky"],
        plain={key: _plain_kind(ratio, top, limits) for key, limits in SETS.items()},
        full=true["full"],
        unused_error=1.0 if unused_Wh is None else abs(unused_Wh - true["unused_Wh"]) / potential_Wh,
        plain_unused_error=true["unused_Wh"] / potential_Wh,
        clear_ratio=day["clear_sky_Wh"] / potential_Wh if clear and day is not None else None,
    )


def _plain_kind(ratio: float | None, top: float, limits: Limits) -> str:
    if ratio is None:
        return "none"
    share = ratio / top if top > 0 else 0.0
    if share < limits.overcast:
        return "dark"
    if share < limits.broken:
        return "overcast"
    return "clear" if share >= limits.clear else "broken"


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of a group of days."""

    days: int
    agreement: float
    recall: float
    full: float
    unused: float
    clear_mid: float
    clear_high: float


def figures(days: Sequence[Judged], limits: str = DEFAULT, *, plain: bool = False) -> Figures:
    """The judgement of days by one set of limits, of the project or of the baseline."""
    pairs = [(day, day.kinds[limits], day.plain[limits] if plain else day.told) for day in days]
    right = [(day, true == said) for day, true, said in pairs]
    recalls = [
        fmean(said == kind for _, true, said in pairs if true == kind)
        for kind in KINDS
        if kind != "none" and any(true == kind for _, true, _ in pairs)
    ]
    full = [hit for day, hit in right if day.full]
    errors = [day.plain_unused_error if plain else day.unused_error for day in days if day.full]
    clear = clear_errors(days)
    nothing = float("nan")
    return Figures(
        len(days),
        fmean(hit for _, hit in right) if right else nothing,
        fmean(recalls) if recalls else nothing,
        fmean(full) if full else nothing,
        median(errors) if errors else nothing,
        median(clear) if clear else nothing,
        sorted(clear)[ceil(0.9 * len(clear)) - 1] if clear else nothing,
    )


def clear_errors(days: Sequence[Judged]) -> list[float]:
    """Clear-sky energy after one factor learnt from the record's other measured clear days."""
    found = []
    for name in dict.fromkeys(day.record for day in days):
        ratios = [day.clear_ratio for day in days if day.record == name and day.clear_ratio is not None]
        if len(ratios) < LEAST_CLEAR_DAYS:
            continue
        for place, ratio in enumerate(ratios):
            found.append(abs(ratio / median(ratios[:place] + ratios[place + 1 :]) - 1))
    return found


NAMES_OF_FIGURES = ("agree", "recall", "full", "unused%", "clear%", "90th%")
HEADER = f"{'':34s} {'days':>5s} " + " ".join(f"{name:>7s}" for name in NAMES_OF_FIGURES)


def line(label: str, found: Figures) -> str:
    shares = (found.agreement, found.recall, found.full)
    percents = (found.unused, found.clear_mid, found.clear_high)
    told_of = [f"{share:7.3f}" for share in shares] + [f"{100 * percent:7.1f}" for percent in percents]
    return f"{label:34s} {found.days:5d} " + " ".join(told_of)


def confusion(days: Sequence[Judged], limits: str = DEFAULT) -> str:
    """Rows: from measured irradiance. Columns: told."""
    counts = Counter((day.kinds[limits], day.told) for day in days)
    rows = ["measured \\ told  " + " ".join(f"{kind:>9s}" for kind in KINDS)]
    rows += [
        f"{true:16s} " + " ".join(f"{counts[true, said]:9d}" for said in KINDS)
        for true in KINDS
        if any(counts[true, said] for said in KINDS)
    ]
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--records", nargs="+", choices=NAMES, metavar="NAME")
    parser.add_argument("--kept", action="store_true", help="the records kept for the last judgement")
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    names = asked.records or (KEPT if asked.kept else OPEN)
    work = [(name, seed) for seed in asked.seeds for name in names]
    print(HEADER, flush=True)
    days: list[Judged] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for (name, seed), found in zip(work, pool.map(judge, *zip(*work, strict=True)), strict=True):
            days += found
            print(line(f"{name}/{seed}", figures(found)), flush=True)
    print()
    for limits in SETS:
        print(line(f"all, {limits}", figures(days, limits)))
    for label, of in (("pwm", True), ("mppt", False)):
        print(line(f"{label} only", figures([day for day in days if day.pwm == of])))
    for limits in SETS:
        print(line(f"baseline, {limits}", figures(days, limits, plain=True)))
    print(f"targets: {TARGETS}\n")
    ours, plain = figures(days), figures(days, plain=True)
    hand_over(
        accuracy("days whose class is told right", ours.agreement, "", SKIES, at_least=0.84),
        accuracy("the same of a ratio of energy without a split", plain.agreement, "", SKIES),
        accuracy("mean over the classes of what is found", ours.recall, "", SKIES, at_least=0.82),
        accuracy("days with a full bank told right", ours.full, "", SKIES, at_least=0.80),
        accuracy("unused energy, median error", 100 * ours.unused, "%", SKIES, at_most=12),
        accuracy("clear-sky energy, median error", 100 * ours.clear_mid, "%", SKIES, at_most=4),
        accuracy("clear-sky energy, 90th percentile", 100 * ours.clear_high, "%", SKIES, at_most=9),
    )
    print(confusion(days))
    by_kind = {kind: [day.told == kind for day in days if day.kinds[DEFAULT] == kind] for kind in KINDS}
    recalls = [f"{kind} {fmean(hits):.3f}" for kind, hits in by_kind.items() if hits]
    print(f"recall: {', '.join(recalls)}")


if __name__ == "__main__":
    main()
