"""How a mirror's state goes on, and what of it a person is told: each trouble once while it lasts. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from monitor.errors import ServerError, Trouble
from monitor.mirror.state import Refused, State
from monitor.notices.words import duration
from monitor.records import DAY_MS, Event
from monitor.served.delivery import channels_of
from monitor.store.mirrored_place import Channel

AWAY_TOLD_MS = DAY_MS
"""A server that has taken nothing for so long is told as an event (our choice: a night without a network is
nothing to tell)."""

AWAY = "away"
"""Under which name the state keeps that this was told."""

NO_ERASING = "no erasing"
"""The same of a server that deletes nothing."""

ANOTHER = "another"
"""The same of another site of this name on the server."""

KIND = "mirror"
"""The kind of the events."""

_SPELLS = frozenset({AWAY, Trouble.DENIED.value})


def after_refusals(
    state: State, name: str, refused: Sequence[Refused], taken_of: set[Channel], now_ms: int
) -> State:
    """An event for each channel that is refused, again only after it was taken in between."""
    told = dict.fromkeys(state.told)
    words = {channel: each.words for each in refused for channel in channels_of(each.point)}
    for channel in taken_of - words.keys():
        told.pop(spell_of(channel), None)
    untold = [*state.untold]
    for channel, said in words.items():
        if spell_of(channel) not in told:
            told[spell_of(channel)] = None
            device, quantity = channel
            text = (
                f"The server does not take {quantity} of {device}: {said}. Such values are set aside "
                "(nightbank mirror shows them); all others go on."
            )
            untold.append(Event(now_ms, KIND, name, text))
    return replace(state, told=tuple(told), untold=tuple(untold))


def after_success(state: State, name: str, taken: int, refused: int, now_ms: int) -> State:
    """The server took lines (or at least said which it refuses)."""
    untold = state.untold
    if state.failing_ms is not None and _SPELLS.intersection(state.told):
        text = f"The server takes readings again, after {duration(now_ms - state.failing_ms)}."
        untold = (*untold, Event(now_ms, KIND, name, text))
    return replace(
        state,
        untold=untold,
        taken=state.taken + taken,
        refused=state.refused + refused,
        taken_ms=now_ms,
        failing_ms=None,
        error="",
        next_ms=None,
        told=tuple(each for each in state.told if each not in _SPELLS),
    )


def after_failure(state: State, name: str, error: ServerError, now_ms: int, next_ms: int) -> State:
    """The server took nothing; next_ms is when it is tried again."""
    failing_ms = now_ms if state.failing_ms is None else state.failing_ms
    state = replace(state, failing_ms=failing_ms, error=str(error), next_ms=next_ms)
    spell = ""
    if error.trouble is Trouble.DENIED:
        spell, text = Trouble.DENIED.value, f"The server takes nothing: {error}."
    elif now_ms - failing_ms >= AWAY_TOLD_MS:
        spell, text = AWAY, f"The server has taken nothing for a day: {error}."
    if not spell or spell in state.told:
        return state
    event = Event(now_ms, KIND, name, f"{text} Nothing is lost; it is tried again.")
    return replace(state, told=(*state.told, spell), untold=(*state.untold, event))


def after_no_erasing(state: State, name: str, words: str, now_ms: int) -> State:
    """The server cannot take out what was replaced."""
    if NO_ERASING in state.told:
        return state
    text = (
        f"The server does not delete: {words}. Estimates that others were put in the place of stay in the "
        "copy beside these; everything else goes on."
    )
    event = Event(now_ms, KIND, name, text)
    return replace(state, told=(*state.told, NO_ERASING), untold=(*state.untold, event))


def after_look(state: State, name: str, ours: str, there: str | None, now_ms: int) -> State:
    """What the server has of the site's record, after ours was given: whether another site has its name."""
    told = tuple(each for each in state.told if each != ANOTHER)
    if there is None or there == ours:
        return state if len(told) == len(state.told) else replace(state, told=told)
    if ANOTHER in state.told:
        return state
    text = (
        "Another computer sends to the same bucket under this site's name, so that the copies of two sites"
        " are mixed there. Give one of the two another [site] name, or a bucket of its own."
    )
    return replace(state, told=(*told, ANOTHER), untold=(*state.untold, Event(now_ms, KIND, name, text)))


def spell_of(channel: Channel) -> str:
    """Under which name the state keeps that a refused channel was told."""
    device, quantity = channel
    return f"{device} {quantity}"
