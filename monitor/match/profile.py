"""The answer as a profile: a TOML file that `monitor.devices` reads, with the evidence beside every point.

What is certain or likely becomes a point; a likely one says so and why. What is open, what Nightbank reckons
by itself (energy, charge in the bank), and a register that is taken already stand there as comments.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from monitor.match.answer import Answer, Finding, place
from monitor.match.candidates import Candidate
from monitor.match.dump import Dump
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.words import DOUBTS, as_shown, evidence, rivals
from monitor.quantities import QUANTITIES
from monitor.terminal import WIDEST

USUAL_REQUEST = 8
"""Registers in one read where the device's limit is not known: most devices bear so many (our choice)."""

HEAD = """\
# Found by laying a dump of the device's registers beside what its display showed.
# 'certain': nothing else that agrees is left. 'likely': more likely than not. Compare each likely value with
# the display for a few days before you trust it.

protocol = "modbus"
about = "{about}"
source = "nightbank match: {snapshots} snapshots of {registers} registers, {looks} looks at the display"
largest_request = {largest}{remark}
"""


def profile_text(answer: Answer, dump: Dump, about: str, largest_request: int | None = None) -> str | None:
    """The whole file, None where nothing found may become a point. largest_request is the device's limit
    where a scan has found it.
    """
    looks = max((len(finding.indexes) for finding in answer.findings), default=0)
    parts = [
        HEAD.format(
            about=about.replace("\\", "/").replace('"', "'"),
            snapshots=len(dump.snapshots),
            registers=len(dump.places),
            looks=looks,
            largest=largest_request or USUAL_REQUEST,
            remark="" if largest_request else "           # not known from a dump; the device may bear more",
        )
    ]
    taken: dict[tuple[int, int, str], str] = {}
    points: list[str] = []
    comments: list[str] = []
    found: list[Candidate] = []
    for finding in answer.findings:
        reason = left_out(finding, taken)
        (comments if reason else points).append(
            "\n".join(entry_lines(finding, reason, "points", _keys(finding)))
        )
        if finding.best is not None and not reason:
            found.append(finding.best)
    if not points:
        return None
    parts += _gaps(found, dump)
    return "\n".join([*parts, *points, *comments])


def left_out(
    finding: Finding, taken: dict[tuple[int, int, str], str], place_name: str = "register"
) -> str | None:
    """Why a finding is no point of the profile; None where it is one, whose registers are then taken."""
    best = finding.best
    if best is None:
        return f"no {place_name} agrees with what was shown"
    if finding.state == "open":
        return "open"
    if finding.quantity not in QUANTITIES:
        return f"{finding.state}; Nightbank reckons this by itself and reads it from no device"
    half = best.column.encoding[1:] if best.column.kind == "half" else ""
    own = [(*register, half) for register in best.column.registers]
    for register in own:
        for other in ("", "8hi", "8lo") if not half else ("", half):
            if (*register[:2], other) in taken:
                owner = NAMES[taken[*register[:2], other]]
                return f"{finding.state}, but its {place_name} is already the {owner}"
    taken.update(dict.fromkeys(own, finding.quantity))
    return None


def entry_lines(finding: Finding, reason: str | None, table: str, keys: Iterator[str]) -> Iterator[str]:
    """One table of the profile with its evidence; as comments where there is a reason to leave it out."""
    digits = ", ".join(as_shown(told) for told in finding.shown)
    yield f"# {finding.quantity}: {reason or finding.state}"
    yield f"#   shown {digits}" + (f"; {evidence(finding)}" if finding.best else "")
    if finding.best is None:
        yield ""
        return
    if finding.doubts:
        yield from _comment(f"not certain, since {'; '.join(DOUBTS[doubt] for doubt in finding.doubts)}")
    others = rivals(finding)
    if others:
        yield from _comment(f"also possible: {'; '.join(others)}")
    mark = "# " if reason else ""
    yield f"{mark}[[{table}]]"
    for line in keys:
        yield f"{mark}{line}"
    yield ""


def _keys(finding: Finding) -> Iterator[str]:
    assert finding.best is not None
    told = place(finding.best, finding.quantity)
    yield f'quantity = "{finding.quantity}"'
    yield f"function = {told['function']}"
    yield f"address = {told['address']}"
    yield f'encoding = "{told["encoding"]}"'
    if told["word_order"]:
        yield f'word_order = "{told["word_order"]}"'
    yield f"scale = {told['scale']!r}"
    if told["offset"]:
        yield f"offset = {told['offset']!r}"
    yield f'unit = "{SOUGHT[finding.quantity].unit}"'


def _gaps(found: Sequence[Candidate], dump: Dump) -> Iterator[str]:
    """The stretches between found registers that did not answer."""
    for function in (3, 4):
        used = [
            address for candidate in found for own, address in candidate.column.registers if own == function
        ]
        for first, last in dump.holes(function):
            if used and min(used) < first and last < max(used):
                yield f"[[gaps]]\nfunction = {function}\nfirst = {first}\nlast = {last}\n"


def _comment(text: str) -> Iterator[str]:
    yield from (f"#   {line}" for line in textwrap.wrap(text, WIDEST))
