"""What a bank needs to stay alive, for a person: what is due and why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any


def due_sentence(tasks: Sequence[Mapping[str, Any]], day_of: Callable[[str], str]) -> str:
    """What must be done, in one sentence; day_of writes an ISO date as its reader does."""
    now = [_act(task) for task in tasks if task["is_due"]]
    if len(now) > 2:
        return f"Due now: {now[0]}, and {len(now) - 1} more."
    if now:
        return f"Due now: {'; then '.join(now)}."
    ahead = next((task for task in tasks if task["due"] is not None), None)
    if ahead is None:
        return "When care is due is not known yet: write down what was done last."
    return f"Nothing is due now. Next: {_act(ahead)}, by {day_of(ahead['due'])}."


def water_sentence(task: Mapping[str, Any]) -> str:
    """What overcharge took of the water, '' where that is not known or not asked."""
    if task["water_L"] is None:
        return ""
    litres = f"{task['water_L']:.2f} ± {2 * task['water_sd_L']:.2f} L"
    return (
        f"By Faraday's law overcharge has split {litres} of water at most, in all cells together, between "
        f"full charges {task['water_days']:.0f} days apart; what evaporates comes on top."
    )


def due_lines(told: Mapping[str, Any]) -> list[str]:
    """The document of `care_report` in lines, the answer first."""
    lines = [due_sentence(told["tasks"], _day), ""]
    for task in told["tasks"]:
        when = "due now" if task["is_due"] else f"by {_day(task['due'])}" if task["due"] else "not known"
        lines.append(f"{'!' if task['is_due'] else ' '} {task['title']}: {when}.")
        lines.append(f"    Why: {task['why']}.")
        if task["water_L"] is not None:
            lines.append(f"    {water_sentence(task)}")
        lines.append(f"    How: {task['how']}")
    return lines


def _day(iso: str) -> str:
    """'24 Feb 2027'."""
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%b %Y}"


def _act(task: Mapping[str, Any]) -> str:
    title = str(task["title"])
    return title[0].lower() + title[1:]
