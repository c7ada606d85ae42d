"""How wide a text may be where a person reads it. Imports nothing of the project."""

from __future__ import annotations

import shutil

WIDEST = 100
"""The longest line that is read with ease (our choice)."""

NARROWEST = 40
"""On a narrower terminal a line goes on below by itself (our choice)."""


def columns() -> int:
    """The columns of the terminal, at most WIDEST, which a file or a pipe takes."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns))
