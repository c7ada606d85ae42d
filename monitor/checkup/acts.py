"""What the person is asked to do, in order; what this system or this hour cannot show is left out with its
reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from monitor import cautions
from monitor.checkup.cover import worth_again
from monitor.checkup.levels import level
from monitor.checkup.recording import (
    ARRAY_OFF,
    ARRAY_ON,
    HELD,
    LOADS_OFF,
    LOADS_ON,
    RELEASED,
    START,
    STRINGS_ON,
    Recording,
    alone,
    covered,
    uncovered,
)
from monitor.checkup.roles import LIT_SHARE, rated_V, roles_of, silent
from monitor.site.model import Site


@dataclass(frozen=True, slots=True)
class Act:
    """One thing to do: the phase that follows it, its words, the caution that belongs to it.

    skip says why it is left out, '' where it is asked for. undoes are the phases whose acts it takes back.
    unfed: it may leave the controller without its bank, which it bears only while no array feeds it.
    """

    phase: str
    words: str
    caution: str = ""
    skip: str = ""
    undoes: tuple[str, ...] = ()
    unfed: bool = False


NO_ARRAY = "no array is described"
NO_LIGHT = "it is dark"
NO_PROBE = "no device gives a temperature of the bank"
NOTHING_TO_UNDO = "what it takes back was not done"
FED = "only with the array off, and it was not seen off"
STRINGS_OFF = "only with all strings of the bank on"
STRING_CAUTION = (
    "Only with the array off. If everything goes dark the string is not connected: switch the others on"
    " again. If this computer goes dark with it, that is the answer."
)
STAYS_OPEN = (
    "Leave the array's disconnect open until the bank is connected: a controller without its bank can be"
    " destroyed by the array."
)


def plan(site: Site, lit: bool | None, has_probe: bool) -> list[Act]:
    """All acts of a system, in order. lit: whether there is light on the array; None counts as light."""
    dark = NO_ARRAY if site.array is None else (NO_LIGHT if lit is False else "")
    acts = [Act(START, "Leave the array on, switch on the loads that you have, and touch nothing.")]
    probe = "" if has_probe else NO_PROBE
    acts += [
        Act(
            HELD,
            "Close your hand around the temperature probe at the bank and hold it.",
            cautions.SHORT_CIRCUIT,
            probe,
        ),
        Act(RELEASED, "Let the probe go.", "", probe, (HELD,)),
    ]
    strings = 0 if site.array is None else site.array.strings_in_parallel
    for string in range(1, strings + 1) if strings > 1 else ():
        acts += [
            Act(
                covered(string),
                f"Cover one panel of string {string} of the array wholly, with a board or a blanket.",
                cautions.ARRAY_LIVE,
                dark,
            ),
            Act(uncovered(string), "Take the cover away.", "", dark, (covered(string),)),
        ]
    acts += [
        Act(ARRAY_OFF, "Open the array's disconnect.", cautions.ARRAY_LIVE, dark),
        Act(LOADS_OFF, "Switch off all loads, everything but this monitor."),
    ]
    banks = site.bank.strings_in_parallel
    for string in range(1, banks + 1) if banks > 1 else ():
        acts.append(
            Act(
                alone(string),
                f"Switch off every string of the bank but string {string}, by their fuses or switches.",
                STRING_CAUTION,
                unfed=not dark,
            )
        )
    if banks > 1:
        each = tuple(alone(string) for string in range(1, banks + 1))
        acts.append(Act(STRINGS_ON, "Switch all strings of the bank on again.", undoes=each))
    acts += [
        Act(LOADS_ON, "Switch on all loads.", undoes=(LOADS_OFF,)),
        Act(ARRAY_ON, "Close the array's disconnect.", "", dark, (ARRAY_OFF,)),
    ]
    return acts


def out_of_place(act: Act, recording: Recording) -> str:
    """Why an act is left out after what was done, and not done, before it; '' where it is asked for."""
    if act.undoes and all(recording.phase(name) is None for name in act.undoes):
        return NOTHING_TO_UNDO
    if act.unfed and not _array_is_off(recording):
        return FED
    if act.phase == ARRAY_ON and any(other.phase == STRINGS_ON for other in left_undone(recording, None)):
        return STRINGS_OFF
    return ""


def _array_is_off(recording: Recording) -> bool:
    """Whether the array was taken off and the controller, where it shows the array's voltage, saw it go."""
    charger, rated = roles_of(recording).charger, rated_V(recording)
    if recording.phase(ARRAY_OFF) is None:
        return False
    volts = None if charger is None else level(recording, ARRAY_OFF, charger, "array_voltage_V")
    return volts is None or rated is None or volts.mean <= LIT_SHARE * rated


def left_undone(recording: Recording, asked: Act | None) -> list[Act]:
    """The acts that take back what was done and still stands, in a safe order. asked is the act that the
    person was last asked for and may have done.
    """
    done = [phase.name for phase in recording.phases if phase.how != "skipped"]
    if asked is not None and not asked.undoes:
        done.append(asked.phase)
    undoing = [act for act in plan(recording.site, True, True) if act.undoes]
    return [act for act in undoing if _last(done, act.undoes) > _last(done, (act.phase,))]


def _last(done: Sequence[str], names: Sequence[str]) -> int:
    return max((number for number, name in enumerate(done) if name in names), default=-1)


def to_put_back(recording: Recording, asked: Act | None) -> list[str]:
    """What a person must still do before they leave, in words."""
    charger = roles_of(recording).charger
    bankless = charger is not None and silent(recording, ARRAY_OFF, charger)
    undone = left_undone(recording, asked)
    return [STAYS_OPEN if bankless and act.phase == ARRAY_ON else act.words for act in undone]


MOST_TRIES = 3
"""So often a string is covered under an unsteady sky (our choice: a gap between clouds lasts some
minutes)."""


def again(recording: Recording, done: Act, tries: Counter[str]) -> list[Act]:
    """What is to be done once more right after an act, since the light changed meanwhile; tries counts."""
    array = recording.site.array
    for string in range(1, 1 + (array.strings_in_parallel if array is not None else 0)):
        if done.phase == uncovered(string) and recording.phase(covered(string)) is not None:
            tries[done.phase] += 1
            if tries[done.phase] < MOST_TRIES and worth_again(recording, string):
                return [
                    act
                    for act in plan(recording.site, True, True)
                    if act.phase in (covered(string), done.phase)
                ]
    return []
