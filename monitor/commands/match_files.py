"""`nightbank match` from files: a dump of registers or a log of lines, and what the display showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.match.answer import FIELD_KEYS, document
from monitor.match.answer import match as match_registers
from monitor.match.asking import ask
from monitor.match.brief import in_brief
from monitor.match.dump import load_dump
from monitor.match.field_profile import field_profile_text, line_document, lines_and_answer
from monitor.match.fields import load_lines, match_lines
from monitor.match.profile import profile_text
from monitor.match.seen import load_seen
from monitor.match.words import in_words, typing_mistakes


@dataclass(frozen=True, slots=True)
class Told:
    """An answer from files: as a document, in words, as a profile (None where nothing is sure enough for
    one), and what is odd about the digits.
    """

    document: dict[str, Any]
    words: str
    profile: str | None
    mistakes: Sequence[str]
    remark: str = ""


def from_dump(dump_file: Path, seen_file: Path, about: str, details: bool, largest: int | None) -> Told:
    """The answer from a dump of registers. Raises MatchError."""
    dump = load_dump(dump_file)
    answer = match_registers(dump, load_seen(seen_file, dump))
    asked = ask(answer)
    return Told(
        document(answer, asked.text if asked else None),
        in_words(answer, asked) if details else in_brief(answer, asked),
        profile_text(answer, dump, about, largest),
        typing_mistakes(answer),
        dump.remark,
    )


def from_text(text_file: Path, seen_file: Path, about: str, details: bool) -> Told:
    """The answer from a log of lines. Raises MatchError."""
    lines = load_lines(text_file)
    answer = match_lines(lines, load_seen(seen_file, lines))
    asked = ask(answer)
    quantities = document(answer, asked.text if asked else None, FIELD_KEYS[lines.form.form])
    return Told(
        {"line": line_document(lines), **quantities},
        lines_and_answer(lines, answer, asked, details),
        field_profile_text(answer, lines, about),
        typing_mistakes(answer),
    )
