"""The page 'Care': what was done at bank and array, and the forms that write it down. No script.

Other parts of the page join by SECTIONS: each gets the store, the site and the visitor's hand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from typing import Any
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboard.care_rows import (
    BY,
    EDIT,
    KIND_WORDS,
    WHEN,
    LogRow,
    log_request,
    log_rows,
    typed_of,
    when_text,
)
from dashboard.clock_part import FORM, TELL, clock_section, time_request
from dashboard.field import Field
from dashboard.forms import ONLY_LOOKS, Hand, form, hidden, labelled, lock_section, outcome_note, under_thumb
from dashboard.found import found_section
from dashboard.local import marked
from dashboard.notices import unreadable
from dashboard.pages.base import Ask, Page, ReaderFactory, extra
from dashboard.view import LAST_MS
from dashboard.winter_part import winter_section
from dashboard.words import unbroken
from monitor import cautions
from monitor.care.entry import (
    KIND,
    LONGEST_NAME,
    LONGEST_TEXT,
    TEXT,
    WATER,
    kinds_for,
)
from monitor.care.gravity import GRAVITY, TEMPERATURE, cell_count, cell_name
from monitor.care.howto import HINTS, MIND
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.records import LogEntry, LogKind
from monitor.site.model import Site
from monitor.store.base import StoreReader

PATH, WRITE = "/care", "/care/write"
NEW = "log"

SHOWN = 200
"""So many entries are listed (our choice: years of a small bank's care)."""

Section = Callable[[StoreReader, Site, Hand], list[Component]]


def _where_it_is_found(_reader: StoreReader, site: Site, hand: Hand) -> list[Component]:
    return [found_section(site, hand.url)] if hand.url else []


SECTIONS: tuple[Section, ...] = (winter_section, _where_it_is_found)
"""What stands below the log."""


def layout(
    open_reader: ReaderFactory, site: Site, query: Mapping[str, str], hand: Hand = ONLY_LOOKS
) -> Component:
    """The page as of now; with forms for a hand that may write."""
    header = html.Header([html.H1(site.site.name), html.P("Care", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            now = now_of(reader)
            now_ms = now.time_ms
            clock = clock_section(reader, site, hand)
            entries = reader.log(0, LAST_MS, SHOWN)  # a clock may have been put back
            edited = _edited(reader, query) if hand.is_open else None
            more = [part for section in SECTIONS for part in section(reader, site, hand)]
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section([*outcome_note(hand), *trouble], id="lead")])
    zone = ZoneInfo(site.site.time_zone)
    rows = log_rows(entries, now_ms, zone)
    forms = _forms(site, hand, now_ms, zone, edited) if hand.is_open else []
    lead = [*outcome_note(hand), html.P(_sentence(rows), className="told")]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div([*([] if now.is_known else clock), *forms, log_section(rows, hand)], className="column"),
            html.Div([cautions_section(site), *(clock if now.is_known else []), *more], className="column"),
            *lock_section(hand, now_ms),
            *under_thumb(hand),
        ]
    )


def _sentence(rows: tuple[LogRow, ...]) -> str:
    if not rows:
        return "Nothing has been written down yet."
    return f"Last written down: {rows[0].kind.lower()}, {rows[0].time}."


def _edited(reader: StoreReader, query: Mapping[str, str]) -> LogEntry | None:
    """The entry that the address asks to change."""
    asked = query.get(EDIT, "")
    plain = asked.isascii() and asked.isdecimal() and len(asked) <= 15
    return reader.log_entry(int(asked)) if plain else None


def _forms(site: Site, hand: Hand, now_ms: int, zone: ZoneInfo, edited: LogEntry | None) -> list[Component]:
    """The form of the entry to change, else one for each kind, folded away."""
    if edited is not None:
        typed = hand.typed or typed_of(edited, zone)
        kind = typed.get(KIND, edited.kind)
        token = hand.token(f"edit {edited.id}", now_ms)
        content = [hidden(EDIT, str(edited.id)), *_fields(site, kind, typed, _wrong(hand))]
        leave = html.A("Leave it as it was", href=PATH)
        return [
            html.Section(
                [
                    html.H2(f"Change: {KIND_WORDS.get(kind, kind).lower()}"),
                    html.P("What stood there before stays readable.", className="quiet"),
                    form(WRITE, token, [*content, html.Button("Change it", className="main")]),
                    html.Div([leave], className="moves"),
                ],
                id="edit",
            )
        ]
    token = hand.token(NEW, now_ms)
    usual = {WHEN: when_text(now_ms, zone)}
    parts = []
    for kind in kinds_for(site):
        mine = hand.typed.get(KIND) == kind
        typed = hand.typed if mine else usual
        button = html.Button("Write it down", className="main")
        body = form(WRITE, token, [*_fields(site, kind, typed, _wrong(hand) if mine else ""), button])
        parts.append(html.Details([html.Summary(KIND_WORDS[kind]), body], open=mine, id=f"write-{kind}"))
    return [html.Section([html.H2("Write down"), *parts])]


def _wrong(hand: Hand) -> str:
    """The name of the field that is to be mended, '' where none is."""
    return "" if hand.fault is None else hand.fault.field


def _field(name: str, typed: Mapping[str, str], wrong: str, **attributes: Any) -> Component:
    """A field as it was typed; the one to be mended is marked and has the cursor."""
    to_mend = {"autoFocus": True, **extra(aria_invalid="true")} if name == wrong else {}
    return Field(name=name, value=typed.get(name, ""), **attributes, **to_mend)


def _fields(site: Site, kind: str, typed: Mapping[str, str], wrong: str) -> list[Component]:
    """The fields of a kind of entry, with what to mind before them."""
    found: list[Component] = [hidden(KIND, kind)]
    found += [html.P(["Mind: ", text], className="mind") for text in MIND.get(kind, ())]
    if kind in HINTS:
        found.append(html.P(HINTS[kind], className="quiet"))
    when = _field(WHEN, typed, wrong, type="datetime-local", required=True)
    found.append(labelled("Done", when, f"Local time of the site, {site.site.time_zone}."))
    if kind == LogKind.HYDROMETER:
        found += _cells(site, typed, wrong)
        found.append(
            labelled(
                "Electrolyte temperature, °C",
                _figure(TEMPERATURE, typed, wrong),
                "Without it the readings cannot be corrected.",
            )
        )
    if kind == LogKind.WATER:
        found.append(labelled("Water, litres in all", _figure(WATER, typed, wrong)))
    text = html.Textarea(
        typed.get(TEXT, ""), name=TEXT, rows=3, maxLength=LONGEST_TEXT, required=kind == LogKind.NOTE
    )
    found.append(labelled("Note" if kind == LogKind.NOTE else "Note, if you like", text))
    by = _field(BY, typed, wrong, type="text", maxLength=str(LONGEST_NAME))
    found.append(labelled("Who, if you like", by))
    return found


def _cells(site: Site, typed: Mapping[str, str], wrong: str) -> list[Component]:
    bank = site.bank
    fields = [
        labelled(cell_name(bank, cell).capitalize(), _figure(f"{GRAVITY}{cell}", typed, wrong))
        for cell in range(1, cell_count(bank) + 1)
    ]
    told = html.P(
        f"Specific gravity as read, such as {marked('1.265')} or 1265. Cells are counted from the positive"
        " pole."
    )
    return [told, html.Div(fields, className="cells")]


def _figure(name: str, typed: Mapping[str, str], wrong: str) -> Component:
    return _field(name, typed, wrong, type="text", inputMode="decimal", maxLength="8")


def log_section(rows: tuple[LogRow, ...], hand: Hand) -> Component:
    """What was written down, the newest first."""
    items = [_log_item(row, hand) for row in rows]
    content = (
        html.Ul(items, id="log") if items else html.P("Here stands what you write down of the bank's care.")
    )
    more = (
        f"These are the newest {SHOWN}. On the page's computer “nightbank log”, the site file and"
        " “list --limit 1000” tell older ones."
    )
    return html.Section(
        [html.H2("The log"), content, *([html.P(more, className="quiet")] if len(rows) == SHOWN else [])]
    )


def _log_item(row: LogRow, hand: Hand) -> Component:
    parts: list[Component] = [
        html.Span(f"{row.time}  ", className="quiet"),
        html.Strong(row.kind),
        html.Small(f"by {row.by}, written {row.written}"),
    ]
    if row.figures:
        parts.append(html.P(unbroken(row.figures)))
    if row.text:
        parts.append(html.P(row.text, className="written"))
    if row.former:
        before = html.Ul([html.Li(each, className="written") for each in row.former])
        times = "once" if len(row.former) == 1 else f"{len(row.former)} times"
        parts.append(html.Details([html.Summary(f"Changed {times}; what it said before"), before]))
    if hand.is_open:
        parts.append(html.Div([html.A("Change", href=f"{PATH}?{EDIT}={row.id}")], className="moves"))
    return html.Li(parts, className="change", id=f"entry-{row.id}")


def cautions_section(site: Site) -> Component:
    """What to know before touching the system."""
    strings = site.array.strings_in_parallel if site.array is not None else 1
    texts = cautions.for_system(site.bank.chemistry, strings)
    return html.Section(
        html.Details([html.Summary("Before you touch anything"), html.Ul([html.Li(text) for text in texts])])
    )


def _form_name(typed: Mapping[str, str]) -> str:
    return f"edit {typed[EDIT]}" if EDIT in typed else NEW


PAGE = Page(
    PATH,
    "Care",
    layout,
    asks=(
        Ask(WRITE, _form_name, lambda typed, site, when: log_request(typed, site, when.now_ms)),
        Ask(TELL, lambda _typed: FORM, lambda typed, site, when: time_request(typed, site, when.now_ms)),
    ),
)
