"""How a discharge that goes on stands: what was taken, what may be, and when to stop; from the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from monitor.bank.description import BankDescription
from monitor.capacity.report import REST_MS, still_A
from monitor.care.runs import Run
from monitor.care.stopping import LONGEST_H, TAKE, Step, course_of, safe_cell_V
from monitor.present import Standing
from monitor.records import HOUR_MS, Bucket, iso_utc
from monitor.store.base import StoreReader

CURRENT, VOLTAGE, MIDPOINT = "battery_current_A", "battery_voltage_V", "midpoint_voltage_V"

STEP_MS = 300_000
"""A discharge is followed in steps of five minutes, of which the store has sums."""

HALF_TAKEN = "half of what the bank may hold is taken"
TOO_LONG = f"it has gone on for {LONGEST_H:.0f} h, and a longer test tells nothing"
FALLS = "falls so fast that the bank may hold little more"

End = tuple[float, str]
"""In how many hours something ends a discharge, and what to say of it, as a clause."""


def discharge_document(
    bank: BankDescription, reader: StoreReader, standing: Standing, run: Run, least_Ah: float
) -> dict[str, Any]:
    """How far a discharge has come; least_Ah is the least that the bank may hold.

    hours_left is how long it may go on at this current and ends_by what ends it then; both and safe_V are
    None while nothing is drawn. stop says why to stop now, '' where it may go on.
    """
    current_A, voltage_V = standing.live(CURRENT), standing.live(VOLTAGE)
    temperature_C = standing.live("battery_temperature_C")
    drawn_A = 0.0 if current_A is None else max(0.0, -current_A)
    left_Ah, now_ms = TAKE * least_Ah - run.taken_Ah, standing.now.time_ms
    ends = [(LONGEST_H - (now_ms - run.start_ms) / HOUR_MS, TOO_LONG)]
    safe_V = hours_left = ends_by = None
    if drawn_A > still_A(bank):
        safe_V = bank.cells * safe_cell_V(bank.chemistry, bank.capacity_Ah, drawn_A, temperature_C)
        ends += [(left_Ah / drawn_A, HALF_TAKEN), *_by_voltage(bank, reader, standing, run, least_Ah, safe_V)]
        hours_left, ends_by = min(ends)
    elif left_Ah <= 0:
        ends.append((0.0, HALF_TAKEN))
    first = min(ends)
    return {
        "start": iso_utc(run.start_ms),
        "end": iso_utc(run.end_ms),
        "hours": round((run.end_ms - run.start_ms) / HOUR_MS, 2),
        "taken_Ah": round(run.taken_Ah, 1),
        "take_Ah": round(TAKE * least_Ah, 1),
        "drawn_A": round(drawn_A, 2),
        "voltage_V": voltage_V,
        "temperature_C": temperature_C,
        "safe_V": None if safe_V is None else round(safe_V, 2),
        "disconnect_V": bank.disconnect_V,
        "hours_left": None if hours_left is None else round(max(0.0, hours_left), 2),
        "ends_by": ends_by,
        "rest_counts": iso_utc(run.end_ms + REST_MS),
        "stop": first[1] if first[0] <= 0 else "",
    }


def _by_voltage(
    bank: BankDescription, reader: StoreReader, standing: Standing, run: Run, least_Ah: float, safe_V: float
) -> Iterator[End]:
    """When the voltage of the bank, or of one of its halves where their middle is measured, ends it."""
    temperature_C = standing.live("battery_temperature_C")
    for name, share, steps in _followed(bank, reader, run, standing.now.time_ms, least_Ah):
        course = course_of(bank.chemistry, bank.capacity_Ah, temperature_C, steps)
        if course is None:
            continue
        if course.falls_too_fast:
            yield 0.0, f"{name} {FALLS}"
        down = f"{name} is down at {share * safe_V:.2f} V"
        if course.margin_V <= 0:
            yield 0.0, down
        elif course.safe_in_h is not None:
            yield course.safe_in_h, down


def _followed(
    bank: BankDescription, reader: StoreReader, run: Run, now_ms: int, least_Ah: float
) -> Iterator[tuple[str, float, Sequence[Step]]]:
    """Whose voltage is followed, its share of the cells in series, and the discharge in steps of five
    minutes, those in which the bank rested left out."""
    start_ms = run.start_ms - run.start_ms % STEP_MS
    points = max(1, -(-(now_ms + 1 - start_ms) // STEP_MS))

    def buckets(quantity: str) -> dict[int, Bucket]:
        series = reader.series(quantity, start_ms, start_ms + points * STEP_MS, points)
        return {bucket.start_ms: bucket for bucket in series.buckets}

    drawn, taken, taken_Ah = buckets(CURRENT), {}, 0.0
    for at_ms in sorted(drawn):
        taken_Ah -= drawn[at_ms].mean * (drawn[at_ms].end_ms - at_ms) / HOUR_MS
        taken[at_ms] = taken_Ah / least_Ah

    def steps(volts: dict[int, float], cells: float) -> list[Step]:
        return [
            Step(drawn[at_ms].end_ms / HOUR_MS, share, -drawn[at_ms].mean, volts[at_ms] / cells)
            for at_ms, share in taken.items()
            if at_ms in volts and -drawn[at_ms].mean > still_A(bank)
        ]

    whole = {at_ms: bucket.mean for at_ms, bucket in buckets(VOLTAGE).items()}
    yield "the voltage", 1.0, steps(whole, bank.cells)
    lower = {at_ms: bucket.mean for at_ms, bucket in buckets(MIDPOINT).items() if at_ms in whole}
    if lower:
        upper = {at_ms: whole[at_ms] - volts for at_ms, volts in lower.items()}
        yield "the voltage of the bank's lower half", 0.5, steps(lower, bank.cells / 2)
        yield "the voltage of the bank's upper half", 0.5, steps(upper, bank.cells / 2)
