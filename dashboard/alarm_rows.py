"""The alarms as the page tells them: what stands and what to do first, what has happened, how they do.

Pure but for `take_alarms`, which asks the store.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from zoneinfo import ZoneInfo

from dashboard.local import in_form
from dashboard.view import LAST_MS
from dashboard.words import age_text, clock_text, lasted_text, number
from monitor.alarms.figures import A_DAY_FOR_US, FLOOD_RAISES, Figures, figures
from monitor.alarms.requests import open_to
from monitor.alarms.rules import rules_of
from monitor.alarms.standing import in_order, standing_text, standing_words
from monitor.alarms.telling import is_told
from monitor.present import now_of
from monitor.records import DAY_MS, AlarmState, Condition, Transition
from monitor.site.model import Site
from monitor.store.base import StoreReader

FIGURES_DAYS = 30
HISTORY_LIMIT = 60
"""So many changes are listed, without those by which the design keeps a quiet alarm quiet (each dusk has
one); `nightbank alarms SITE history` has them all (our choice)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One standing alarm with what to do about it. lasting is how long it has stood, or how long ago one that
    is over began. asks are the kinds of requests that its state allows."""

    name: str
    priority: str
    state: str
    text: str
    lasting: str
    do_first: str
    caution: str
    asks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """One transition of an alarm: when, what became of it, the words of the moment, who asked for it."""

    time: str
    cause: str
    text: str
    by: str


@dataclass(frozen=True, slots=True)
class Alarms:
    """All that the page says, as of now_ms. shelved names the alarms that are shelved; aside are sentences on
    alarms that are shelved, suppressed or out of service; quiet the names of those watched without a cause;
    figures label and value with what it should be, of so many days: none where no alarm was ever judged."""

    now_ms: int
    sentence: str
    standing: tuple[Standing, ...]
    shelved: tuple[str, ...]
    aside: tuple[str, ...]
    quiet: tuple[str, ...]
    history: tuple[Change, ...]
    figures: tuple[tuple[str, str, str], ...]
    days: int


def take_alarms(reader: StoreReader, site: Site) -> Alarms:
    """The alarms of a site with its set points filled in. Raises StoreError."""
    zone = site.site.zone
    now_ms = now_of(reader).time_ms
    rules = {rule.name: rule for rule in rules_of(site)}
    states = [state for state in in_order(reader.alarms()) if state.name in rules]
    start_ms = now_ms - FIGURES_DAYS * DAY_MS
    transitions = reader.transitions(start_ms, LAST_MS, 1_000_000)  # a clock may have been put back
    standing = tuple(
        _standing(state, rules[state.name].do_first, rules[state.name].caution, now_ms, zone)
        for state in states
        if state.stands
    )
    told = (each for each in transitions if is_told(each))
    found = figures(transitions, states, start_ms, now_ms, zone)
    return Alarms(
        now_ms=now_ms,
        shelved=tuple(state.name for state in states if state.state == Condition.SHELVED),
        sentence=_sentence(standing, states),
        standing=standing,
        aside=tuple(_aside(states, now_ms, zone)),
        quiet=tuple(sorted(state.name for state in states if state.state == Condition.NORMAL)),
        history=tuple(_change(each, now_ms, zone) for each in islice(told, HISTORY_LIMIT)),
        figures=_figures(found),
        days=round((found.end_ms - found.start_ms) / DAY_MS) if states else 0,
    )


def _sentence(standing: Sequence[Standing], states: Sequence[AlarmState]) -> str:
    if not states:
        return "No alarm has been judged yet."
    if not standing:
        return f"No alarm stands; {len(states)} are watched."
    over = sum(state.is_over for state in states)
    if over == len(standing):
        waits = "one that is over waits" if over == 1 else f"{over} that are over wait"
        return f"No alarm is active; {waits} for your answer."
    urgent = sum(each.priority == "urgent" for each in standing)
    many = "One alarm stands" if len(standing) == 1 else f"{len(standing)} alarms stand"
    return f"{many}, {urgent} of them urgent." if urgent and len(standing) > 1 else f"{many}."


def _standing(state: AlarmState, do_first: str, caution: str, now_ms: int, zone: ZoneInfo) -> Standing:
    since_ms = state.raised_ms or state.since_ms
    text = in_form(standing_text(state.name, state.state, state.text)).rstrip(".")
    return Standing(
        state.name,
        state.priority,
        standing_words(state.state, clock_text(since_ms, now_ms, zone), first_out=state.first_out),
        f"{text[0].upper()}{text[1:]}.",
        age_text(now_ms - since_ms) if state.is_over else lasted_text(since_ms, now_ms),
        "" if state.is_over else in_form(do_first),
        "" if state.is_over else in_form(caution),
        open_to(state),
    )


def _aside(states: Sequence[AlarmState], now_ms: int, zone: ZoneInfo) -> list[str]:
    told = []
    for state in states:
        if state.state == Condition.SHELVED and state.shelved_until_ms is not None:
            told.append(f"{state.name} is shelved until {clock_text(state.shelved_until_ms, now_ms, zone)}.")
        elif state.state == Condition.SUPPRESSED:
            why = f" ({in_form(state.reason)})" if state.reason else ""
            told.append(f"{state.name} is not judged now{why}.")
        elif state.state == Condition.OUT_OF_SERVICE:
            told.append(f"{state.name} is out of service since {clock_text(state.since_ms, now_ms, zone)}.")
    return told


def _change(each: Transition, now_ms: int, zone: ZoneInfo) -> Change:
    return Change(clock_text(each.time_ms, now_ms, zone), each.cause, in_form(each.text), each.by)


def _figures(found: Figures) -> tuple[tuple[str, str, str], ...]:
    """Label, value, and what is aimed at."""
    return (
        ("Raised a day", number(found.per_day, 2), f"at most {number(A_DAY_FOR_US, 0)}"),
        ("Most within 10 minutes", str(found.peak), f"at most {FLOOD_RAISES}"),
        ("Chattering", _names(found.chattering), "none"),
        ("Gone within a minute", _names(found.fleeting), "none"),
        ("Standing for over a day", _names(found.stale), "none"),
        ("Most frequent", _names(list(found.frequent)[:3]), ""),
    )


def _names(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"
