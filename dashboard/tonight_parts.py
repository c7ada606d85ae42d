"""What the sections of the page 'Tonight' hold, made of its words (`summary.Tonight`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.csv_files import NIGHT
from dashboard.figures import history_rows
from dashboard.notices import notice
from dashboard.pages.base import extra, file_link
from dashboard.picture import Picture
from dashboard.snapshot import History
from dashboard.summary import Tonight
from dashboard.tags import Node, html
from dashboard.values import Value
from dashboard.words import unbroken
from monitor.present import Look

Content = list[Node | str]

TAGS = {Look.LIVE: "", Look.STALE: "old", Look.SUSPECT: "doubtful", Look.MISSING: "missing"}
"""The word beside a value that is not simply live; the style sheet adds a shape, never colour alone."""


def lead_part(tonight: Tonight) -> Content:
    """The answer: whether the bank lasts where that is known, and in any case how it stands. What presses
    comes before it, a capacity test that runs and what stands besides after it.
    """
    night = tonight.night
    answer = tonight.sentence if night is None else night.sentence
    beside = [] if night is None else [html.P(unbroken(tonight.sentence), id="bank-sentence")]
    kind = "sentence" if night is None or night.fresh else "sentence old"
    return [
        *(notice(item) for item in tonight.notices),
        html.P(unbroken(answer), className=kind, id="sentence"),
        *beside,
        *([html.P(unbroken(tonight.test), id="capacity-test")] if tonight.test else []),
        *(notice(item, aloud=False) for item in tonight.standing),
    ]


def night_part(tonight: Tonight, *, alone: bool) -> Content:
    """The night line with its words, and what switching off would bring."""
    night = tonight.night
    if night is None:
        return []
    return [
        html.Div(Picture(night.picture), role="img", **extra(aria_labelledby="night-told")),
        html.P(unbroken(night.told), id="night-told"),
        *([] if alone else [file_link(NIGHT)]),
        *([html.Ul([html.Li(each) for each in night.reliefs], id="reliefs")] if night.reliefs else []),
    ]


def hours_part(tonight: Tonight) -> Content:
    """The night line as rows of a table."""
    return [
        html.Tr([html.Th(time, scope="row"), html.Td(likely), html.Td(spread)])
        for time, likely, spread in (() if tonight.night is None else tonight.night.rows)
    ]


def charge_part(tonight: Tonight) -> Content:
    charge = tonight.charge.figure
    basis = html.Ul([html.Li(words) for words in tonight.charge.basis], className="basis", id="basis")
    return [
        html.P(
            [
                html.Span("Charge ", className="label"),
                html.Span(charge.text, **marks(charge)),
                html.Span(
                    [*tag(charge), html.Span(tonight.charge.beside, className="quiet")], className="beside"
                ),
            ],
            className="figure-line",
        ),
        *([basis] if tonight.charge.basis else []),
    ]


def value_rows(values: Sequence[Value]) -> Content:
    """A table row a quantity: label, value with its look, age; and under it what to know of it."""
    rows: Content = []
    for value in values:
        cells = [
            html.Th(value.label, scope="row"),
            html.Td(value.text, **marks(value)),
            html.Td([html.Span(value.age), *tag(value)], className="age"),
        ]
        rows += [html.Tr(cells, className=f"row {value.look}"), *note_row(value.note, f"under {value.look}")]
    return rows


def note_row(note: str, look: str) -> Content:
    """A row across the table that belongs to the row above, none where there is nothing to say."""
    return [html.Tr(html.Td(note, colSpan=3), className=look)] if note else []


def marks(value: Value) -> dict[str, Any]:
    """Class and data attributes of a shown value, for the style sheet and for programs that read the page."""
    known = {} if value.number is None else {"data-value": f"{value.number:g}"}
    return {"className": f"value {value.look}", "data-quantity": value.quantity, **known}


def tag(value: Value) -> list[Node]:
    return [html.Span(TAGS[value.look], className="tag")] if TAGS[value.look] else []


def today_part(tonight: Tonight) -> Content:
    rows: Content = []
    for total in tonight.totals:
        cells = [
            html.Th(total.label, scope="row"),
            html.Td(total.energy, **total_marks(f"{total.quantity}_Wh", total.energy_Wh)),
            html.Td(total.charge, **total_marks(f"{total.quantity}_Ah", total.charge_Ah)),
        ]
        rows += [html.Tr(cells), *note_row(total.note, "under")]
    table = html.Table(html.Tbody(rows), className="values")
    return [table, *([html.P(tonight.day_note, className="note")] if tonight.day_note else [])]


def total_marks(name: str, number_or_none: float | None) -> dict[str, Any]:
    known = {} if number_or_none is None else {"data-value": f"{number_or_none:.6g}"}
    look = Look.MISSING if number_or_none is None else Look.LIVE
    return {"className": f"value {look}", "data-total": name, **known}


def table_rows(history: History, zone: ZoneInfo) -> Content:
    """The chart's facts for those who cannot see it."""
    return [
        html.Tr(
            [
                html.Th(row.time, scope="row"),
                html.Td(row.voltage),
                html.Td(row.voltage_range),
                html.Td(row.current),
            ]
        )
        for row in history_rows(history, zone)
    ]


def alarms_part(tonight: Tonight, *, alone: bool) -> Content:
    rows = [
        html.Li(
            [
                html.Strong(unbroken(row.text)),
                html.Small(unbroken(f"{row.priority} priority, {row.state} ({row.lasting})")),
            ],
            className="alarm",
        )
        for row in tonight.alarms
    ]
    answer = [] if alone else [html.Div(html.A("Answer them", href="/alarms"), className="moves")]
    return [
        *([html.Ul(rows), *answer] if rows else []),
        *([html.P(tonight.alarm_note)] if tonight.alarm_note else []),
    ]


def devices_part(tonight: Tonight) -> Content:
    if not tonight.devices:
        return [html.P("No device has been asked yet.")]
    return [
        html.Ul(
            [
                html.Li(
                    [
                        html.Strong(row.name),
                        f" {row.headline}",
                        *(html.Small(detail) for detail in row.details),
                    ],
                    className=f"device {row.state.replace(' ', '-')}",
                    **extra(data_device=row.name),
                )
                for row in tonight.devices
            ]
        )
    ]


def answered_part(as_of: str, turns: str = "") -> Content:
    """When the page last heard from its server; turns tells the scripts the site's nights."""
    return [
        html.Span(f"As of {as_of}, local time of the site.", id="as-of", **extra(data_turns=turns)),
    ]
