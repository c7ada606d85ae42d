"""What to bear in mind about the [[mirrors]] of a site file."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.site.mirror_table import ALL, MirrorEntry
from monitor.site.model import Site
from monitor.site.server_check import OPEN_TO_LISTENERS, is_open_to_listeners
from monitor.toml_lines import TomlPath


def mirror_findings(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """Severity, path and text of each finding."""
    first: dict[tuple[str, str], str] = {}
    for index, mirror in enumerate(site.mirrors):
        if is_open_to_listeners(mirror):
            yield "note", ("mirrors", index, "url"), OPEN_TO_LISTENERS
        if "records" in mirror.send:
            yield "note", ("mirrors", index, "send"), _what_leaves(mirror)
        other = first.setdefault((mirror.url, mirror.bucket), mirror.name)
        if other != mirror.name:
            text = f"{mirror.name} and {other} send the same to the same bucket; one of them is enough"
            yield "warning", ("mirrors", index, "bucket"), text


def _what_leaves(mirror: MirrorEntry) -> str:
    """What a person gives away with the records, and what a copy for pages lacks."""
    text = (
        "with the records the site's place and all the text of this file, the alarms and notices, and the "
        "hand-written log leave this computer; never a secret of the secrets file, nor the page's PIN"
    )
    lacks = [name for name in ALL if name not in mirror.send]
    if lacks:
        text += f'; pages that read this copy need {" and ".join(lacks)}, too: write send = ["all"]'
    return text
