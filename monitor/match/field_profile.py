"""What was found of a device's lines of text: as a profile that `monitor.devices` reads, and in words."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from monitor.devices.line_form import LineForm, LineKind
from monitor.match.answer import Answer, Finding, place
from monitor.match.asking import Ask
from monitor.match.brief import in_brief
from monitor.match.fields import Lines
from monitor.match.habits import SOUGHT
from monitor.match.profile import entry_lines, left_out
from monitor.match.words import in_words
from monitor.terminal import columns, filled

USUAL_NOTHING = ("", "-", "--", "---", "N/A", "NaN", "nan", "null")
"""What devices write for 'not there' (common practice, no source): so a probe that is taken off later costs
no line."""

LEAST_STEP = {"V": 0.5, "A": 5.0, "W": 100.0, "°C": 2.0, "%": 5.0, "Wh": 50.0}
LEAPS = 3
"""Without a checksum, or with an exclusive or alone, a value may move by so many times its largest step in
the capture, and by these at least (our choice): a real leap beyond is believed when the next line agrees."""

HEAD = """\
# Found by laying lines of the device beside what its display showed.
# 'certain': nothing else that agrees is left. 'likely': more likely than not. Compare each likely value with
# the display for a few days before you trust it.

protocol = "text"
about = {about}
source = "nightbank match: {lines} lines, {looks} at the display"
"""

NAMED = {"\t": "a tab", " ": "a blank", ",": "a comma", ";": "a semicolon", ":": "a colon", "|": "a bar"}
CHECKS = {
    "none": "There is no checksum.",
    "xor": "The checksum behind * is the exclusive or of all characters, as in NMEA 0183.",
    "crc16": "The checksum behind * is a CRC-16 as in Modbus.",
}
UNKNOWN_CHECK = (
    "The lines end as with a checksum, but of no rule known here; they are read as if they had none, and the "
    "last field cannot be read."
)
APART = (
    "in a kind of line of its own: without a checksum a line must hold all keys of a profile, and most "
    "of them are in another kind"
)


def field_profile_text(answer: Answer, lines: Lines, about: str) -> str | None:
    """The whole file, None where nothing found may become a field."""
    looks = max((len(finding.indexes) for finding in answer.findings), default=0)
    head = HEAD.format(
        about=_quoted(about), lines=lines.sound, looks=f"{looks} {'look' if looks == 1 else 'looks'}"
    )
    taken: dict[tuple[int, int, str], str] = {}
    reasons = [left_out(finding, taken, "field") for finding in answer.findings]
    if lines.form.form == "pairs" and lines.form.checksum == "none":
        reasons = _in_one_kind(answer.findings, reasons, lines.kinds)
    found = [finding for finding, reason in zip(answer.findings, reasons, strict=True) if not reason]
    if not found:
        return None
    kinds = [kind for kind in lines.kinds if any(_gives(kind, finding) for finding in found)]
    same = len({kind.columns for kind in kinds}) == 1
    shared = _shared(kinds)
    fields: list[str] = []
    comments: list[str] = []
    for finding, reason in zip(answer.findings, reasons, strict=True):
        keys = _keys(finding, lines, shared, same)
        (comments if reason else fields).append("\n".join(entry_lines(finding, reason, "fields", keys)))
    line_keys = _line_keys(lines, kinds, shared, same)
    return "\n".join([head + "\n".join(line_keys) + "\n", *fields, *comments])


def _in_one_kind(
    findings: Sequence[Finding], reasons: Sequence[str | None], kinds: Sequence[LineKind]
) -> list[str | None]:
    """The reasons, with one more for what stands in another kind of line than most."""

    def count(kind: LineKind) -> int:
        return sum(_gives(kind, one) for one, reason in zip(findings, reasons, strict=True) if not reason)

    best = max(kinds, key=count)
    return [
        reason or (None if _gives(best, finding) else f"{finding.state}, but {APART}")
        for finding, reason in zip(findings, reasons, strict=True)
    ]


def _gives(kind: LineKind, finding: Finding) -> bool:
    field = finding.best.column.field if finding.best is not None else None
    return field is not None and field.where in kind.values and dict(field.only_where) == kind.constants


def _shared(kinds: Sequence[LineKind]) -> Mapping[int, str]:
    """What stands in the same column of every line, whichever of these kinds it is."""
    first, *others = [kind.constants for kind in kinds]
    return {at: text for at, text in first.items() if all(other.get(at) == text for other in others)}


def _line_keys(
    lines: Lines, kinds: Sequence[LineKind], shared: Mapping[int, str], same: bool
) -> Iterator[str]:
    form = lines.form
    if lines.interval_s:
        yield f"interval_s = {lines.interval_s:.3g}"
    else:
        yield "interval_s = 1.0              # not known from this capture: how often the device speaks"
    yield f"form = {_quoted(form.form)}"
    if form.start:
        yield f"start = {_quoted(form.start)}"
    yield f"separator = {_quoted(form.separator)}"
    if form.form == "pairs":
        yield f"assign = {_quoted(form.assign)}"
    yield f"checksum = {_quoted(form.checksum)}"
    if kinds[0].columns and same:
        yield f"columns = {kinds[0].columns}"
    if shared:
        yield f"constants = {_table(shared)}"
    seen = sorted({text for kind in kinds for text in kind.missing})
    told = f"seen: {', '.join(map(_quoted, seen))}" if seen else "none was seen; what devices usually write"
    missing = [*seen, *(text for text in USUAL_NOTHING if text not in seen)]
    yield f"missing = [{', '.join(map(_quoted, missing))}]      # {told}"


def _keys(finding: Finding, lines: Lines, shared: Mapping[int, str], same: bool) -> Iterator[str]:
    assert finding.best is not None
    told = place(finding.best, finding.quantity)
    unit, field = SOUGHT[finding.quantity].unit, finding.best.column.field
    yield f'quantity = "{finding.quantity}"'
    yield f"key = {_quoted(told['key'])}" if "key" in told else f"column = {told['column']}"
    only_where = {int(at): text for at, text in told["only_where"].items() if int(at) not in shared}
    if only_where:
        yield f"only_where = {_table(only_where)}"
    kind = next(kind for kind in lines.kinds if _gives(kind, finding))
    if kind.columns and not same:
        yield f"columns = {kind.columns}"
    yield f"scale = {told['scale']!r}"
    if told["offset"]:
        yield f"offset = {told['offset']!r}"
    yield f'unit = "{unit}"'
    if lines.form.checksum != "crc16":
        leap = next(series.largest_step for series in lines.series if series.field == field)
        step = max(LEAPS * leap * abs(told["scale"]), LEAST_STEP[unit])
        yield f"# {LEAPS} times the largest step in the capture, at least {LEAST_STEP[unit]:g}"
        yield f"largest_step = {round(step, 6)!r}"


def _table(texts: Mapping[int, str]) -> str:
    return f"{{ {', '.join(f'{at} = {_quoted(text)}' for at, text in texts.items())} }}"


def _quoted(text: str) -> str:
    """A basic string of TOML; JSON writes control characters, quotes and backslashes in the same way."""
    return json.dumps(text, ensure_ascii=False)


def line_document(lines: Lines) -> dict[str, Any]:
    """How the lines are written, as `nightbank match --json` prints it."""
    return asdict(lines.form) | {
        "kinds": [
            {
                "columns": kind.columns,
                "constants": {str(at): text for at, text in kind.constants.items()},
                "missing": list(kind.missing),
                "numbers": list(kind.values),
                "lines": len(kind.lines),
            }
            for kind in lines.kinds
        ],
        "refused": lines.refused,
    }


def _line_in_words(lines: Lines) -> str:
    """How the lines are written, for a person."""
    form = lines.form
    parted = form.separator.strip(" ") or " "
    told = f"Lines of key{form.assign}value" if form.form == "pairs" else "Lines of columns"
    told += (
        f", parted by {NAMED.get(parted, parted)}" + (f", behind {form.start}" if form.start else "") + "."
    )
    check = UNKNOWN_CHECK if form.unknown_check else CHECKS[form.checksum]
    were = "was" if lines.refused == 1 else "were"
    refused = f", {lines.refused} {were} damaged or of another form" if lines.refused else ""
    text = f"{told} {check} {lines.sound} lines are sound{refused}."
    return "\n".join([*textwrap.wrap(text, columns()), *(_kind_in_words(form, kind) for kind in lines.kinds)])


def _kind_in_words(form: LineForm, kind: LineKind) -> str:
    fields = ", ".join(map(str, kind.values))
    numbers = f"numbers under {fields}"
    if form.form == "columns":
        numbers = f"{kind.columns} columns, numbers in {fields} (counted from 0)"
    name = f" with {' '.join(kind.constants.values())}" if kind.constants else ""
    return filled(f"{len(kind.lines)} lines{name}: {numbers}.", "    ", "  ")


def lines_and_answer(lines: Lines, answer: Answer, asked: Ask | None, details: bool) -> str:
    """How the lines are written and what stands where, in words; details tells the evidence."""
    told = in_words(answer, asked, "no field") if details else in_brief(answer, asked, "no field")
    return f"{_line_in_words(lines)}\n\n{told}"
