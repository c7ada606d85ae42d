"""The answer for a person: calm, with the evidence, and never more certain than it is."""

from __future__ import annotations

from monitor.match.answer import Answer, Finding, place
from monitor.match.asking import Ask
from monitor.match.candidates import Candidate
from monitor.match.doubt import Doubt
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.seen import Shown, typing_mistake
from monitor.terminal import filled

OTHERS_TOLD = 4

DOUBTS: dict[Doubt, str] = {
    "little": "too little has been shown so far: another place may agree by chance",
    "lag": "one look agrees only if the display was behind by a moment",
    "twin": "another place holds the same value",
    "rivals": "other places agree as well",
    "extreme": "it could be a record of the day's highest or lowest, which would have gone the same way",
    "net": "the battery current would have shown the same",
    "charge": "what reaches the battery would have shown the same",
    "array": "the array's current would have shown the same",
    "load": "the load current would have shown the same",
    "through": "charge and array current are one and the same here, as in a controller without a converter",
    "probe": "another probe of the controller would have shown the same, as it did not work hard",
    "shared": "another quantity is as likely to live there",
    "width": "the register beside it has always been empty and may be a part of it, or something else",
    "sign": "how it is written below zero has not been seen yet",
    "output": "the load output's voltage would have shown the same while the output is on",
    "month": "on the first day of a month the month's energy is the day's",
    "total": "on the device's first day all the energy that it has ever counted is the day's",
}


def in_words(answer: Answer, ask: Ask | None, nothing: str = "no register") -> str:
    """All findings, and what to do next. nothing names what is missing where nothing agrees."""
    return "\n\n".join([*(_told(finding, nothing) for finding in answer.findings), what_next(answer, ask)])


def what_next(answer: Answer, ask: Ask | None) -> str:
    """The one thing to do, or that there is none."""
    if ask is not None:
        return filled(f"Next: {ask.text}")
    if all(finding.state == "certain" for finding in answer.findings):
        return "All of it is certain."
    return "Further looks are not likely to tell more."


def _told(finding: Finding, nothing: str) -> str:
    name = NAMES[finding.quantity]
    head = f"{name[0].upper()}{name[1:]}: {finding.state}"
    digits = ", ".join(as_shown(told) for told in finding.shown)
    if finding.best is None:
        mistakes = typing_mistakes(Answer((finding,)))
        return "\n".join(
            [
                f"{head}. Shown {digits}; {nothing} agrees with that.",
                *(f"  {text}." for text in mistakes),
            ]
        )
    found = where(finding.best, finding.quantity)
    head = f"{head}. The best of what agrees is {found}." if finding.state == "open" else f"{head}, {found}."
    lines = [f"Shown {digits}; {evidence(finding)}."]
    if finding.doubts:
        reasons = [DOUBTS[doubt] for doubt in finding.doubts]
        lines.append(f"Not certain, since {'; '.join(reasons)}.")
    others = rivals(finding)
    if others:
        lines.append(f"Also possible: {'; '.join(others)}.")
    return "\n".join([head, *(filled(line, "  ", "  ") for line in lines)])


def typing_mistakes(answer: Answer) -> list[str]:
    """What is odd about digits that nothing agrees with."""
    odd = (
        typing_mistake(finding.quantity, told)
        for finding in answer.findings
        if finding.best is None
        for told in finding.shown
    )
    return [text for text in odd if text]


def where(candidate: Candidate, quantity: str) -> str:
    """The place and how it is read, in a line."""
    told = place(candidate, quantity)
    encoding = ""
    if "function" in told:
        order = f" {told['word_order'].replace('_', ' ')}" if told["word_order"] else ""
        encoding = f"{told['encoding']}{order} "
    offset = f" {told['offset']:+g}" if told["offset"] else ""
    return f"{spot(candidate, quantity)}, {encoding}x {told['scale']:.6g}{offset} {SOUGHT[quantity].unit}"


def spot(candidate: Candidate, quantity: str) -> str:
    """The place alone."""
    told = place(candidate, quantity)
    if "function" in told:
        return f"function {told['function']} address {told['address']}"
    field = f"key {told['key']}" if "key" in told else f"column {told['column']} (counted from 0)"
    return field + (f" of {' '.join(told['only_where'].values())} lines" if told["only_where"] else "")


def evidence(finding: Finding) -> str:
    """What the register held beside what was shown."""
    best = finding.best
    assert best is not None
    values = [best.values()[index] for index in finding.indexes]
    places = max(decimals(finding.shown[0].step), decimals(abs(best.form.scale) * best.column.step))
    places = min(places, decimals(finding.shown[0].step) + 2)
    thing = "register" if best.column.field is None else "field"
    return f"the {thing} read {', '.join('nothing' if v is None else f'{v:.{places}f}' for v in values)}"


def rivals(finding: Finding) -> list[str]:
    """The other places that are left, the most believed first."""
    spots = [spot for choice in finding.choices for spot in choice.spots][1:]
    told = [where(spot.best, finding.quantity) for spot in spots[:OTHERS_TOLD]]
    more = len(spots) - len(told)
    return [*told, f"{more} more"] if more > 0 else told


def as_shown(told: Shown) -> str:
    """Digits as the display showed them."""
    return f"{told.value:.{decimals(told.step)}f}"


def decimals(step: float) -> int:
    """Digits behind the point that a step needs."""
    return max(0, len(f"{step:.4f}".rstrip("0").partition(".")[2])) if step < 1 else 0
