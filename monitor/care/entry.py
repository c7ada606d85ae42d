"""What may stand in the hand-written log: one entry checked, from what a person asked for. Pure.

The page checks with the same function before it leaves the request, so that a person can mend what they
typed; the daemon checks again, since nothing else decides what is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from monitor.care.digits import fine
from monitor.care.gravity import cell_of, gravities_of, gravity_words
from monitor.care.numbers import BAND, CAPACITY, WATER, belongs, checked, rated_at_20_h
from monitor.care.units import unit_count, unit_field, unit_of, unit_words, units_of
from monitor.records import LogEntry, LogKind, Request
from monitor.site.chemistry import USUAL
from monitor.site.model import Bank, Site

LOG, EDIT_LOG = "log", "edit log"
KINDS = (LOG, EDIT_LOG)
"""Kinds of requests that are done here."""

TIME, KIND, TEXT = "time_ms", "kind", "text"
"""Names in a request's details beside those of the entry's own details."""

LONGEST_TEXT, LONGEST_NAME = 1000, 40
"""Characters (our choice: a paragraph, and a name)."""

AHEAD_MS = 120_000
"""An entry may lie so far ahead: a phone's clock is not the monitor's (our choice)."""

EARLIEST_MS = 946_684_800_000
"""1 January 2000: what lies before is a wrong year (our choice)."""

WET_ONLY = frozenset({LogKind.HYDROMETER, LogKind.WATER})
"""What only a flooded bank has."""


class LogRefused(ValueError):
    """An entry cannot stand in the log; the text says why and what to do. field is what it is about."""

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


def kinds_for(site: Site) -> tuple[LogKind, ...]:
    """The kinds of entries that a site's bank can have."""
    return tuple(kind for kind in LogKind if not _why_not(kind, site.bank))


def entry_of(request: Request, site: Site, now_ms: int) -> LogEntry:
    """The entry that a request of the kinds 'log' or 'edit log' asks for. Raises LogRefused."""
    details = dict(request.details)
    word = details.pop(KIND, request.subject) if request.kind == EDIT_LOG else request.subject
    kind = _kind(word, site.bank)
    time_ms = _time_ms(details.pop(TIME, None), now_ms)
    text = _text(details.pop(TEXT, ""))
    by = clean_name(request.by)
    numbers = {name: _detail(name, value, kind, site.bank) for name, value in details.items()}
    _complete(kind, numbers, text)
    return LogEntry(time_ms, kind, text, numbers, by, request.time_ms)


def changed(before: LogEntry, after: LogEntry) -> LogEntry | None:
    """The entry with a new wording that keeps the former ones; None where nothing differs."""
    if (before.time_ms, before.kind, before.text, before.details) == (
        after.time_ms,
        after.kind,
        after.text,
        after.details,
    ):
        return None
    return replace(after, id=before.id, former=(*before.former, replace(before, former=())))


def figures_words(entry: LogEntry, bank: Bank | None = None) -> str:
    """The numbers of an entry in words, '' where it has none; judged where the bank that they belong to has
    to be known for it and is."""
    gravities = gravities_of(entry)
    if gravities is not None:
        return gravity_words(gravities, bank)
    units = None if bank is None else units_of(entry, bank)
    if units is not None:
        return unit_words(units)
    volts = [value for name, value in entry.details.items() if unit_of(name) is not None]
    if volts:
        return f"{min(volts):.2f} to {max(volts):.2f} V."
    if CAPACITY in entry.details:
        return capacity_words(entry, bank)
    water_L = entry.details.get(WATER)
    return "" if water_L is None else f"{water_L:.1f} L."


def capacity_words(entry: LogEntry, bank: Bank | None) -> str:
    """A tested capacity with its band, and as a share of the rated one where the bank is known."""
    capacity_Ah, band_Ah = entry.details[CAPACITY], entry.details.get(BAND)
    known = "" if band_Ah is None else f" ± {fine(band_Ah)}"
    text = f"{fine(capacity_Ah)}{known} Ah at the 20-hour rate"
    if bank is None:
        return f"{text}."
    rated_Ah = rated_at_20_h(bank)
    return f"{text}, {100 * capacity_Ah / rated_Ah:.0f} % of the rated {fine(rated_Ah)} Ah."


def clean_name(by: str) -> str:
    """Who writes, in one line. Raises LogRefused for what is too long."""
    name = " ".join(by.split())
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise LogRefused(f"Write a name of at most {LONGEST_NAME} letters.", "by")
    return name


def _complete(kind: LogKind, numbers: Mapping[str, float], text: str) -> None:
    """Raise LogRefused where that for which a kind of entry is there is missing."""
    if kind is LogKind.HYDROMETER and not any(cell_of(name) is not None for name in numbers):
        raise LogRefused("Write the gravity of at least one cell.", "gravity_1")
    if kind is LogKind.VOLTAGES and not numbers:
        raise LogRefused("Write the voltage of at least one battery.", unit_field(1))
    if kind is LogKind.CAPACITY and CAPACITY not in numbers:
        raise LogRefused("Write the capacity that the test gave, in Ah at the 20-hour rate.", CAPACITY)
    if kind is LogKind.CAPACITY and numbers.get(BAND, 0.0) >= numbers[CAPACITY]:
        raise LogRefused("What may be off by all of itself is no capacity: look at both numbers.", BAND)
    if kind is LogKind.NOTE and not text:
        raise LogRefused("Write a few words: a note without text says nothing.", TEXT)


def _kind(word: object, bank: Bank) -> LogKind:
    try:
        kind = LogKind(str(word))
    except ValueError:
        raise LogRefused(
            f"The log has no entries of the kind {word!r}; there are {', '.join(LogKind)}."
        ) from None
    why = _why_not(kind, bank)
    if why:
        raise LogRefused(why)
    return kind


def _why_not(kind: LogKind, bank: Bank) -> str:
    """Why a bank can have no entry of a kind, '' where it can."""
    if kind in WET_ONLY and bank.chemistry != "flooded":
        what = "water to add" if kind is LogKind.WATER else "acid to measure"
        return f"A bank of the kind {USUAL[bank.chemistry].words} is closed: it has no {what}."
    if kind is LogKind.EQUALIZATION and USUAL[bank.chemistry].equalization is None:
        words = USUAL[bank.chemistry].words
        return f"A bank of the kind {words} must not be equalized: if it was done, write it down as a note."
    if kind is LogKind.VOLTAGES and unit_count(bank) == 1:
        return "The bank is one battery: there is no other to compare its voltage with."
    return ""


def _time_ms(value: object, now_ms: int) -> int:
    time_ms = _number(value)
    if time_ms is None:
        raise LogRefused("Say when it was done.", TIME)
    if time_ms > now_ms + AHEAD_MS:
        raise LogRefused("That time has not come yet: write when it was done.", TIME)
    if time_ms < EARLIEST_MS:
        raise LogRefused("That is before the year 2000: look at the year.", TIME)
    return round(time_ms)


def _text(value: object) -> str:
    text = str(value or "").replace("\r\n", "\n").strip()
    if len(text) > LONGEST_TEXT:
        raise LogRefused(
            f"The text has {len(text)} characters, {LONGEST_TEXT} is the most: split it into two entries.",
            TEXT,
        )
    if not all(each.isprintable() or each == "\n" for each in text):
        raise LogRefused("The text holds characters that cannot be shown: type it again.", TEXT)
    return text


def _detail(name: str, value: object, kind: LogKind, bank: Bank) -> float:
    if not belongs(name, kind):
        raise LogRefused(f"'{name}' does not belong to an entry of the kind {kind}.", name)
    number = _number(value)
    if number is None:
        raise LogRefused(f"'{value}' is no number.", name)
    try:
        return checked(name, number, kind, bank)
    except ValueError as error:
        raise LogRefused(str(error), name) from None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
