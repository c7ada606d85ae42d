"""How far the estimated charge is from the truth on the records of tests/banks, beside plain methods.

    python -m tests.bench.charge_error [--records NAME ...] [--grade coarse|fine] [--jobs 2] [--markdown FILE]

Every method sees the rows one after the other, from the first one on and across restarts (where what was
remembered is lost). A method that does not know is taken to say 50 % ± 29 %. 'inside' is the share of rows
whose truth lies within two of the method's own standard deviations.
"""

from __future__ import annotations

import argparse
import time
import tomllib
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from statistics import fmean

from monitor.bank.description import BankDescription, describe_bank
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.site.model import Bank, Controller, Metering, Meters
from tests.banks.library import NAMES, record
from tests.banks.plain_methods import METHODS, UNKNOWN_SD, Plain
from tests.banks.site import Grade, Record
from tests.bench.figures import accuracy, hand_over

ESTIMATOR = "estimator"
IN_ORDER = (ESTIMATOR, *METHODS)


@dataclass(frozen=True, slots=True)
class Score:
    """What one method made of one record; errors and deviations as shares of the present capacity."""

    record: str
    method: str
    rms: float
    p95: float
    inside: float
    mean_sd: float
    capacity_error: float | None
    ms_a_row: float


def described(text: str) -> BankDescription:
    """The description that BANK.toml's tables make."""
    tables = tomllib.loads(text)
    return describe_bank(
        Bank.model_validate(tables["bank"]),
        Controller.model_validate(tables["controller"]),
        Meters.model_validate(tables["meters"]),
        Metering(**tables.get("metering", {})),
        level=None,
    )


def estimates_of(kept: Record) -> tuple[list[BankEstimate], float]:
    """The project's estimator over one record: an estimate a row, and the CPU time [ms]."""
    bank = described(kept.bank_toml)
    estimator = BankEstimator(bank, None)
    estimates: list[BankEstimate] = []
    begin = time.process_time()
    for row in kept.rows:
        if row.restart:
            estimator = BankEstimator(bank, None)
        estimates.append(estimator.update(BankSample(*row[:8])))
    return estimates, (time.process_time() - begin) * 1000


def run_estimator(kept: Record) -> Score:
    """The project's estimator on one record."""
    estimates, spent_ms = estimates_of(kept)
    return scored(kept, ESTIMATOR, told(estimates), estimates[-1].capacity_Ah, spent_ms)


def told(estimates: Iterable[BankEstimate]) -> list[tuple[float, float]]:
    """Charge and deviation of each estimate; unknown is 50 % ± 29 %."""
    return [
        (0.5, UNKNOWN_SD) if one.soc is None or one.soc_sd is None else (one.soc, one.soc_sd)
        for one in estimates
    ]


def run_plain(kept: Record, method: str) -> Score:
    """A plain method on one record."""
    tables = tomllib.loads(kept.bank_toml)
    plain: Plain = METHODS[method](tables)
    begin = time.process_time()
    estimates = []
    for row in kept.rows:
        if row.restart:
            plain = METHODS[method](tables)
        estimates.append(plain.update(row))
    spent_ms = (time.process_time() - begin) * 1000
    return scored(kept, method, estimates, None, spent_ms)


def scored(
    kept: Record,
    method: str,
    estimates: Sequence[tuple[float, float]],
    capacity_Ah: float | None,
    spent_ms: float,
) -> Score:
    errors = [soc - truth.soc for (soc, _), truth in zip(estimates, kept.truth, strict=True)]
    sizes = sorted(abs(error) for error in errors)
    inside = sum(abs(error) <= 2 * sd for error, (_, sd) in zip(errors, estimates, strict=True))
    last_Ah = kept.truth[-1].capacity_Ah
    return Score(
        record=kept.name,
        method=method,
        rms=sqrt(fmean(error * error for error in errors)),
        p95=sizes[int(0.95 * (len(sizes) - 1))],
        inside=inside / len(errors),
        mean_sd=fmean(sd for _, sd in estimates),
        capacity_error=None if capacity_Ah is None else capacity_Ah / last_Ah - 1,
        ms_a_row=spent_ms / len(errors),
    )


def score_record(name: str, grade: Grade, methods: Iterable[str]) -> list[Score]:
    """All methods on one record."""
    kept = record(name, grade)
    return [run_estimator(kept) if method == ESTIMATOR else run_plain(kept, method) for method in methods]


def means(scores: Sequence[Score], method: str) -> Score:
    """The means over the records; of the capacity error the mean size."""
    of = [score for score in scores if score.method == method]
    capacity = [abs(score.capacity_error) for score in of if score.capacity_error is not None]
    return Score(
        "mean",
        method,
        fmean(score.rms for score in of),
        fmean(score.p95 for score in of),
        fmean(score.inside for score in of),
        fmean(score.mean_sd for score in of),
        fmean(capacity) if capacity else None,
        fmean(score.ms_a_row for score in of),
    )


TRUTH = "banks of other physics"
HEADER = (
    f"{'record':28s} {'method':12s} {'RMS %':>6s} {'p95 %':>6s} {'inside':>6s} {'sd %':>6s} {'cap. %':>7s} "
    f"{'ms/row':>8s}"
)


def line(score: Score) -> str:
    capacity = "" if score.capacity_error is None else f"{100 * score.capacity_error:+6.1f}"
    return (
        f"{score.record:28s} {score.method:12s} {100 * score.rms:6.2f} {100 * score.p95:6.1f} "
        f"{100 * score.inside:6.1f} {100 * score.mean_sd:6.1f} {capacity:>7s} {score.ms_a_row:8.4f}"
    )


def markdown(scores: Sequence[Score], methods: Sequence[str]) -> str:
    """RMS error in percent of present capacity, a row a record; share inside the band in brackets."""
    records = list(dict.fromkeys(score.record for score in scores))
    found = {(score.record, score.method): score for score in scores}
    rows = [
        "| record | " + " | ".join(methods) + " |",
        "|---" * (1 + len(methods)) + "|",
    ]
    for name in [*records, "**mean**"]:
        cells = []
        for method in methods:
            score = found.get((name, method)) or means(scores, method)
            cells.append(f"{100 * score.rms:.1f} ({100 * score.inside:.0f})")
        rows.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(rows) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--records", nargs="+", choices=NAMES, default=NAMES, metavar="NAME")
    parser.add_argument("--methods", nargs="+", choices=IN_ORDER, default=IN_ORDER, metavar="METHOD")
    parser.add_argument("--grade", choices=("coarse", "fine"), help="only this meter grade")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the comparison as a table")
    asked = parser.parse_args()
    grades: list[Grade] = [asked.grade] if asked.grade else ["coarse", "fine"]
    work = [(name, grade, tuple(asked.methods)) for grade in grades for name in asked.records]
    print(HEADER, flush=True)
    scores: list[Score] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for found in pool.map(score_record, *zip(*work, strict=True)):
            scores += found
            print("\n".join(line(score) for score in found), flush=True)
    for grade in grades:
        of = [score for score in scores if score.record.endswith(grade)]
        print(f"\nmeans, {grade}")
        for method in asked.methods:
            worst = max((score.rms, score.record) for score in of if score.method == method)
            mean = means(of, method)
            print(f"{line(mean)}   worst {100 * worst[0]:.1f} {worst[1]}")
            hand_over(accuracy(f"charge, RMS error of: {method}, {grade} meters", 100 * mean.rms, "%", TRUTH))
            if method == ESTIMATOR:
                inside = f"rows inside two deviations, {grade} meters"
                hand_over(accuracy(inside, 100 * mean.inside, "%", TRUTH))
    if asked.markdown is not None:
        asked.markdown.write_text(markdown(scores, asked.methods), encoding="utf-8")


if __name__ == "__main__":
    main()
