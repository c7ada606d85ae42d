"""All scripts of the page as one file: a phone asks once instead of twelve times.

Dash names its scripts in the order they must run; they are joined in that order, but for those that nothing
here needs. The joined file stands among the core components' own, since these look for their parts (the
chart's) beside the script they run in.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path

LEFT_OUT = ("/deps/polyfill", "/dash_table/", "dash_core_components-shared")
"""Old browsers' missing functions, a table of data, and what date fields and sliders share: 73 KB that the
page does not use. What the chart needs of the first is library/regenerator-runtime."""

START = b"var renderer = new DashRenderer();"
"""What the page's own inline script would do: Dash takes the page over."""

LOADER = (
    "(() => {"
    "addEventListener('click', (event) => { window.tapped = event.target; });"
    "const load = () => {"
    "const { src, style } = document.getElementById('scripts').dataset;"
    "const script = document.createElement('script');"
    "script.src = src;"
    "script.onload = () => style && fetch(style).then((kept) => kept.text());"
    "document.body.append(script);"
    "};"
    "const told = (PerformanceObserver.supportedEntryTypes || []).includes('paint');"
    "if (!told) return load();"
    "new PerformanceObserver((_painted, self) => { self.disconnect(); load(); })"
    ".observe({ type: 'paint', buffered: true });"
    "})();"
)
"""Asks for the scripts when the first answer is on the screen: on a slow phone they would hold it up. After
them a new phone asks for the style sheet's file, which later pages name; what was tapped meanwhile is kept
for assets/into.js. It stands in the page itself and is the same for all, so that the page's policy can name
its hash."""

ANSWERS = """(() => {
const answers = %s;
const ask = window.fetch;
window.fetch = (address, ...how) => address in answers
  ? Promise.resolve(new Response(answers[address], { headers: { "Content-Type": "application/json" } }))
  : ask(address, ...how);
})();"""
"""Gives Dash's scripts what they ask for before they draw, without a way to and fro."""

BESIDE = "/_dash-component-suites/dash/dcc/"

OWN = "/assets/"

REMARK = re.compile(rb"^[ \t]*(?://[^\n]*|/\*.*?\*/[ \t]*)\n", re.MULTILINE | re.DOTALL)
"""A remark that has its lines to itself; none of ours stands inside a text of several lines."""

SOURCE = re.compile(r'<script src="([^"]+)"></script>')


def joined(
    tags: str, file_of: Callable[[str], Path | None], first: Path, folder: Path, answers: Mapping[str, str]
) -> tuple[str, Path]:
    """The address and the file of all scripts in one. Raises ValueError for a script that is not ours.

    tags are Dash's script elements, file_of finds the file of a script's address, first is put before them;
    answers are those that never change, by address.
    """
    parts = [unremarked(first.read_bytes()), (ANSWERS % json.dumps(answers)).encode()]
    for source in SOURCE.findall(tags):
        if any(part in source for part in LEFT_OUT):
            continue
        path = file_of(source.partition("?")[0])
        if path is None:
            raise ValueError(f"the script {source} is no file of this page's")
        text = path.read_bytes()
        parts.append(unremarked(text) if source.startswith(OWN) else text)
    whole = b"\n;\n".join([*parts, START])
    name = f"dash-renderer-and-all-{hashlib.sha256(whole).hexdigest()[:16]}.js"  # Dash looks for this name
    path = folder / name
    path.write_bytes(whole)
    return BESIDE + name, path


def unremarked(script: bytes) -> bytes:
    """A script without its remarks, 4 KB packed that a phone has no use for; a licence stays."""
    return REMARK.sub(lambda found: found[0] if b"Copyright" in found[0] else b"", script)
