"""What may stand in the hand-written log: one entry checked, from what a person asked for. Pure.

The page checks with the same function before it leaves the request, so that a person can mend what they
typed; the daemon checks again, since nothing else decides what is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from monitor.care.gravity import TEMPERATURE, as_gravity, cell_count, cell_of, gravities_of, gravity_words
from monitor.records import LogEntry, LogKind, Request
from monitor.site.model import Site

LOG, EDIT_LOG = "log", "edit log"
KINDS = (LOG, EDIT_LOG)
"""Kinds of requests that are done here."""

WATER = "water_L"
TIME, KIND, TEXT = "time_ms", "kind", "text"
"""Names in a request's details beside those of the entry's own details."""

LONGEST_TEXT, LONGEST_NAME = 1000, 40
"""Characters (our choice: a paragraph, and a name)."""

AHEAD_MS = 120_000
"""An entry may lie so far ahead: a phone's clock is not the monitor's (our choice)."""

EARLIEST_MS = 946_684_800_000
"""1 January 2000: what lies before is a wrong year (our choice)."""

MOST_WATER_L = 100.0
"""More at a time is a slip of the finger (our choice: a large bank's cells take a litre or two each)."""

TEMPERATURE_RANGE_C = (-40.0, 70.0)
"""What electrolyte can have and still be measured with a hydrometer (our choice)."""

DETAILS: Mapping[str, frozenset[str]] = {
    LogKind.HYDROMETER: frozenset({TEMPERATURE}),
    LogKind.WATER: frozenset({WATER}),
}
"""The numbers that belong to a kind, beside the cells' gravities."""

WET_ONLY = frozenset({LogKind.HYDROMETER, LogKind.WATER})
"""What only a flooded bank has."""


class LogRefused(ValueError):
    """An entry cannot stand in the log; the text says why and what to do. field is what it is about."""

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


def kinds_for(site: Site) -> tuple[LogKind, ...]:
    """The kinds of entries that a site's bank can have."""
    wet = site.bank.chemistry == "flooded"
    return tuple(kind for kind in LogKind if wet or kind not in WET_ONLY)


def entry_of(request: Request, site: Site, now_ms: int) -> LogEntry:
    """The entry that a request of the kinds 'log' or 'edit log' asks for. Raises LogRefused."""
    details = dict(request.details)
    kind = _kind(details.pop(KIND, request.subject) if request.kind == EDIT_LOG else request.subject, site)
    time_ms = _time_ms(details.pop(TIME, None), now_ms)
    text = _text(details.pop(TEXT, ""))
    by = clean_name(request.by)
    numbers = {name: _detail(name, value, kind, site) for name, value in details.items()}
    has_gravity = any(cell_of(name) is not None for name in numbers)
    if kind is LogKind.HYDROMETER and not has_gravity:
        raise LogRefused("Write the gravity of at least one cell.", "gravity_1")
    if kind is LogKind.NOTE and not text:
        raise LogRefused("Write a few words: a note without text says nothing.", TEXT)
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


def figures_words(entry: LogEntry) -> str:
    """The numbers of an entry in words, '' where it has none."""
    gravities = gravities_of(entry)
    if gravities is not None:
        return gravity_words(gravities)
    water_L = entry.details.get(WATER)
    return "" if water_L is None else f"{water_L:.1f} L."


def clean_name(by: str) -> str:
    """Who writes, in one line. Raises LogRefused for what is too long."""
    name = " ".join(by.split())
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise LogRefused(f"Write a name of at most {LONGEST_NAME} letters.", "by")
    return name


def _kind(word: object, site: Site) -> LogKind:
    try:
        kind = LogKind(str(word))
    except ValueError:
        raise LogRefused(
            f"The log has no entries of the kind {word!r}; there are {', '.join(LogKind)}."
        ) from None
    if kind not in kinds_for(site):
        raise LogRefused(
            f"A bank of the kind {site.bank.chemistry} is closed: it has no {kind} to write down."
        )
    return kind


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


def _detail(name: str, value: object, kind: LogKind, site: Site) -> float:
    number = _number(value)
    cell = cell_of(name) if kind is LogKind.HYDROMETER else None
    if cell is None and name not in DETAILS.get(kind, frozenset()):
        raise LogRefused(f"'{name}' does not belong to an entry of the kind {kind}.", name)
    if number is None:
        raise LogRefused(f"'{value}' is no number.", name)
    if cell is not None:
        if cell > cell_count(site.bank):
            raise LogRefused(f"The bank has {cell_count(site.bank)} cells, there is no cell {cell}.", name)
        try:
            return as_gravity(number)
        except ValueError as error:
            raise LogRefused(f"Cell {cell}: {error}.", name) from None
    if name == TEMPERATURE:
        low_C, high_C = TEMPERATURE_RANGE_C
        if not low_C <= number <= high_C:
            raise LogRefused(f"Electrolyte of {number:g} °C cannot be: write degrees Celsius.", name)
    elif not 0 < number <= MOST_WATER_L:
        raise LogRefused(
            f"{number:g} litres cannot be: write more than 0 and at most {MOST_WATER_L:g}.", name
        )
    return number


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
