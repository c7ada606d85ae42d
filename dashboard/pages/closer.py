"""A closer look at any time: one or two quantities from years to seconds, as a part of 'Days'.

Without scripts each step is a link; assets/closer.js lets a finger move and spread the same pictures. The
address holds all that is shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from itertools import islice
from zoneinfo import ZoneInfo

from dashboard.csv_files import closer_address
from dashboard.local import day_text
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory, extra, file_link
from dashboard.picture import Picture
from dashboard.strip_picture import strip_picture
from dashboard.strips import (
    MOST_FLAWED,
    Strip,
    asked_there,
    changes_told,
    complete_text,
    flawed_text,
    rows_of,
    sentence,
    take_strips,
)
from dashboard.svg import SCALE_WIDTH
from dashboard.tags import Tag, html
from dashboard.time_marks import span_words
from dashboard.values import LABELS
from dashboard.view import LEAST_MS, MOST_MS, PATH, STEPS, View, address
from dashboard.words import unbroken
from monitor.errors import StoreError
from monitor.local_days import day_at
from monitor.present import now_of
from monitor.site.model import Site

KINDS = ("voltage", "current")
"""Looks of the first and the second strip, whatever they show."""

ROW_HEADS = ("From", "Lowest", "Mean", "Highest")


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Tag:
    """The page for the view that its address names."""
    zone = site.site.zone
    header = html.Header([html.H1(site.site.name), html.P("Days, a closer look", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            now_ms = now_of(reader).time_ms
            view, remarks, there = asked_there(query, reader, site, now_ms)
            strips = take_strips(reader, view, now_ms)
            read = reader.span()
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section(trouble, id="lead")])
    if not strips:
        return html.Main([header, html.Section(html.P("Nothing has been read here yet.", className="told"))])
    return html.Main(
        [
            header,
            lead(strips, view, remarks, site, now_ms, nearest(strips, view, read, zone)),
            html.Section(pictures(strips, view, site, now_ms, zone), className="across"),
            html.Section(steps(view, now_ms, zone), className="across", **extra(aria_label="Other times")),
            html.Div(
                html.Section(
                    [
                        flaws(strips, zone),
                        html.Div(file_link(closer_address(view, zone)), id="closer-files"),
                        table(strips, view, zone),
                    ]
                ),
                className="column",
            ),
            html.Div(others(view, there, zone), className="column"),
        ]
    )


def lead(
    strips: Sequence[Strip],
    view: View,
    remarks: Sequence[str],
    site: Site,
    now_ms: int,
    elsewhere: Sequence[Tag],
) -> Tag:
    """Which time, what had to be read otherwise, and each strip in words."""
    zone = site.site.zone
    return html.Section(
        html.Div(
            [
                html.H2(span_words(view.start_ms, view.end_ms, zone)),
                *(html.P(text, className="note") for text in (*remarks, *changes_told(view, zone))),
                *(
                    html.P(
                        unbroken(sentence(strip, view, site.bank.reserve_soc, now_ms, zone)),
                        id=f"closer-told-{at}",
                    )
                    for at, strip in enumerate(strips)
                ),
                *([html.P(whole, className="quiet")] if (whole := complete_text(strips)) else []),
                *elsewhere,
            ],
            id="closer-told",
            **extra(aria_live="polite"),
        ),
        id="lead",
    )


def nearest(strips: Sequence[Strip], view: View, read: tuple[int, int] | None, zone: ZoneInfo) -> list[Tag]:
    """Where nothing was read in the view: the way to the first or the last day with readings."""
    if read is None or any(strip.series.buckets for strip in strips):
        return []
    if view.end_ms <= read[0]:
        which, day = "first", day_at(zone, read[0])
    elif view.start_ms > read[1]:
        which, day = "last", day_at(zone, read[1])
    else:
        return []
    told = f"The {which} readings are of {day_text(day.day, year=True)}"
    return [html.P(link(told, which, view.over(day.start_ms, day.end_ms), zone), className="file")]


def pictures(strips: Sequence[Strip], view: View, site: Site, now_ms: int, zone: ZoneInfo) -> Tag:
    """The strips; what assets/closer.js needs of the view stands beside them."""
    parts: list[Tag] = []
    for at, (strip, kind) in enumerate(zip(strips, KINDS, strict=False)):
        drawn = strip_picture(strip, view, kind, site.bank.reserve_soc, now_ms, zone)
        parts += [
            html.P(strip.label, className="quiet plot-title"),
            html.Div(Picture(drawn), role="group", **extra(aria_labelledby=f"closer-told-{at}")),
        ]
    edges = {"from": view.start_ms, "to": view.end_ms, "now": now_ms, "least": LEAST_MS, "most": MOST_MS}
    told = {f"data_{name}": str(value) for name, value in edges.items()}
    return html.Div(parts, id="closer-pictures", **extra(data_scale=f"{SCALE_WIDTH:g}", **told))


def steps(view: View, now_ms: int, zone: ZoneInfo) -> list[Tag]:
    """Earlier, later, closer, wider, and the lengths to choose from."""
    later = view.beside(1, zone) if view.end_ms < now_ms else None
    moves = (
        ("← Earlier", "earlier", view.beside(-1, zone)),
        ("Closer", "closer", view.closer(now_ms, zone)),
        ("Wider", "wider", view.wider(now_ms, zone)),
        ("Later →", "later", later),
    )
    today = day_at(zone, now_ms)
    day_view = view.over(today.start_ms, today.end_ms)
    lengths = [
        link(step.text, step.text, view.stepped(step, now_ms, zone), zone)
        for step in STEPS
        if step.length_ms != view.length_ms and step.days != (view.whole_days(zone) or -1)
    ]
    return [
        html.P(
            [link(text, name, to, zone) for text, name, to in moves if to is not None],
            className="moves four",
            id="closer-moves",
        ),
        html.Details(
            [
                html.Summary("Other lengths"),
                html.P(
                    [link("Today", "today", day_view, zone), *lengths], className="moves", id="closer-lengths"
                ),
            ]
        ),
    ]


def link(text: str, name: str, to: View, zone: ZoneInfo) -> Tag:
    """A link within the page; the name lets the script give it the focus back."""
    return html.A(text, href=address(to, zone), **extra(data_move=name))


def flaws(strips: Sequence[Strip], zone: ZoneInfo) -> Tag:
    """In a very close look: what was doubtful or missing, and why."""
    parts: list[Tag] = []
    for strip in strips:
        if strip.flawed:
            items = [html.Li(unbroken(flawed_text(each, zone))) for each in islice(strip.flawed, MOST_FLAWED)]
            more = len(strip.flawed) - MOST_FLAWED
            rest = [html.P(f"And {more} more like these.")] if more > 0 else []
            parts += [
                html.H2(f"{strip.label}: doubtful (?) or missing (×)"),
                html.Ul(items, className="basis"),
                *rest,
            ]
    return html.Div(parts, id="closer-flaws")


def table(strips: Sequence[Strip], view: View, zone: ZoneInfo) -> Tag:
    """The same as a table; each row leads to its part."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in ROW_HEADS]))
    parts: list[Tag] = []
    for strip in strips:
        body = [
            html.Tr(
                [
                    html.Th(
                        html.A(row.time, href=address(view.over(row.start_ms, row.end_ms), zone)), scope="row"
                    ),
                    *(html.Td(text) for text in (row.lowest, row.mean, row.highest)),
                ]
            )
            for row in rows_of(strip, view, zone)
        ]
        rows = html.Table([heads, html.Tbody(body)], className="plain linked")
        parts += [html.H3(strip.label), html.Div(rows, className="wide")]
    return html.Details([html.Summary("As a table"), html.Div(parts, id="closer-table")])


def others(view: View, there: Sequence[str], zone: ZoneInfo) -> list[Tag]:
    """Other quantities, alone or as the second."""
    first = view.quantities[0]
    alone = [
        choice(
            name, replace(view, quantities=(name, *(q for q in view.quantities[1:] if q != name))), view, zone
        )
        for name in there
    ]
    second = [
        choice(name, replace(view, quantities=(first, name)), view, zone) for name in there if name != first
    ]
    if len(view.quantities) > 1:
        second.append(link("nothing", "nothing", replace(view, quantities=(first,)), zone))
    return [
        html.Section(
            [
                fold("Show something else", "closer-first", alone),
                fold("Show beside it", "closer-second", second),
            ]
        )
    ]


def choice(name: str, to: View, view: View, zone: ZoneInfo) -> Tag:
    return (
        html.Strong(LABELS[name]) if to.quantities == view.quantities else link(LABELS[name], name, to, zone)
    )


def fold(title: str, name: str, links: list[Tag]) -> Tag:
    return html.Details([html.Summary(title), html.P(links, className="moves", id=name)])


PAGE = Page(PATH, "A closer look", layout, under="Days", script="closer.js")
