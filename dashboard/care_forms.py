"""The forms of the page 'Care' that write something down: one for each kind of entry, folded away."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.care_rows import BY, EDIT, KIND_WORDS, WHEN, typed_of, when_text
from dashboard.field import Field
from dashboard.forms import Hand, form, hidden, labelled
from dashboard.local import marked
from dashboard.pages.base import extra
from monitor.care.entry import KIND, LONGEST_NAME, LONGEST_TEXT, TEXT, kinds_for
from monitor.care.gravity import GRAVITY, TEMPERATURE, cell_count, cell_name
from monitor.care.howto import HINTS, MIND
from monitor.care.numbers import BAND, CAPACITY, WATER
from monitor.care.units import unit_count, unit_field, unit_name
from monitor.records import LogEntry, LogKind
from monitor.site.model import Site

NEW = "log"
"""The name of the forms that write something new."""


def edit_section(site: Site, hand: Hand, now_ms: int, entry: LogEntry, action: str, back: str) -> Component:
    """The form that changes an entry; action is where it is sent, back the page without it."""
    typed = hand.typed or typed_of(entry, site.site.zone)
    kind = typed.get(KIND, entry.kind)
    token = hand.token(f"edit {entry.id}", now_ms)
    content = [hidden(EDIT, str(entry.id)), *_fields(site, kind, typed, _wrong(hand))]
    return html.Section(
        [
            html.H2(f"Change: {KIND_WORDS.get(kind, kind).lower()}"),
            html.P("What stood there before stays readable.", className="quiet"),
            form(action, token, [*content, html.Button("Change it", className="main")]),
            html.Div([html.A("Leave it as it was", href=back)], className="moves"),
        ],
        id="edit",
    )


def new_section(site: Site, hand: Hand, now_ms: int, wanted: str, action: str) -> Component:
    """A form for each kind of entry, folded away but for the wanted one and one that is to be mended."""
    token = hand.token(NEW, now_ms)
    usual = {WHEN: when_text(now_ms, site.site.zone)}
    parts = []
    for kind in kinds_for(site):
        mine = hand.typed.get(KIND) == kind
        typed = hand.typed if mine else usual
        button = html.Button("Write it down", className="main")
        body = form(action, token, [*_fields(site, kind, typed, _wrong(hand) if mine else ""), button])
        is_open = mine or (wanted == kind and not hand.typed)
        parts.append(html.Details([html.Summary(KIND_WORDS[kind]), body], open=is_open, id=f"write-{kind}"))
    return html.Section([html.H2("Write down"), *parts], className="screen-only")


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
    found += _numbers(site, kind, typed, wrong)
    text = html.Textarea(
        typed.get(TEXT, ""), name=TEXT, rows=3, maxLength=LONGEST_TEXT, required=kind == LogKind.NOTE
    )
    found.append(labelled("Note" if kind == LogKind.NOTE else "Note, if you like", text))
    by = _field(BY, typed, wrong, type="text", maxLength=str(LONGEST_NAME))
    found.append(labelled("Who, if you like", by))
    return found


def _numbers(site: Site, kind: str, typed: Mapping[str, str], wrong: str) -> list[Component]:
    """The fields of the numbers that belong to a kind of entry."""
    bank = site.bank
    if kind == LogKind.HYDROMETER:
        told = (
            f"Specific gravity as read, such as {marked('1.265')} or 1265. Cells are counted from the"
            " positive pole."
        )
        temperature = labelled(
            "Electrolyte temperature, °C",
            _figure(TEMPERATURE, typed, wrong),
            "Without it the readings cannot be corrected.",
        )
        cells = {f"{GRAVITY}{cell}": cell_name(bank, cell) for cell in range(1, cell_count(bank) + 1)}
        return [*_many(told, cells, typed, wrong), temperature]
    if kind == LogKind.VOLTAGES:
        told = f"In volts, such as {marked('6.31')}. Batteries are counted from the positive pole."
        units = {unit_field(unit): unit_name(bank, unit) for unit in range(1, unit_count(bank) + 1)}
        return _many(told, units, typed, wrong)
    if kind == LogKind.CAPACITY:
        return [
            labelled("Capacity, Ah", _figure(CAPACITY, typed, wrong), "At the 20-hour rate."),
            labelled("Off by at most, Ah", _figure(BAND, typed, wrong), "To either side, if you know it."),
        ]
    return [labelled("Water, litres in all", _figure(WATER, typed, wrong))] if kind == LogKind.WATER else []


def _many(told: str, names: Mapping[str, str], typed: Mapping[str, str], wrong: str) -> list[Component]:
    """A field for each cell or battery."""
    fields = [labelled(word.capitalize(), _figure(name, typed, wrong)) for name, word in names.items()]
    return [html.P(told), html.Div(fields, className="cells")]


def _figure(name: str, typed: Mapping[str, str], wrong: str) -> Component:
    return _field(name, typed, wrong, type="text", inputMode="decimal", maxLength="8")
