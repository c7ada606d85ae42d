"""A capacity test step by step, from the store alone: what is ready and taken, when to stop, what it gave.

Nothing has to be told when a test begins: every discharge that began full is one if a rest follows. Nothing
is switched either: it tells the person what to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from monitor import cautions
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.tables import freezing_point_at_C
from monitor.capacity_report import (
    FULL_BEFORE_MS,
    HOUR_MS,
    HOW,
    METER_THEM,
    NOT_METERED,
    REST_MS,
    REST_PER_CAPACITY,
    SILENT_MS,
    began_full,
    capacity_document,
)
from monitor.care.capacity import SHALLOWEST
from monitor.care.digits import fine
from monitor.care.known import known_document
from monitor.care.runs import Run, runs
from monitor.care.stopping import TAKE, safe_cell_V
from monitor.present import Standing, standing_now
from monitor.records import iso_utc
from monitor.site.model import Site
from monitor.store.base import StoreReader

CURRENT = "battery_current_A"

BACK_MS = 72 * HOUR_MS
"""So far back a discharge is looked for (our choice: a test, its rest, and a day to read what it gave)."""

BUCKETS = 432
"""Ten minutes each."""

NO_LITHIUM = (
    "for LiFePO4 no correction is published; its own electronics count its charge, and its maker's sheet says"
    " how they are set right"
)

BEGUN = 0.02
"""A discharge that took a smaller share of the capacity is no test yet (our choice: what the monitor draws in
a night is none)."""

MILD_C = 5.0
"""A test begins at no lower temperature of the bank (our choice: its nights are then seldom hard frosts)."""

LOAD_RATE_H = 20
"""A load that would empty the bank in so many hours is the usual one (the rate at which it is rated)."""


def guide_document(site: Site, reader: StoreReader) -> dict[str, Any]:
    """Where a capacity test stands. site has its set points filled in; times are ISO 8601 UTC.

    phase is 'cannot' (why_not says why, help what would help, '' where nothing does), 'before', 'while'
    (discharge tells how far), 'rest' or 'after' (a test is over). result is the `capacity_document` of the
    discharge whose test is over, else of the last one in three days that told a capacity. to_charge says that
    the bank, after its test, waits for a charge. known is what is known of the capacity (`care.known`).
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
        "how": HOW,
        "cautions": [cautions.CODES, cautions.ORDER, cautions.ACID_AND_HYDROGEN],
    }
    if document["why_not"]:
        return document | {"phase": "cannot"}
    document["ready"] = _ready(site, bank, reader, standing)
    least_Ah = _capacity_Ah(document["known"])
    found = [run for run in _runs(reader, bank, now_ms) if began_full(reader, run.start_ms)]
    if found and found[-1].is_open and now_ms - found[-1].seen_ms <= SILENT_MS:
        document |= _present(site, bank, reader, standing, found.pop(), least_Ah)
    if document["result"] is None:
        document["result"] = _last_told(site, bank, reader, found)
        if document["result"] is not None and document["phase"] == "before":
            document["phase"] = "after"
    return document


def _present(
    site: Site, bank: BankDescription, reader: StoreReader, standing: Standing, run: Run, least_Ah: float
) -> dict[str, Any]:
    """What the discharge that nothing has ended yet changes in the document."""
    run = _begun(reader, run, _still_A(bank))
    rests, has_taken = run.seen_ms > run.end_ms, run.taken_Ah >= SHALLOWEST * least_Ah
    if rests:
        told = capacity_document(site, reader, run.start_ms, run.end_ms)
        is_over = has_taken and run.seen_ms - run.end_ms >= REST_MS
        if told["capacity_Ah"] is not None or is_over:
            return {"phase": "after", "result": told, "to_charge": True}
    if run.taken_Ah < BEGUN * least_Ah:
        return {}
    discharge = _discharge(bank, standing, run, least_Ah)
    phase = "rest" if rests and has_taken else "while"
    return {"phase": phase, "discharge": discharge}


def _last_told(
    site: Site, bank: BankDescription, reader: StoreReader, ended: Sequence[Run]
) -> dict[str, Any] | None:
    """What the last ended discharge that tells a capacity told, None where none does."""
    for each in reversed(ended):
        run = _begun(reader, each, _still_A(bank))
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
    buckets = reader.series(CURRENT, now_ms - BACK_MS, now_ms + 1, BUCKETS).buckets
    return runs(buckets, _still_A(bank))


def _begun(reader: StoreReader, run: Run, still_A: float) -> Run:
    """The discharge from its very beginning: the end of the charge lies within the bucket before it."""
    rows = reader.rows([CURRENT], run.start_ms - BACK_MS // BUCKETS, run.start_ms)
    charged_ms = [time_ms for time_ms, row in rows if row[CURRENT] > still_A]
    return replace(run, start_ms=charged_ms[-1] + 1) if charged_ms else run


def _still_A(bank: BankDescription) -> float:
    return REST_PER_CAPACITY * bank.capacity_Ah


def _ready(
    site: Site, bank: BankDescription, reader: StoreReader, standing: Standing
) -> list[dict[str, Any]]:
    """What a test needs, each with whether it is so (None: it does not decide) and in words."""
    now_ms = standing.now.time_ms
    fulls = [e.time_ms for e in reader.events(now_ms - FULL_BEFORE_MS, now_ms + 1) if e.kind == "full"]
    current_A, voltage_V = standing.live(CURRENT), standing.live("battery_voltage_V")
    found = [
        _line(
            bool(fulls), "The bank was told full within the last day.", "Charge the bank until it is full."
        ),
        _line(
            current_A is not None and voltage_V is not None,
            "Its current and voltage are read.",
            "Its current or voltage is not read now: see what the page says of the devices.",
        ),
        _line(*_mild(standing.live("battery_temperature_C"))),
        _line(None, _metering_words(site), ""),
        _line(None, _load_words(bank, current_A), ""),
    ]
    if bank.monitor_A > _still_A(bank):
        found.append(
            _line(
                False,
                "",
                f"The monitor itself draws {bank.monitor_A:.2f} A, more than the {_still_A(bank):.2f} A at "
                "which this bank counts as resting: feed it from elsewhere while the bank rests.",
            )
        )
    return found


def _line(is_met: bool | None, met: str, unmet: str) -> dict[str, Any]:
    return {"is_met": is_met, "words": unmet if is_met is False else met}


def _mild(temperature_C: float | None) -> tuple[bool | None, str, str]:
    """Whether it is warm enough for a test, in words for both."""
    freezes_C = freezing_point_at_C(1 - TAKE)
    why = f"half empty, its acid freezes at {freezes_C:.0f} °C, and the cold takes capacity"
    if temperature_C is None:
        return None, f"Test in mild weather: {why}.", ""
    unmet = f"The bank is at {temperature_C:.0f} °C. Test in milder weather: {why}."
    return temperature_C >= MILD_C, f"The bank is at {temperature_C:.0f} °C, mild enough.", unmet


def _metering_words(site: Site) -> str:
    if site.metering.level == "shunt":
        return "A shunt counts all that is taken."
    return (
        "The controller counts what runs through its load output alone: let nothing run that is wired to the"
        " bank past it."
    )


def _load_words(bank: BankDescription, current_A: float | None) -> str:
    usual_A = bank.capacity_Ah / LOAD_RATE_H
    text = (
        f"About {fine(usual_A)} A take half of it in {TAKE * LOAD_RATE_H:.0f} hours; the usual evening does"
    )
    if current_A is None or current_A >= -_still_A(bank):
        return f"{text}."
    return f"{text}. {-current_A:.3g} A are drawn now: {TAKE * bank.capacity_Ah / -current_A:.0f} hours."


def _discharge(bank: BankDescription, standing: Standing, run: Run, least_Ah: float) -> dict[str, Any]:
    """How far a discharge has come: what was taken, what may be, and when to stop; safe_V and hours_left are
    None while nothing is drawn."""
    current_A, voltage_V = standing.live(CURRENT), standing.live("battery_voltage_V")
    temperature_C = standing.live("battery_temperature_C")
    drawn_A = 0.0 if current_A is None else max(0.0, -current_A)
    left_Ah = TAKE * least_Ah - run.taken_Ah
    safe_V = hours_left = None
    if drawn_A > _still_A(bank):
        safe_cell = safe_cell_V(bank.chemistry, bank.capacity_Ah, drawn_A, temperature_C)
        safe_V, hours_left = round(bank.cells * safe_cell, 2), round(max(0.0, left_Ah) / drawn_A, 1)
    stop = ""
    if left_Ah <= 0:
        stop = "half of what the bank may hold is taken"
    elif voltage_V is not None and safe_V is not None and voltage_V <= safe_V:
        stop = f"the voltage is down at {voltage_V:.2f} V"
    return {
        "start": iso_utc(run.start_ms),
        "end": iso_utc(run.end_ms),
        "hours": round((run.end_ms - run.start_ms) / HOUR_MS, 2),
        "taken_Ah": round(run.taken_Ah, 1),
        "take_Ah": round(TAKE * least_Ah, 1),
        "drawn_A": round(drawn_A, 2),
        "voltage_V": voltage_V,
        "temperature_C": temperature_C,
        "safe_V": safe_V,
        "disconnect_V": bank.disconnect_V,
        "hours_left": hours_left,
        "rest_counts": iso_utc(run.end_ms + REST_MS),
        "stop": stop,
    }
