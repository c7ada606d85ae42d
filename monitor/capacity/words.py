"""A capacity test for a person: where it stands, step by step, and what it gave. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from monitor.alarms.capacity_test import TO_CHARGE
from monitor.capacity.course import HALF_TAKEN
from monitor.capacity.report import FULL_AGAIN, OPENED
from monitor.care.digits import fine
from monitor.records import parse_iso

NOT_USED = (
    "The estimate of the charge goes by what it learns itself; a test stands beside it and changes nothing."
)


def capacity_sentence(told: Mapping[str, Any]) -> str:
    """The capacity that a discharge told, with its band, or why it tells none."""
    if told["capacity_Ah"] is None:
        return f"This discharge tells no capacity: {told['why']}."
    return (
        f"About {fine(told['capacity_Ah'])} ± {fine(2 * told['sd_Ah'])} Ah at the 20-hour rate, "
        f"{100 * told['capacity_Ah'] / told['rated_Ah']:.0f} % of the rated {fine(told['rated_Ah'])} Ah."
    )


def capacity_lines(told: Mapping[str, Any]) -> list[str]:
    """The capacity with its band, or why there is none and how a test is done."""
    if told["capacity_Ah"] is None:
        return [capacity_sentence(told), f"How a test is done: {told['how']}"]
    return [capacity_sentence(told), f"    Why: {told['why']}."]


def known_words(known: Mapping[str, Any], day_of: Callable[[str], str]) -> list[tuple[str, str]]:
    """What is known of the capacity, each with where it is from; day_of writes an ISO time as a day."""
    found = [("Rated, by the site file", f"{fine(known['rated_Ah'])} Ah")]
    if known["learnt_Ah"] is not None:
        found.append(
            (
                "Learnt from use, by the estimate"
                if known["is_learnt"]
                else "Supposed of any such bank, not learnt yet",
                f"{fine(known['learnt_Ah'])} ± {fine(known['learnt_band_Ah'])} Ah",
            )
        )
    if known["tested_Ah"] is not None:
        band = "" if known["tested_band_Ah"] is None else f" ± {fine(known['tested_band_Ah'])}"
        found.append((f"Tested on {day_of(known['tested'])}", f"{fine(known['tested_Ah'])}{band} Ah"))
    return found


def guide_sentence(guide: Mapping[str, Any], clock_of: Callable[[int], str]) -> str:
    """Where a capacity test stands and what to do now; clock_of writes a time as its reader does."""
    phase, discharge = guide["phase"], guide["discharge"]
    if phase == "cannot":
        return f"The capacity cannot be tested: {guide['why_not']}."
    if phase == "after":
        then = TO_CHARGE if guide["to_charge"] else ""
        return f"{capacity_sentence(guide['result'])}{then}"
    if phase == "rest":
        counts = clock_of(parse_iso(discharge["rest_counts"]))
        return f"The bank rests: leave loads and charge off until {counts}. Then its voltage tells."
    if phase == "while" and discharge["stop"]:
        return f"Switch the loads off now and let the bank rest: {discharge['stop']}."
    if phase == "while":
        return (
            f"{fine(discharge['taken_Ah'])} of {fine(discharge['take_Ah'])} Ah are taken{_left(discharge)}."
        )
    lacks = [each["words"] for each in guide["ready"] if each["is_met"] is False]
    opened = OPENED[guide["has_array"]]
    return lacks[0] if lacks else f"The bank is ready for a test: {opened} and let a load run."


def guide_steps(guide: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The test's three parts, each a heading and what to do in it."""
    told, has_array = guide["discharge"], guide["has_array"]
    yield "Before", f"Charge the bank until it is full, then {OPENED[has_array]}."
    stop = "Switch all loads off when half is taken, or the loads' disconnect opens, whichever is first"
    if told is not None and told["safe_V"] is not None:
        stop += f"; at {told['drawn_A']:.3g} A at {told['safe_V']:.2f} V at the latest"
    yield "While", f"{stop}. Never go deeper than your maker's sheet allows."
    yield (
        "After",
        "Leave everything off for 6 hours or a night: the rest voltage tells what is left. Then "
        f"{FULL_AGAIN[has_array]}: it must not stand empty.",
    )


def guide_lines(guide: Mapping[str, Any], clock_of: Callable[[int], str]) -> list[str]:
    """The guide in lines, the answer first."""
    lines = [guide_sentence(guide, clock_of), *([guide["help"]] if guide["help"] else [])]
    if guide["phase"] != "cannot":
        lines.append("")
    if guide["phase"] == "before":
        lines += [f"{_mark(each['is_met'])} {each['words']}" for each in guide["ready"]]
    if guide["discharge"] is not None and guide["phase"] != "after":
        lines += ["", *discharge_words(guide["discharge"], clock_of)]
    if guide["phase"] == "after":
        lines.append(f"    Why: {guide['result']['why']}.")
    if guide["phase"] != "cannot":
        lines += ["", *(f"{head}: {words}" for head, words in guide_steps(guide))]
    if watched := watched_words(guide, clock_of):
        runs = guide["watched"] is not None and guide["watched"]["runs"]
        lines += ["", watched if runs else f"{watched} The option --begin does that."]
    lines += ["", "The bank's capacity, at the 20-hour rate:"]
    lines += [f"  {name}: {value}" for name, value in known_words(guide["known"], lambda day: day[:10])]
    return [*lines, NOT_USED]


def watched_words(guide: Mapping[str, Any], clock_of: Callable[[int], str]) -> str:
    """Who is called when a test is to end, or how the last one that was watched ended; '' where nothing is to
    be said of it."""
    test = guide["watched"]
    if test is not None and test["runs"]:
        begun = clock_of(parse_iso(test["begun"]))
        until = "until the bank is charged" if guide["phase"] == "after" else "and a call comes at its end"
        return f"This test is watched since {begun} (begun by {test['by']}), {until}."
    if guide["phase"] in ("before", "while"):
        ended = "" if test is None else f"{test['says']} "
        return f"{ended}Nobody is called when a test is to end, unless you have it watched."
    return ""


def discharge_words(told: Mapping[str, Any], clock_of: Callable[[int], str]) -> list[str]:
    """How far a discharge has come."""
    since = clock_of(parse_iso(told["start"]))
    taken = f"{told['taken_Ah']:.1f} Ah were taken in {told['hours']:.1f} h since {since}"
    lines = [f"{taken}, of {fine(told['take_Ah'])} Ah that may be."]
    if told["safe_V"] is None:
        return lines
    volts = "an unknown voltage" if told["voltage_V"] is None else f"{told['voltage_V']:.2f} V"
    lines.append(f"Now {told['drawn_A']:.3g} A at {volts}; stop at {told['safe_V']:.2f} V at this current.")
    if told["temperature_C"] is None:
        lines.append("The bank's temperature is not measured: 20 °C are taken for it.")
    return lines


def _left(told: Mapping[str, Any]) -> str:
    """'; at this current 2.5 h are left', and until what, where that is not the ampere hours."""
    if not told["hours_left"]:
        return ""
    hours = told["hours_left"]
    left = f"{60 * hours:.0f} min" if hours < 1 else f"{hours:.1f} h"
    until = "" if told["ends_by"] == HALF_TAKEN else f", until {told['ends_by']}"
    return f"; at this current {left} are left{until}"


def _mark(is_met: bool | None) -> str:
    return " " if is_met is None else "+" if is_met else "!"
