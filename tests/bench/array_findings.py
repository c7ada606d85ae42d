"""What `nightbank array` finds of faults put into measured records, and what it finds in untouched ones.

    python -m tests.bench.array_findings [--kinds KIND ...] [--each 3] [--kept] [--seeds 1 2] [--jobs 2]

named       a finding of the fault's kind that overlaps it, with the right start: within a day of the true
            one; soiling, whose first days show nothing, within a week; a fault of panels or controller under
            cloud within a day of the first measured day of index 0.5 or more
precision   findings of the fault's kind that overlap it, of all findings in all records; a second one of the
            same fault counts for nothing
false       findings in untouched records, for 60 days
confidence  of findings told with about as much, how many are right

Neither right nor false, since the record is measured and may be right: shade where a hill stands (slope,
roof), and snow on a day of real snow or on a measured day darker than 0.15 of clear sky, October to April.

Baseline: a day below 70 % of the best of the fourteen before it (true harvest) is a notice; it names no
kind, and is right where the first of a row of such days lies within a day of the fault's start.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from statistics import fmean
from typing import Any

from tests.bench.figures import accuracy, hand_over
from tests.sun.classes import DEFAULT
from tests.sun.command import told
from tests.sun.faults import KINDS, happens
from tests.sun.library import Kept, record
from tests.sun.records import KEPT, NAMES, OPEN, weather

TARGETS = "named 0.85, precision 0.80, false 0.4 in 60 days"
CONFIDENCES = (0.0, 0.6, 0.7, 0.8, 0.9, 1.01)
DAY = timedelta(days=1)
NEAR = 1.5 * DAY
"""How near the baseline's day, which has no hour, must be to the start."""
SLOW_START = {"soiling": 7 * DAY}
NEEDS_LIGHT = ("panel_lost", "diode_lost", "shade", "heat_derating")
LIGHT_INDEX = 0.5
BEHIND_A_HILL = ("slope", "roof", "roof_summer")
DARK_INDEX = 0.15
SNOW_MONTHS = (10, 11, 12, 1, 2, 3, 4)
BASELINE_SHARE, BASELINE_DAYS = 0.70, 14


@dataclass(frozen=True, slots=True)
class Judged:
    """One record: whether its fault was named, and at the right start; findings true, false, left open; of
    each judged finding its confidence and whether it was right."""

    record: str
    kind: str | None
    named: bool
    at_all: bool
    true: int
    false: tuple[str, ...]
    open: int
    sure: tuple[tuple[float, bool], ...]
    days: int
    plain_named: bool
    plain_false: int
    plain_chance: float


def judge(name: str, seed: int, kind: str | None) -> Judged:
    """One record with a fault of that kind or none."""
    kept = record(name, seed, kind)
    findings = told(kept, "array")["findings"]
    fault = kept.truth["fault"]
    same = [one for one in findings if fault is not None and one["kind"] == kind and _overlap(one, fault)]
    others = [one for one in findings if one not in same]
    unsure = [one for one in others if _may_be_right(one, kept)]
    notices = baseline(kept)
    hits = [at for at in notices if fault is not None and abs(at - _moment(fault["start"])) <= NEAR]
    days = [_moment(day["date"]) for day in kept.truth["days"]]
    inside = [at for at in notices if fault is not None and _within(at, fault)]
    return Judged(
        record=f"{name}/{seed}",
        kind=kind,
        named=any(_right_start(one, fault, kept) for one in same),
        at_all=bool(same),
        true=min(1, len(same)),
        false=tuple(f"{one['kind']} {one['start'][:10]}" for one in others if one not in unsure),
        open=len(unsure),
        sure=tuple((one["confidence"], one in same) for one in findings if one not in unsure),
        days=len(kept.truth["days"]),
        plain_named=bool(hits),
        plain_false=len([at for at in notices if at not in inside and at not in hits]),
        plain_chance=fmean(any(abs(at - day) <= NEAR for at in notices) for day in days),
    )


def _moment(text: str) -> datetime:
    """A finding's moment; a bare date is its start in UTC."""
    found = datetime.fromisoformat(text.replace("Z", "+00:00"))
    return found if found.tzinfo else datetime.fromisoformat(f"{text}T00:00:00+00:00")


def _overlap(finding: dict[str, Any], fault: dict[str, Any]) -> bool:
    """Whether both speak of one time, a day more on each side."""
    starts_before = fault["end"] is None or _moment(finding["start"]) <= _moment(fault["end"]) + DAY
    return starts_before and (
        finding["end"] is None or _moment(finding["end"]) >= _moment(fault["start"]) - DAY
    )


def _right_start(finding: dict[str, Any], fault: dict[str, Any], kept: Kept) -> bool:
    start, true = _moment(finding["start"]), _moment(fault["start"])
    kind = fault["kind"]
    if abs(start - true) <= SLOW_START.get(kind, DAY):
        return True
    if kind not in NEEDS_LIGHT:
        return False
    lit = [
        day["date"]
        for day in kept.truth["days"]
        if _moment(day["date"]) >= true - DAY / 2 and (day["index"] or 0) >= LIGHT_INDEX
    ]
    return bool(lit) and true - DAY <= start <= _moment(lit[0]) + 2 * DAY


def _may_be_right(finding: dict[str, Any], kept: Kept) -> bool:
    if finding["kind"] == "shade":
        return kept.truth["source"] in BEHIND_A_HILL
    if finding["kind"] != "snow":
        return False
    start = _moment(finding["start"])
    end = start if finding["end"] is None else _moment(finding["end"])
    return any(
        start - DAY <= _moment(day["date"]) <= end + DAY and _maybe_snow(day) for day in kept.truth["days"]
    )


def _maybe_snow(day: dict[str, Any]) -> bool:
    if day["kinds"][DEFAULT] == "snow":
        return True
    dark = day["index"] is not None and day["index"] < DARK_INDEX
    return dark and int(day["date"][5:7]) in SNOW_MONTHS


def _within(at: datetime, fault: dict[str, Any]) -> bool:
    return at >= _moment(fault["start"]) - DAY and (fault["end"] is None or at <= _moment(fault["end"]) + DAY)


def baseline(kept: Kept) -> list[datetime]:
    """First days of rows of days below 70 % of the best of the fourteen before."""
    days = kept.truth["days"]
    low = [
        number > 0
        and day["harvest_Wh"]
        < BASELINE_SHARE * max(d["harvest_Wh"] for d in days[max(0, number - BASELINE_DAYS) : number])
        for number, day in enumerate(days)
    ]
    rows = groupby(range(len(days)), key=low.__getitem__)
    return [_moment(days[next(numbers)]["date"]) for is_low, numbers in rows if is_low]


def planned(
    kinds: Sequence[str], names: Sequence[str], seeds: Sequence[int], each: int
) -> list[tuple[str, int, str]]:
    """Which record gets which fault: every kind `each` times a seed, spread over the records."""
    work = []
    for seed in seeds:
        for kind in kinds:
            fit = [name for name in names if happens(kind, weather(name))]
            step = max(1, len(fit) // each)
            first = 3 * KINDS.index(kind) + 5 * seed
            work += [(fit[(first + step * n) % len(fit)], seed, kind) for n in range(min(each, len(fit)))]
    return work


def summary(judged: Sequence[Judged]) -> list[str]:
    """Lines by kind, and of all."""
    faulty = [one for one in judged if one.kind is not None]
    sound = [one for one in judged if one.kind is None]
    lines = [f"{'':16s} {'records':>7s} {'named':>6s} {'at all':>6s} {'false':>6s} {'open':>5s}   baseline"]
    for kind in KINDS:
        of = [one for one in faulty if one.kind == kind]
        if of:
            shares = [fmean(one.named for one in of), fmean(one.at_all for one in of)]
            counts = [sum(len(one.false) for one in of), sum(one.open for one in of)]
            lines.append(
                f"{kind:16s} {len(of):7d} {shares[0]:6.2f} {shares[1]:6.2f} {counts[0]:6d} {counts[1]:5d} "
                f"{fmean(one.plain_named for one in of):10.2f}"
            )
    true, false = sum(one.true for one in judged), sum(len(one.false) for one in judged)
    days = sum(one.days for one in sound)
    if faulty:
        hand_over(
            accuracy(
                "faults of the array named with the right start",
                fmean(one.named for one in faulty),
                "",
                "faults put into measured records",
                at_least=0.85,
            ),
            accuracy("the same of the 70 % rule", fmean(one.plain_named for one in faulty), ""),
        )
        lines.append(
            f"named with the right start {fmean(one.named for one in faulty):.3f}; "
            f"baseline notices {fmean(one.plain_named for one in faulty):.3f}, "
            f"any day by chance {fmean(one.plain_chance for one in faulty):.3f}"
        )
    if true + false:
        hand_over(accuracy("precision of the array's findings", true / (true + false), "", at_least=0.8))
        lines.append(f"precision {true / (true + false):.3f} ({true} right, {false} false)")
    if days:
        per_60 = 60 / days
        false_60 = per_60 * sum(len(one.false) for one in sound)
        hand_over(accuracy("false findings in 60 untouched days", false_60, "", at_most=0.4))
        lines.append(
            f"false findings in 60 untouched days {false_60:.2f}; "
            f"baseline {per_60 * sum(one.plain_false for one in sound):.1f}"
        )
    lines += calibration([pair for one in judged for pair in one.sure])
    return [*lines, f"targets: {TARGETS}"]


def calibration(sure: Sequence[tuple[float, bool]]) -> list[str]:
    """By told confidence: how many findings, what they told on average, and how many of them were right."""
    lines = []
    for low, high in pairwise(CONFIDENCES):
        some = [(told_of, right) for told_of, right in sure if low <= told_of < high]
        if some:
            mean, right = fmean(each for each, _ in some), fmean(each for _, each in some)
            lines.append(
                f"confidence {low:.1f} on: {len(some):3d} findings, told {mean:.2f}, right {right:.2f}"
            )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--records", nargs="+", choices=NAMES, metavar="NAME")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS, metavar="KIND")
    parser.add_argument("--each", type=int, default=3, help="records for each kind and seed")
    parser.add_argument("--kept", action="store_true", help="the records kept for the last judgement")
    parser.add_argument("--no-sound", action="store_true", help="leave the untouched records out")
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    names = asked.records or (KEPT if asked.kept else OPEN)
    work: list[tuple[str, int, str | None]] = list(planned(asked.kinds, names, asked.seeds, asked.each))
    if not asked.no_sound:
        work += [(name, seed, None) for seed in asked.seeds for name in names]
    judged = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for one in pool.map(judge, *zip(*work, strict=True)):
            judged.append(one)
            state = "" if one.kind is None else "named" if one.named else "late" if one.at_all else "missed"
            print(
                f"{one.record:20s} {one.kind or '-':16s} {state:7s} false: {'; '.join(one.false)}", flush=True
            )
    print("\n".join(["", *summary(judged)]))


if __name__ == "__main__":
    main()
