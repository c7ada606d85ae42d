"""The hand-written log as the page tells it, and what people type into its forms. Pure.

What is typed becomes a request here; `monitor.care.entry` decides whether it can stand in the log, for the
page and again for the daemon.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from dashboard.forms import Mistyped
from dashboard.local import in_form, marked
from dashboard.words import clock_text
from monitor.care.entry import EDIT_LOG, KIND, LOG, TEXT, TIME, LogRefused, entry_of, figures_words
from monitor.care.gravity import GRAVITY, TEMPERATURE, cell_count, cell_of, cell_rows, gravities_of
from monitor.care.numbers import BAND, CAPACITY, WATER
from monitor.care.units import unit_count, unit_field
from monitor.records import LogEntry, LogKind, Request, to_datetime, to_ms
from monitor.site.model import Bank, Site

WHEN, BY, EDIT = "when", "by", "edit"
"""Names of the forms' fields beside those of an entry's details."""

KIND_WORDS: Mapping[str, str] = {
    LogKind.HYDROMETER: "Hydrometer reading",
    LogKind.WATER: "Water added",
    LogKind.VOLTAGES: "Voltages of the batteries",
    LogKind.EQUALIZATION: "Equalization",
    LogKind.TERMINALS: "Terminals looked at",
    LogKind.CLEANING: "Panels cleaned",
    LogKind.CAPACITY: "Capacity tested",
    LogKind.NOTE: "Note",
}

NOBODY = "the page"
"""Who has written where no name was typed."""


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry as the page tells it. figures are its numbers in words; former its earlier wordings, the last
    one first, each with when it was written; cells the hydrometer's readings one by one: name, as read,
    corrected, charge."""

    id: int
    time: str
    kind: str
    figures: str
    text: str
    by: str
    written: str
    former: tuple[str, ...]
    cells: tuple[tuple[str, str, str, str], ...] = ()


def log_rows(entries: Sequence[LogEntry], now_ms: int, site: Site) -> tuple[LogRow, ...]:
    """The entries of the log for a person."""
    zone = site.site.zone
    return tuple(_row(entry, now_ms, zone, site.bank) for entry in entries)


def _row(entry: LogEntry, now_ms: int, zone: ZoneInfo, bank: Bank) -> LogRow:
    former = tuple(_former(each, now_ms, zone, bank) for each in reversed(entry.former))
    gravities = gravities_of(entry)
    return LogRow(
        entry.id,
        clock_text(entry.time_ms, now_ms, zone),
        KIND_WORDS.get(entry.kind, entry.kind),
        in_form(figures_words(entry, bank)),
        entry.text,
        entry.by,
        clock_text(entry.written_ms, now_ms, zone),
        former,
        () if gravities is None else tuple(_cell(row) for row in cell_rows(gravities, bank)),
    )


def _cell(row: tuple[str, str, str, str]) -> tuple[str, str, str, str]:
    name, read, corrected, charge = row
    return name, in_form(read), in_form(corrected), charge


def _former(entry: LogEntry, now_ms: int, zone: ZoneInfo, bank: Bank) -> str:
    kind = KIND_WORDS.get(entry.kind, entry.kind)
    said = " ".join(part for part in (f"{kind}.", in_form(figures_words(entry, bank)), entry.text) if part)
    written = clock_text(entry.written_ms, now_ms, zone)
    return f"{written}, by {entry.by}: done {clock_text(entry.time_ms, now_ms, zone)}. {said}"


def typed_of(entry: LogEntry, zone: ZoneInfo) -> dict[str, str]:
    """An entry as its form would hold it, its numbers as the phone writes them."""
    typed = {
        EDIT: str(entry.id),
        KIND: entry.kind,
        WHEN: when_text(entry.time_ms, zone),
        BY: "" if entry.by == NOBODY else entry.by,
        TEXT: entry.text,
    }
    for name, value in entry.details.items():
        typed[name] = marked(f"{value:.3f}" if cell_of(name) is not None else f"{value:g}")
    return typed


def when_text(time_ms: int, zone: ZoneInfo) -> str:
    """A local time as a browser's field for one holds it."""
    return f"{to_datetime(time_ms).astimezone(zone):%Y-%m-%dT%H:%M}"


def log_request(typed: Mapping[str, str], site: Site, now_ms: int) -> Request:
    """The request of what was typed into a form of the log. Raises Mistyped."""
    zone = site.site.zone
    details: dict[str, str | float | None] = {
        TIME: float(_time_ms(typed.get(WHEN, ""), zone)),
        TEXT: typed.get(TEXT, ""),
    }
    cells = [f"{GRAVITY}{cell}" for cell in range(1, cell_count(site.bank) + 1)]
    units = [unit_field(unit) for unit in range(1, unit_count(site.bank) + 1)]
    names = [*cells, *units, TEMPERATURE, WATER, CAPACITY, BAND]
    for name in names:
        value = _number(typed.get(name, ""), name)
        if value is not None:
            details[name] = value
    kind = typed.get(KIND, "")
    by = typed.get(BY, "").strip() or NOBODY
    if EDIT in typed:
        details[KIND] = kind
        asked = Request(now_ms, EDIT_LOG, typed[EDIT][:20], details, by)
    else:
        asked = Request(now_ms, LOG, kind, details, by)
    try:
        entry_of(asked, site, now_ms)
    except LogRefused as refused:
        raise Mistyped(in_form(str(refused)), WHEN if refused.field == TIME else refused.field) from None
    return asked


def _time_ms(text: str, zone: ZoneInfo) -> int:
    try:
        moment = datetime.fromisoformat(text.strip())
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        raise Mistyped("Say when it was done, such as 2026-11-25T19:30.", WHEN) from None


def _number(text: str, name: str) -> float | None:
    """A number with a point or a comma, None for an empty field."""
    plain = text.strip().replace(",", ".").replace("−", "-")
    if not plain:
        return None
    try:
        return float(plain)
    except ValueError:
        raise Mistyped(f"“{text.strip()[:30]}” is no number.", name) from None
