"""What a page with forms is made of: what its visitor may do now, and the forms themselves. No script."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from dash import html
from dash.development.base_component import Component

from dashboard.field import Field
from dashboard.lock import NO_PIN, State
from dashboard.tags import Node

TOKEN = "form_token"
"""The name under which a form sends its one-time token."""


IS_COPY = (
    "This is a copy of what the site keeps: here you can only look. Alarms are answered and the log is"
    " written at the site, on its own page or by its own commands."
)

SAID = {State.NO_PIN: NO_PIN, State.COPY: IS_COPY}
"""Why a page takes nothing."""


class Mistyped(ValueError):
    """What was typed cannot be taken as it is; the text says what to mend, field where."""

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


def _no_token(_form: str, _seen_ms: int) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class Hand:
    """What a visitor may do on a page now.

    token gives a form's one-time token, for a page that shows a moment. outcome is what became of what was
    asked for last. typed is what was sent and could not be taken, fault why. path is the page's own address,
    url the whole of it as this visitor sees it.
    """

    state: State = State.NO_PIN
    token: Callable[[str, int], str] = _no_token
    outcome: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    fault: Mistyped | None = None
    path: str = "/"
    url: str = ""

    @property
    def is_open(self) -> bool:
        return self.state is State.OPEN


ONLY_LOOKS = Hand()
"""A visitor who may do nothing."""


def form(action: str, token: str, content: Sequence[Node], **attributes: Any) -> Component:
    """A form that can be sent once. Several forms of a page may share a token: the first one sent uses it."""
    sent: list[Any] = [hidden(TOKEN, token), *content]
    return html.Form(sent, action=action, method="post", autoComplete="off", **attributes)


def hidden(name: str, value: str) -> Component:
    """Something that a form sends and nobody types."""
    return Field(type="hidden", name=name, value=value)


def labelled(label: str, control: Node, hint: str = "") -> Component:
    """A control under its label, with a word on how to fill it in."""
    parts: list[Any] = [html.Span(label), control, *([html.Small(hint)] if hint else [])]
    return html.Label(parts, className="field")


def under_thumb(hand: Hand, content: Sequence[Component] = ()) -> list[Component]:
    """What stays under the thumb while the page moves: the way to unlock it, or what it offers first."""
    if hand.state is State.LOCKED:
        link = html.A("Unlock with the PIN", href=f"/unlock?back={quote(hand.path, safe='')}")
        content = [html.Div([link], className="moves")]
    return [html.Section(list(content), className="hands")] if content else []


def lock_section(hand: Hand, seen_ms: int) -> list[Component]:
    """How to have the page take something at all, or how to lock it again."""
    if hand.state in SAID:
        return [html.Section(html.P(SAID[hand.state], className="quiet"), className="lock")]
    if hand.state is State.LOCKED:
        return []
    again = form("/lock", hand.token("lock", seen_ms), [hidden("back", hand.path), html.Button("Lock again")])
    return [html.Section([html.Span("Unlocked on this phone.", className="quiet"), again], className="lock")]


def outcome_note(hand: Hand) -> list[Component]:
    """What became of what was asked for last, or what to mend."""
    if hand.fault is not None:
        return [html.P(str(hand.fault), className="notice alarm", role="alert", id="outcome")]
    return (
        [html.P(hand.outcome, className="notice daemon", role="status", id="outcome")] if hand.outcome else []
    )
