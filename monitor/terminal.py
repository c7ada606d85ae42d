"""How wide a text may be where a person reads it, and text folded to that. Imports nothing of the project."""

from __future__ import annotations

import shutil
import textwrap

WIDEST = 100
"""The longest line that is read with ease (our choice)."""

NARROWEST = 40
"""On a narrower terminal a line goes on below by itself (our choice)."""


def columns() -> int:
    """The columns of the terminal, at most WIDEST, which a file or a pipe takes."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns))


def filled(text: str, below: str = "", first: str = "") -> str:
    """One paragraph folded; `first` stands before its first line, `below` before the others."""
    return textwrap.fill(text, columns(), initial_indent=first, subsequent_indent=below)


def point(text: str) -> str:
    """One point of a list, set in behind a dash."""
    return filled(text, "    ", "  - ")


def wrapped(text: str) -> str:
    """A whole text: each line that is too long goes on below, set in a little more."""
    wide = columns()

    def one(line: str) -> str:
        inset = len(line) - len(line.lstrip(" -"))
        below = " " * (inset or 2)
        return textwrap.fill(
            line, wide, subsequent_indent=below, break_on_hyphens=False, break_long_words=False
        )

    return "\n".join(line if len(line) <= wide else one(line) for line in text.split("\n"))
