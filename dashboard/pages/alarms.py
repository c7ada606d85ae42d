"""The page 'Alarms': what stands and what to do first, what has happened, how the alarms do; and, unlocked,
the answers: acknowledge, reset, shelve, unshelve. No script."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from dash import html
from dash.development.base_component import Component

from dashboard.alarm_rows import FIGURES_DAYS, Alarms, Standing, take_alarms
from dashboard.forms import ONLY_LOOKS, Hand, Mistyped, form, hidden, lock_section, outcome_note, under_thumb
from dashboard.notices import unreadable
from dashboard.pages.base import Ask, Asked, Page, ReaderFactory, extra
from dashboard.words import unbroken
from monitor.alarms.requests import ALL, ON_PAGE, SEEN
from monitor.errors import StoreError
from monitor.records import Request
from monitor.site.load import with_defaults
from monitor.site.model import Site

PATH = "/alarms"
ASK, FORM = "/alarms/ask", "answer"
BY = "the page"
LONGEST_NAME = 60
"""Characters of an alarm's name in a site file."""

SHELF_S = {
    "1 hour, while you work on it": 3600.0,
    "8 hours, for the night": 8 * 3600.0,
    "24 hours, the longest": 24 * 3600.0,
}
"""For how long an alarm can be shelved with one tap (our choice; any other time on the command line)."""

FIGURE_HEADS = ("Figure", "Found", "Aim")


def layout(
    open_reader: ReaderFactory, site: Site, _query: Mapping[str, str], hand: Hand = ONLY_LOOKS
) -> Component:
    """The page as of now, with buttons for a hand that may answer."""
    header = html.Header([html.H1(site.site.name), html.P("Alarms", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            alarms = take_alarms(reader, with_defaults(site)[0])
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section([*outcome_note(hand), *trouble], id="lead")])
    token = hand.token(FORM, alarms.now_ms) if hand.is_open else ""
    lead = [
        *outcome_note(hand),
        html.P(alarms.sentence, className="told"),
        *(html.P(unbroken(text)) for text in alarms.aside),
    ]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div(
                [*standing_section(alarms, token), *shelved_section(alarms, token), *watched_section(alarms)],
                className="column",
            ),
            html.Div([history_section(alarms), *figures_section(alarms)], className="column"),
            *lock_section(hand, alarms.now_ms),
            *under_thumb(hand, answer_all(alarms, token)),
        ]
    )


def answer_all(alarms: Alarms, token: str) -> list[Component]:
    """The button that acknowledges whatever waits for it."""
    waiting = waiting_for_answer(alarms)
    if not (token and waiting):
        return []
    label = "Acknowledge all" if waiting > 1 else "Acknowledge"
    button = html.Button(label, name="kind", value="acknowledge", className="main")
    return [form(ASK, token, [hidden("subject", ALL), button])]


def waiting_for_answer(alarms: Alarms) -> int:
    return sum("acknowledge" in each.asks for each in alarms.standing)


def standing_section(alarms: Alarms, token: str) -> list[Component]:
    if not alarms.standing:
        return []
    alone = waiting_for_answer(alarms) == 1  # its button is the one under the thumb
    items = [standing_item(each, token, alone=alone) for each in alarms.standing]
    return [html.Section([html.H2("Standing"), html.Ul(items)])]


def shelved_section(alarms: Alarms, token: str) -> list[Component]:
    """Unshelve buttons; which alarms are shelved, and until when, stands in the lead."""
    if not (alarms.shelved and token):
        return []
    forms = [
        form(
            ASK,
            token,
            [hidden("subject", name), html.Button(f"Unshelve {name}", name="kind", value="unshelve")],
        )
        for name in alarms.shelved
    ]
    return [html.Section([html.H2("Shelved"), *forms], className="answers")]


def answers(each: Standing, token: str, *, alone: bool) -> list[Component]:
    """The buttons for what can be asked of an alarm now; none without a token. alone says that it is the only
    one that waits for an acknowledgement."""
    if not token:
        return []
    now = [
        html.Button(kind.capitalize(), name="kind", value=kind)
        for kind in each.asks
        if kind == "reset" or (kind == "acknowledge" and not alone)
    ]
    found = [form(ASK, token, [hidden("subject", each.name), *now], className="answers")] if now else []
    if "shelve" in each.asks:
        times = [
            html.Button(label, name="kind", value=f"shelve {for_s:g}") for label, for_s in SHELF_S.items()
        ]
        content = [html.Summary("Be left alone by it for a time"), hidden("subject", each.name), *times]
        found.append(form(ASK, token, [html.Details(content)], className="answers"))
    return found


def asked_for(typed: Mapping[str, str], _site: Site, when: Asked) -> Request:
    """The request of a button. Raises Mistyped for what no button of the page sends."""
    kind, _, for_s = typed.get("kind", "").partition(" ")
    subject = typed.get("subject", "")
    lengths = {f"{length:g}": length for length in SHELF_S.values()}
    is_shelving = kind == "shelve"
    if kind not in ON_PAGE or not subject or (for_s in lengths) != is_shelving:
        raise Mistyped("This is none of the page's buttons; nothing was done.")
    details: dict[str, str | float | None] = {SEEN: float(when.seen_ms)}
    if is_shelving:
        details["for_s"] = lengths[for_s]
    return Request(when.now_ms, kind, subject[:LONGEST_NAME], details, BY)


def standing_item(each: Standing, token: str, *, alone: bool) -> Component:
    """What stands, what to do first, what to mind, and the answers."""
    parts: list[Component] = [
        html.Strong(unbroken(each.text)),
        html.Small(unbroken(f"{each.priority} priority, {each.state} ({each.lasting})")),
    ]
    if each.do_first:
        parts.append(html.P(["First: ", each.do_first], className="first-thing"))
    if each.caution:
        parts.append(html.P(["Mind: ", each.caution], className="mind"))
    parts += answers(each, token, alone=alone)
    return html.Li(parts, className="alarm", **extra(data_alarm=each.name))


def history_section(alarms: Alarms) -> Component:
    if not (alarms.history or alarms.days):
        content: Component = html.P("No change is on record.")
    elif not alarms.history:
        content = html.P(f"Nothing has changed in the last {FIGURES_DAYS} days.")
    else:
        content = html.Ul(
            [
                html.Li(
                    [
                        html.Span(f"{each.time}  ", className="quiet"),
                        html.Strong(each.cause),
                        html.Small([unbroken(each.text), f", by {each.by}" if each.by else ""]),
                    ],
                    className="change",
                )
                for each in alarms.history
            ],
            id="history",
        )
    return html.Section([html.H2("What has happened"), content])


def watched_section(alarms: Alarms) -> list[Component]:
    if not alarms.quiet:
        return []
    names = html.Ul([html.Li(name) for name in alarms.quiet])
    return [html.Section(html.Details([html.Summary(f"{len(alarms.quiet)} watched and quiet"), names]))]


def figures_section(alarms: Alarms) -> list[Component]:
    """How the alarms do, each figure beside what is aimed at; nothing where no alarm was ever judged."""
    if not alarms.days:
        return []
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in FIGURE_HEADS]))
    body = html.Tbody(
        [
            html.Tr([html.Th(label, scope="row"), html.Td(value), html.Td(aim)])
            for label, value, aim in alarms.figures
        ]
    )
    return [
        html.Section(
            [
                html.H2(f"How they do, {alarms.days} {'day' if alarms.days == 1 else 'days'}"),
                html.Table([heads, body], className="figures"),
            ]
        )
    ]


PAGE = Page(PATH, "Alarms", layout, asks=(Ask(ASK, lambda _typed: FORM, asked_for),))
