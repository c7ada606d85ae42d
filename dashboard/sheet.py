"""The style sheet inside a page, for a phone that comes for the first time: asking for the file would take it
one more way to and fro before anything is seen. Later pages name the file, which the phone then has."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

SHEET = Path(__file__).parent / "assets" / "page.css"

REMARK = re.compile(r"/\*.*?\*/", re.DOTALL)
BREAK = re.compile(r"\s*\n\s*")


def sheet_text() -> str:
    """The style sheet without remarks and line breaks."""
    return BREAK.sub(" ", REMARK.sub("", SHEET.read_text(encoding="utf-8"))).strip()


def source_of(text: str) -> str:
    """A style element as a source of a page's policy (CSP level 2, 'hash-source')."""
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"
