"""The answer in a few lines: what is known and how sure, then the one thing to do next.

The evidence, and what else is possible, stands in `words.in_words` and in the comments of a profile.
"""

from __future__ import annotations

from collections import Counter

from monitor.match.answer import Answer, Finding
from monitor.match.asking import Ask
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.words import as_shown, spot, typing_mistakes, what_next

MEANS = "certain: nothing else that agrees is left; likely: more likely than not; open: not known yet."


def in_brief(answer: Answer, ask: Ask | None, nothing: str = "no register") -> str:
    """A line for each quantity. nothing names what is missing where nothing agrees."""
    looks = len({index for finding in answer.findings for index in finding.indexes})
    counts = Counter(finding.state for finding in answer.findings)
    told = ", ".join(f"{counts[state]} {state}" for state in ("certain", "likely", "open") if counts[state])
    head = f"After {looks} {'look' if looks == 1 else 'looks'} at the display: {told}."
    rows = [(NAMES[one.quantity], _last(one), one.state, _found(one, nothing)) for one in answer.findings]
    name, shown = max(len(row[0]) for row in rows), max(len(row[1]) for row in rows)
    lines = [f"  {row[0]:{name}}  {row[1]:>{shown}}  {row[2]:7}  {row[3]}" for row in rows]
    return "\n".join([head, "", *lines, "", MEANS, "", what_next(answer, ask)])


def _last(finding: Finding) -> str:
    """What the display showed at the last look."""
    return f"{as_shown(finding.shown[-1])} {SOUGHT[finding.quantity].unit}"


def _found(finding: Finding, nothing: str) -> str:
    if finding.best is None:
        return next(iter(typing_mistakes(Answer((finding,)))), f"{nothing} agrees with that")
    places = sum(len(choice.spots) for choice in finding.choices)
    place = spot(finding.best, finding.quantity)
    return f"{place}, or one of {places - 1} others" if finding.state == "open" and places > 2 else place
