"""The bank's capacity as a part of 'Care': a test step by step, and what is known of it. No script.

What it tells is the store's; it switches nothing. The result is written down behind the PIN.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dash.development.base_component import Component

from dashboard.care_due import CAPACITY_PATH as PATH
from dashboard.care_rows import BY, NOBODY, WHEN, log_request, when_text
from dashboard.field import Field
from dashboard.forms import (
    ONLY_LOOKS,
    Hand,
    Mistyped,
    form,
    hidden,
    labelled,
    lock_section,
    outcome_note,
    under_thumb,
)
from dashboard.local import day_text, in_form
from dashboard.notices import unreadable
from dashboard.pages.base import Ask, Asked, Page, ReaderFactory
from dashboard.pages.care import PATH as CARE_PATH
from dashboard.tags import Node, Tag, html
from dashboard.words import dated_text, unbroken
from monitor.alarms.capacity_test import BEGIN, END
from monitor.alarms.telling import clock_words
from monitor.care.entry import AHEAD_MS, EARLIEST_MS, KIND, LONGEST_NAME, TEXT, LogRefused, clean_name
from monitor.care.numbers import BAND, CAPACITY
from monitor.errors import StoreError
from monitor.records import DAY_MS, LogKind, Request, parse_iso, to_datetime, to_ms
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader

WRITE, FORM = "/care/capacity/write", "capacity"
BEGIN_PATH, END_PATH, WATCH_FORM = "/care/capacity/begin", "/care/capacity/end", "capacity watch"
FROM, TO = "from", "to"
"""Names in the page's address: local times between which a discharge lay."""

SAME_MS = 60_000
"""A test in the log is the one that is shown if the two end within a minute: forms know no seconds."""

LONGEST_MS = 14 * DAY_MS
"""A longer discharge is a slip (our choice: Peukert's correction is published for at most 100 hours)."""

MARKS = {True: "✓ ", False: "✗ ", None: ""}


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str], hand: Hand = ONLY_LOOKS) -> Tag:
    """The page as of now, or for the discharge that its address names."""
    from monitor.capacity.guide import guide_document  # not at the start of a process that may never be asked
    from monitor.capacity.words import guide_sentence

    header = html.Header([html.H1(site.site.name), html.P("Capacity test", className="quiet")])
    zone = site.site.zone
    try:
        with closing(open_reader()) as reader:
            guide = guide_document(with_defaults(site)[0], reader)
            now_ms = parse_iso(guide["time"])
            asked, trouble = _asked(reader, site, query, now_ms)
    except StoreError as error:
        told = unreadable(error, site)
        return html.Main([header, html.Section([*outcome_note(hand), *told], id="lead")])

    def clock_of(time_ms: int) -> str:
        return clock_words(time_ms, now_ms, zone)  # plain: `_said` writes it as the phone does

    lead = [*outcome_note(hand), html.P(_said(guide_sentence(guide, clock_of)), className="told")]
    result = asked if asked is not None else guide["result"]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div(
                [
                    *_standing_section(guide, clock_of),
                    *_watch_section(guide, hand, now_ms, clock_of),
                    *([] if result is None else [_result_section(guide, result, hand, now_ms, zone)]),
                    *_steps_section(guide),
                ],
                className="column",
            ),
            html.Div(
                [_known_section(guide, zone), _cautions_section(guide), _other_section(query, trouble)],
                className="column",
            ),
            *lock_section(hand, now_ms),
            *under_thumb(hand),
        ],
        className="care",
    )


def _said(text: str) -> str:
    """A sentence that came ready-made, as the phone writes its numbers."""
    return unbroken(in_form(text))


def _standing_section(guide: Mapping[str, Any], clock_of: Callable[[int], str]) -> list[Tag]:
    """What is ready, and how far a discharge has come."""
    from monitor.capacity.words import discharge_words

    found: list[Tag] = []
    if guide["phase"] == "before":
        lines = [html.Li(f"{MARKS[each['is_met']]}{_said(each['words'])}") for each in guide["ready"]]
        found.append(html.Ul(lines, id="ready"))
    if guide["discharge"] is not None:
        words = discharge_words(guide["discharge"], clock_of)
        found += [html.P(_said(line), className="discharge") for line in words]
    return [html.Section([html.H2("Where it stands"), *found])] if found else []


def _watch_section(
    guide: Mapping[str, Any], hand: Hand, now_ms: int, clock_of: Callable[[int], str]
) -> list[Tag]:
    """Whether somebody is called when the test is to end, and the button that asks for it or ends it."""
    from monitor.capacity.words import watched_words

    words = watched_words(guide, clock_of)
    if not words:
        return []
    runs = guide["watched"] is not None and guide["watched"]["runs"]
    content: list[Node] = [html.H2("A call at its end"), html.P(_said(words))]
    if hand.is_open and runs:
        button = html.Button("Watch it no longer")
        content.append(form(END_PATH, hand.token(WATCH_FORM, now_ms), [button]))
    elif hand.is_open:
        by = Field(type="text", name=BY, value="", maxLength=str(LONGEST_NAME))
        fields: list[Node] = [
            labelled("Who, if you like", by),
            html.Button("Have it watched", className="main"),
        ]
        content.append(form(BEGIN_PATH, hand.token(WATCH_FORM, now_ms), fields))
    return [html.Section(content, id="watch")]


def _result_section(
    guide: Mapping[str, Any], result: Mapping[str, Any], hand: Hand, now_ms: int, zone: ZoneInfo
) -> Tag:
    """What a discharge told, and the form that writes it down."""
    from monitor.capacity.words import capacity_sentence

    start_ms, end_ms = parse_iso(result["from"]), parse_iso(result["to"])
    span = f"From {dated_text(start_ms, zone)} to {dated_text(end_ms, zone)}."
    content: list[Node] = [html.H2("What it gave"), html.P(span, className="quiet")]
    if result is not guide["result"] or guide["phase"] != "after":  # else the page has said it already
        content.append(html.P(_said(capacity_sentence(result))))
    if result["capacity_Ah"] is None:
        return html.Section(content, id="result")
    content.append(html.P(f"{_said(result['why'])}.", className="quiet"))
    tested = guide["known"]["tested"]
    if tested is not None and abs(parse_iso(tested) - end_ms) < SAME_MS:
        content.append(html.P("It stands in the log."))
    elif hand.is_open:
        content.append(_write_form(result, hand, now_ms, zone))
    return html.Section(content, id="result")


def _write_form(result: Mapping[str, Any], hand: Hand, now_ms: int, zone: ZoneInfo) -> Component:
    from monitor.capacity.report import log_details

    kept = log_details(result)
    fixed = {
        KIND: str(LogKind.CAPACITY),
        WHEN: when_text(parse_iso(result["to"]), zone),
        TEXT: str(kept[TEXT]),
        CAPACITY: str(kept[CAPACITY]),
        BAND: str(kept[BAND]),
        FROM: when_text(parse_iso(result["from"]), zone),
        TO: when_text(parse_iso(result["to"]), zone),
    }
    by = Field(type="text", name=BY, value=hand.typed.get(BY, ""), maxLength=str(LONGEST_NAME))
    fields = [hidden(name, value) for name, value in fixed.items()]
    content: list[Node] = [
        *fields,
        labelled("Who, if you like", by),
        html.Button("Write it down", className="main"),
    ]
    return form(WRITE, hand.token(FORM, now_ms), content)


def _steps_section(guide: Mapping[str, Any]) -> list[Tag]:
    from monitor.capacity.words import guide_steps

    if guide["phase"] == "cannot":
        return (
            [html.Section([html.H2("What would help"), html.P(_said(guide["help"]))])]
            if guide["help"]
            else []
        )
    steps: list[Tag] = []
    for head, words in guide_steps(guide):
        steps += [html.H3(head), html.P(_said(words))]
    switches = html.P("The monitor switches nothing: loads and disconnects are yours.", className="quiet")
    return [html.Section([html.H2("Step by step"), *steps, switches], id="steps")]


def _known_section(guide: Mapping[str, Any], zone: ZoneInfo) -> Tag:
    """What is known of the capacity, each beside where it is from."""
    from monitor.capacity.words import NOT_USED, known_words

    def day_of(time: str) -> str:
        return day_text(to_datetime(parse_iso(time)).astimezone(zone).date(), year=True)

    rows = [
        html.Tr([html.Th(name, scope="row"), html.Td(_said(value))])
        for name, value in known_words(guide["known"], day_of)
    ]
    return html.Section(
        [
            html.H2("The bank's capacity, at the 20-hour rate"),
            html.Table(html.Tbody(rows), className="plain"),
            html.P(NOT_USED, className="quiet"),
        ],
        id="known",
    )


def _cautions_section(guide: Mapping[str, Any]) -> Tag:
    texts = html.Ul([html.Li(text) for text in guide["cautions"]])
    return html.Section(html.Details([html.Summary("Before you touch anything"), texts]))


def _other_section(query: Mapping[str, str], trouble: str) -> Tag:
    """The form that asks for a discharge of another time: by the page's address, so that it needs no PIN."""
    fields = [
        labelled(
            word, Field(type="datetime-local", name=name, value=query.get(name, ""), required=True), hint
        )
        for word, name, hint in (("It began", FROM, "The bank full."), ("It ended", TO, "The last load off."))
    ]
    button = html.Button("What did it tell?")
    asks = html.Form([*fields, button], action=PATH, method="get")
    wrong = [html.P(trouble, className="notice alarm", role="alert")] if trouble else []
    back = html.Div([html.A("← Care", href=CARE_PATH)], className="moves")
    body = html.Details([html.Summary("A discharge of another time"), *wrong, asks], open=bool(trouble))
    return html.Section([body, back], className="screen-only")


def _asked(
    reader: StoreReader, site: Site, query: Mapping[str, str], now_ms: int
) -> tuple[dict[str, Any] | None, str]:
    """What the discharge that the address names tells, None without one; and what is wrong with its times."""
    if FROM not in query and TO not in query:
        return None, ""
    from monitor.capacity.report import capacity_document

    zone = site.site.zone
    try:
        start_ms, end_ms = (_time_ms(query.get(name, ""), zone) for name in (FROM, TO))
    except (ValueError, OverflowError):
        return None, "Say when it began and when it ended, such as 2026-11-25T19:30."
    if end_ms <= start_ms:
        return None, "It must end after it began: look at both times."
    if start_ms < EARLIEST_MS or end_ms > now_ms + AHEAD_MS:
        return None, "It must lie behind us and in this century: look at both dates."
    if end_ms - start_ms > LONGEST_MS:
        return None, "No discharge takes longer than two weeks: look at both times."
    return capacity_document(with_defaults(site)[0], reader, start_ms, end_ms), ""


def _watch(kind: str, typed: Mapping[str, str], when: Asked) -> Request:
    """What is left for the daemon. Raises Mistyped for a name that is none."""
    try:
        by = clean_name(typed.get(BY, "")) or NOBODY
    except LogRefused as refused:
        raise Mistyped(str(refused), BY) from None
    return Request(when.now_ms, kind, "", {}, by)


def _time_ms(text: str, zone: ZoneInfo) -> int:
    moment = datetime.fromisoformat(text.strip())
    return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))


PAGE = Page(
    PATH,
    "Capacity test",
    layout,
    under="Care",
    asks=(
        Ask(WRITE, lambda _typed: FORM, lambda typed, site, when: log_request(typed, site, when.now_ms)),
        Ask(BEGIN_PATH, lambda _typed: WATCH_FORM, lambda typed, _site, when: _watch(BEGIN, typed, when)),
        Ask(END_PATH, lambda _typed: WATCH_FORM, lambda typed, _site, when: _watch(END, typed, when)),
    ),
)
