"""What the person is asked to do, in order; what this system or this hour cannot show is left out with its
reason."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from monitor import cautions
from monitor.checkup.cover import worth_again
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
from monitor.site.model import Site


@dataclass(frozen=True, slots=True)
class Act:
    """One thing to do: the phase that follows it, its words, the caution that belongs to it.

    skip says why it is left out, '' where it is asked for.
    """

    phase: str
    words: str
    caution: str = ""
    skip: str = ""


NO_ARRAY = "no array is described"
NO_LIGHT = "it is dark"
NO_PROBE = "no device gives a temperature of the bank"
STRING_CAUTION = (
    "Only with the array off. If everything goes dark the string is not connected: switch the others on"
    " again. If"
    " this computer goes dark with it, that is the answer."
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
        Act(RELEASED, "Let the probe go.", "", probe),
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
            Act(uncovered(string), "Take the cover away.", "", dark),
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
            )
        )
    if banks > 1:
        acts.append(Act(STRINGS_ON, "Switch all strings of the bank on again."))
    acts += [
        Act(LOADS_ON, "Switch on all loads."),
        Act(ARRAY_ON, "Close the array's disconnect.", "", dark),
    ]
    return acts


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
