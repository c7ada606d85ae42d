"""A capacity test step by step, from the store alone: what is ready and taken, when to stop, what it gave.

Nothing has to be told when a test begins: every discharge that began full is one if a rest follows. Only who
wants to be called when it is to end says so (`watch.py`). Nothing is switched either: it tells the person
what to do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from monitor.alarms.capacity_test import TEST_NOTE, watched_test
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.tables import freezing_point_at_C
from monitor.capacity.course import CURRENT, VOLTAGE, discharge_document
from monitor.capacity.report import (
    METER_THEM,
    NOT_METERED,
    REST_MS,
    SILENT_MS,
    began_full,
    capacity_document,
    how_words,
    minded,
    still_A,
)
from monitor.care.capacity import SHALLOWEST
from monitor.care.digits import fine
from monitor.care.known import known_document
from monitor.care.runs import Run, runs
from monitor.care.stopping import TAKE
from monitor.present import Standing, standing_now
from monitor.records import HOUR_MS, iso_utc
from monitor.site.model import Site
from monitor.store.base import StoreReader

BACK_MS = 72 * HOUR_MS
"""So far back a discharge is looked for (our choice: a test, its rest, and a day to read what it gave)."""

BUCKET_MS = 600_000
BUCKETS = BACK_MS // BUCKET_MS

NO_LITHIUM = (
    "for LiFePO4 no correction is published; its own electronics count its charge, and its maker's sheet says"
    " how they are set right"
)

UNCOUNTED = (
    "For a while nothing was read, so nobody knows what was taken since the bank was charged: charge it full"
    " again."
)

BEGUN = 0.02
"""A discharge that took a smaller share of the capacity is no test yet (our choice: what the monitor draws in
a night is none)."""

MILD_C = 5.0
"""A test begins at no lower temperature of the bank (our choice: its nights are then seldom hard frosts)."""

LOAD_RATE_H = 20
"""A load that would empty the bank in so many hours is the usual one (the rate at which it is rated)."""


def guide_document(site: Site, reader: StoreReader, *, past: bool = True) -> dict[str, Any]:
    """Where a capacity test stands. site has its set points filled in; times are ISO 8601 UTC.

    phase is 'cannot' (why_not says why, help what would help, '' where nothing does), 'before', 'while'
    (discharge tells how far), 'rest' or 'after' (a test is over). result is the `capacity_document` of the
    discharge whose test is over, else of the last one in three days that told a capacity. to_charge says that
    the bank, after its test, waits for a charge. known is what is known of the capacity (`care.known`).
    drawn_A is the present load, 0 at rest, None where current or voltage are not read; is_counted says that
    nothing was taken unseen since the bank was charged. watched is the last test of three days that somebody
    has begun. Without past the discharges before the present one are not gone through.
    """
    standing, bank = standing_now(site, reader), describe_site(site)
    now_ms = standing.now.time_ms
    document: dict[str, Any] = {
        "time": iso_utc(now_ms),
        "site": site.site.name,
        "phase": "before",
        "why_not": _why_not(site),
        "help": METER_THEM if _why_not(site) == NOT_METERED else "",
        "known": known_document(site, reader, now_ms),
        "ready": [],
        "discharge": None,
        "result": None,
        "to_charge": False,
        "how": how_words(site),
        "cautions": minded(site),
        "has_array": site.array is not None,
        "drawn_A": _drawn_A(bank, standing),
        "is_counted": True,
        "watched": _watched(reader, now_ms),
    }
    if document["why_not"]:
        return document | {"phase": "cannot"}
    least_Ah = _capacity_Ah(document["known"])
    some = _runs(reader, bank, now_ms)
    document["is_counted"] = _is_counted(some)
    ended = [run.end_ms for run in some if not run.is_open and run.taken_Ah >= BEGUN * least_Ah]
    so_far = document | {"emptied_ms": max(ended, default=0)}
    document["ready"] = _ready(site, bank, reader, standing, so_far)
    found = _from_full(reader, some, BEGUN * least_Ah)
    if found and found[-1].is_open and now_ms - found[-1].seen_ms <= SILENT_MS:
        document |= _present(site, bank, reader, standing, found.pop(), least_Ah)
    if past and document["result"] is None:
        document["result"] = _last_told(site, bank, reader, found)
        if document["result"] is not None and document["phase"] == "before":
            document["phase"] = "after"
    return document


def _present(
    site: Site, bank: BankDescription, reader: StoreReader, standing: Standing, run: Run, least_Ah: float
) -> dict[str, Any]:
    """What the discharge that nothing has ended yet changes in the document."""
    run = _begun(reader, run, still_A(bank))
    rests, has_taken = run.seen_ms > run.end_ms, run.taken_Ah >= SHALLOWEST * least_Ah
    if rests:
        told = capacity_document(site, reader, run.start_ms, run.end_ms)
        is_over = has_taken and run.seen_ms - run.end_ms >= REST_MS
        if told["capacity_Ah"] is not None or is_over:
            return {"phase": "after", "result": told, "to_charge": True}
    if run.taken_Ah < BEGUN * least_Ah:
        return {}
    discharge = discharge_document(bank, reader, standing, run, least_Ah)
    phase = "rest" if rests and has_taken else "while"
    return {"phase": phase, "discharge": discharge}


def _last_told(
    site: Site, bank: BankDescription, reader: StoreReader, ended: Sequence[Run]
) -> dict[str, Any] | None:
    """What the last ended discharge that tells a capacity told, None where none does."""
    for each in reversed(ended):
        run = _begun(reader, each, still_A(bank))
        told = capacity_document(site, reader, run.start_ms, run.end_ms)
        if told["capacity_Ah"] is not None:
            return told
    return None


def _why_not(site: Site) -> str:
    """Why a site's capacity cannot be tested here, '' where it can."""
    if site.bank.chemistry == "lifepo4":
        return NO_LITHIUM
    return NOT_METERED if site.metering.level == "charging" else ""


def _capacity_Ah(known: dict[str, Any]) -> float:
    """The least that the bank may hold by what is known: a test must not take more than its share of it."""
    told = [known["rated_Ah"], known["learnt_Ah"], known["tested_Ah"]]
    return float(min(each for each in told if each))


def _runs(reader: StoreReader, bank: BankDescription, now_ms: int) -> list[Run]:
    return runs(reader.series(CURRENT, now_ms - BACK_MS, now_ms + 1, BUCKETS), still_A(bank))


def _from_full(reader: StoreReader, some: Sequence[Run], least_Ah: float) -> list[Run]:
    """The discharges that began full, with none that took least_Ah since the full charge before."""
    found, emptied_ms = [], 0
    for run in some:
        if run.is_whole and began_full(reader, run.start_ms, emptied_ms):
            found.append(run)
        if run.taken_Ah >= least_Ah:
            emptied_ms = run.end_ms
    return found


def _begun(reader: StoreReader, run: Run, least_A: float) -> Run:
    """The discharge from its very beginning: the end of the charge lies within the bucket before it."""
    start_ms, before_Ah = run.start_ms, 0.0
    rows = [
        (at_ms, row[CURRENT]) for at_ms, row in reader.rows([CURRENT], run.start_ms - BUCKET_MS, start_ms)
    ]
    later_ms = run.start_ms
    for at_ms, current_A in reversed(rows):
        if current_A > least_A:
            break
        before_Ah -= current_A * (later_ms - at_ms) / HOUR_MS
        start_ms = later_ms = at_ms
    return replace(run, start_ms=start_ms, taken_Ah=run.taken_Ah + before_Ah)


def _ready(
    site: Site, bank: BankDescription, reader: StoreReader, standing: Standing, so_far: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """What a test needs, each with whether it is so (None: it does not decide) and in words."""
    now_ms = standing.now.time_ms
    is_full = began_full(reader, now_ms, so_far["emptied_ms"])
    found = [
        _line(
            is_full,
            "The bank was told full within the last day.",
            "Charge the bank until it is full.",
            is_needed=True,
        ),
        *([] if so_far["is_counted"] else [_line(False, "", UNCOUNTED, is_needed=True)]),
        _line(
            so_far["drawn_A"] is not None,
            "Its current and voltage are read.",
            "Its current or voltage is not read now: see what the page says of the devices.",
            is_needed=True,
        ),
        _line(*_mild(standing.live("battery_temperature_C"))),
        _line(None, _metering_words(site), ""),
        _line(None, _load_words(bank, so_far["drawn_A"]), ""),
    ]
    if bank.monitor_A > still_A(bank):
        found.append(
            _line(
                False,
                "",
                f"The monitor itself draws {bank.monitor_A:.2f} A, more than the {still_A(bank):.2f} A at "
                "which this bank counts as resting: feed it from elsewhere while the bank rests.",
            )
        )
    return found


def _drawn_A(bank: BankDescription, standing: Standing) -> float | None:
    """The present load, 0 where the bank rests or is charged, None where that is not read."""
    current_A = standing.live(CURRENT)
    if current_A is None or standing.live(VOLTAGE) is None:
        return None
    return -current_A if current_A < -still_A(bank) else 0.0


def _watched(reader: StoreReader, now_ms: int) -> dict[str, Any] | None:
    """The test that somebody has begun, for as long as it is of now."""
    test = watched_test(reader.note(TEST_NOTE))
    if test is None or now_ms - test.at_ms > BACK_MS:
        return None
    return {
        "begun": iso_utc(test.begun_ms),
        "by": test.by,
        "seen": iso_utc(test.at_ms),
        "runs": test.runs,
        "says": test.says,
    }


def _is_counted(some: Sequence[Run]) -> bool:
    """Whether nothing was taken from the bank, since it was charged last, that nobody has seen."""
    return not some or some[-1].is_whole or not some[-1].is_open


def _line(is_met: bool | None, met: str, unmet: str, *, is_needed: bool = False) -> dict[str, Any]:
    """One thing that a test needs; is_needed: without it nothing can be watched at all."""
    return {"is_met": is_met, "words": unmet if is_met is False else met, "is_needed": is_needed}


def _mild(temperature_C: float | None) -> tuple[bool | None, str, str]:
    """Whether it is warm enough for a test, in words for both."""
    freezes_C = freezing_point_at_C(1 - TAKE)
    why = f"half empty, its acid freezes at {freezes_C:z.0f} °C, and the cold takes capacity"
    if temperature_C is None:
        return None, f"Test in mild weather: {why}.", ""
    unmet = f"The bank is at {temperature_C:z.0f} °C. Test in milder weather: {why}."
    return temperature_C >= MILD_C, f"The bank is at {temperature_C:z.0f} °C, mild enough.", unmet


def _metering_words(site: Site) -> str:
    if site.metering.level == "shunt":
        return "A shunt counts all that is taken."
    return (
        "The controller counts what runs through its load output alone: let nothing run that is wired to the"
        " bank past it."
    )


def _load_words(bank: BankDescription, drawn_A: float | None) -> str:
    usual_A = bank.capacity_Ah / LOAD_RATE_H
    text = (
        f"About {fine(usual_A)} A take half of it in {TAKE * LOAD_RATE_H:.0f} hours; the usual evening does"
    )
    if not drawn_A:
        return f"{text}."
    return f"{text}. {drawn_A:.3g} A are drawn now: {TAKE * bank.capacity_Ah / drawn_A:.0f} hours."
