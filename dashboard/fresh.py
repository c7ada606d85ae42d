"""Keeping an open page fresh with few bytes: what has changed since the rendering that a phone shows.

Most of what changes on a page from one look to the next are words and numbers, the tags around them stay.
So a rendering is kept as HTML by section, under a name made from its content; a phone says which one it
shows and gets, section by section, only the changed texts, or the section's whole HTML where its tags
changed. assets/fresh.js is the browser's half. Pure but for `Renderings`, which remembers the last ones.
"""

from __future__ import annotations

import hashlib
import json
import re
import zlib
from collections import OrderedDict
from collections.abc import Mapping
from html import unescape
from threading import Lock
from typing import Any

from dashboard.markup import html_text

KEPT = 32
"""So many renderings are remembered: six phones for half a minute (our choice). To one who shows an older
one the whole is sent."""

PACKED = 1
"""zlib's effort (our choice: the least makes 2 KB of 12)."""

LEAF = re.compile(r'(?<= data-value=")[^"]*(?=")|(?<= data-turns=")[^"]*(?=")|(?<=>)[^<>]+(?=<)')
"""What may change in place: the values of two attributes, and text between tags. assets/fresh.js walks the
same leaves in the same order."""


def html_of(sections: Mapping[str, Any]) -> dict[str, str]:
    """The sections' content as HTML."""
    return {name: html_text(content) for name, content in sections.items()}


def leaves(html: str) -> tuple[str, list[str]]:
    """The tags of a section without its leaves, and the leaves as plain text, in order."""
    whole = f">{html}<"
    return LEAF.sub("", whole), [unescape(text) for text in LEAF.findall(whole)]


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, Any]:
    """What to do section by section: {'html': ...} or {'of': leaves in all, 'set': [[place, text], ...]}."""
    found: dict[str, Any] = {}
    for name, html in after.items():
        known = before.get(name)
        if known == html:
            continue
        tags, texts = leaves(html)
        old_tags, old_texts = ("", []) if known is None else leaves(known)
        if tags != old_tags or len(texts) != len(old_texts):  # a text may appear between tags
            found[name] = {"html": html}
        else:
            changed = [[at, text] for at, text in enumerate(texts) if text != old_texts[at]]
            found[name] = {"of": len(texts), "set": changed}
    return found


class Renderings:
    """The last renderings of a page's sections, by name; packed, since they repeat themselves a lot."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, bytes] = OrderedDict()
        self._lock = Lock()

    def keep(self, sections: Mapping[str, str]) -> str:
        """Remember a rendering; its name."""
        text = json.dumps(sections, ensure_ascii=False).encode()
        name = hashlib.sha256(text).hexdigest()[:12]
        with self._lock:
            if name not in self._kept:
                self._kept[name] = zlib.compress(text, PACKED)
            self._kept.move_to_end(name)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return name

    def since(self, seen: str, sections: Mapping[str, str]) -> dict[str, Any]:
        """The answer to a phone that shows the rendering `seen`: the new one's name, and what to change."""
        name = self.keep(sections)
        with self._lock:
            packed = self._kept.get(seen)
        before = {} if packed is None else json.loads(zlib.decompress(packed))
        return {"seen": name, "parts": changes(before, sections)}


RENDERINGS = Renderings()
"""Those of this process. Their names come from their content, so that pages may share them."""
