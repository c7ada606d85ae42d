"""The page 'Care': what is due at bank and array, what was done, and the forms that write it down. No script.

Other parts of the page join by SECTIONS: each gets the store, the site and the visitor's hand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.care_due import CAPACITY_PATH, due_section, lead_sentence
from dashboard.care_due import WRITE as WANTED
from dashboard.care_forms import NEW, edit_section, new_section
from dashboard.care_rows import EDIT, LogRow, log_request, log_rows
from dashboard.clock_part import FORM, TELL, clock_section, time_request
from dashboard.forms import ONLY_LOOKS, Hand, lock_section, outcome_note, under_thumb
from dashboard.found import found_section
from dashboard.local import marked
from dashboard.notices import unreadable
from dashboard.pages.base import Ask, Page, ReaderFactory
from dashboard.view import LAST_MS
from dashboard.winter_part import winter_section
from dashboard.words import unbroken
from monitor import cautions
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.records import LogEntry, to_datetime
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader

PATH, WRITE = "/care", "/care/write"

SHOWN = 200
"""So many entries are listed (our choice: years of a small bank's care)."""

Section = Callable[[StoreReader, Site, Hand], list[Component]]


def _capacity_link(_reader: StoreReader, _site: Site, _hand: Hand) -> list[Component]:
    link = html.A("Test the capacity, step by step", href=CAPACITY_PATH)
    title = html.H2("The bank's capacity")
    return [html.Section([title, html.Div([link], className="moves")], className="screen-only")]


def _where_it_is_found(_reader: StoreReader, site: Site, hand: Hand) -> list[Component]:
    return [found_section(site, hand.url)] if hand.url else []


SECTIONS: tuple[Section, ...] = (_capacity_link, _where_it_is_found)
"""What stands below the log in any season."""


def layout(
    open_reader: ReaderFactory, site: Site, query: Mapping[str, str], hand: Hand = ONLY_LOOKS
) -> Component:
    """The page as of now; with forms for a hand that may write. In the cold, winter stands above the log."""
    from monitor.care_report import care_report  # not at the start of a process that may never be asked

    header = html.Header([html.H1(site.site.name), html.P("Care", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            now = now_of(reader)
            now_ms = now.time_ms
            due = care_report(with_defaults(site)[0], reader)
            clock = clock_section(reader, site, hand)
            entries = reader.log(0, LAST_MS, SHOWN)  # a clock may have been put back
            edited = _edited(reader, query) if hand.is_open else None
            winter, is_cold = winter_section(reader, site)
            more = [part for section in SECTIONS for part in section(reader, site, hand)]
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section([*outcome_note(hand), *trouble], id="lead")])
    today = to_datetime(now_ms).astimezone(site.site.zone).date()
    rows = log_rows(entries, now_ms, site)
    lead = [*outcome_note(hand), html.P(unbroken(lead_sentence(due, today)), className="told")]
    is_high = is_cold and edited is None
    asked: list[Any] = [due_section(due, today, PATH, is_open=hand.is_open), *([winter] if is_high else [])]
    if edited is not None:
        asked = [edit_section(site, hand, now_ms, edited, WRITE, PATH)]
    elif hand.is_open:
        asked.append(new_section(site, hand, now_ms, query.get(WANTED, ""), WRITE))
    below = [] if is_high else [winter]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div([*([] if now.is_known else clock), *asked, log_section(rows, hand)], className="column"),
            html.Div(
                [cautions_section(site), *(clock if now.is_known else []), *below, *more], className="column"
            ),
            *lock_section(hand, now_ms),
            *under_thumb(hand),
        ],
        className="care",
    )


def _edited(reader: StoreReader, query: Mapping[str, str]) -> LogEntry | None:
    """The entry that the address asks to change."""
    asked = query.get(EDIT, "")
    plain = asked.isascii() and asked.isdecimal() and len(asked) <= 15
    return reader.log_entry(int(asked)) if plain else None


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
        [html.H2("The log"), content, *([html.P(more, className="quiet")] if len(rows) == SHOWN else [])],
        className="long",
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
    if row.cells:
        parts.append(html.Details([html.Summary("Cell by cell"), _cells_table(row)]))
    if row.former:
        before = html.Ul([html.Li(each, className="written") for each in row.former])
        times = "once" if len(row.former) == 1 else f"{len(row.former)} times"
        parts.append(html.Details([html.Summary(f"Changed {times}; what it said before"), before]))
    if hand.is_open:
        parts.append(html.Div([html.A("Change", href=f"{PATH}?{EDIT}={row.id}")], className="moves"))
    return html.Li(parts, className="change", id=f"entry-{row.id}")


def _cells_table(row: LogRow) -> Component:
    """The hydrometer's readings one by one."""
    heads = ("Cell", "Read", f"At {marked('26.7')} °C", "Charge")
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    rows = [
        html.Tr([html.Th(name, scope="row"), *(html.Td(text) for text in rest)]) for name, *rest in row.cells
    ]
    return html.Table([head, html.Tbody(rows)], className="figures")


def cautions_section(site: Site) -> Component:
    """What to know before touching the system."""
    strings = site.array.strings_in_parallel if site.array is not None else 1
    texts = cautions.for_system(site.bank.chemistry, strings, site.works_at_V)
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
