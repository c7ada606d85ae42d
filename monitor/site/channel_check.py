"""Which keys a channel of each kind needs and takes, looked at on the site file's own tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from monitor.errors import Problem
from monitor.toml_lines import TomlLines

COMMON = ("name", "kind", "least_priority")


class Keys(NamedTuple):
    """Keys of a kind: all of `needed`, at least one of `one_of` where it names any, `also` as wanted."""

    needed: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    @property
    def known(self) -> tuple[str, ...]:
        return (*COMMON, *self.needed, *self.one_of, *self.also)


KEYS: dict[str, Keys] = {
    "apprise": Keys(needed=("secret",)),
    "mqtt": Keys(needed=("host",), also=("port", "security", "user", "secret", "prefix")),
    "email": Keys(needed=("host", "sender", "to"), also=("port", "security", "user", "secret")),
    "hook": Keys(one_of=("url", "secret")),
    "pin": Keys(needed=("pin",), also=("active_high",)),
}

EXAMPLES = {
    "secret": 'secret = "phone" (the name under which the secrets file keeps it)',
    "host": 'host = "192.0.2.20"',
    "sender": 'sender = "hide@mail.example"',
    "to": 'to = ["me@mail.example"]',
    "url": 'url = "http://192.0.2.30/notice"',
    "pin": "pin = 17 (for the pin called GPIO17)",
}


def channel_problems(data: dict[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """What is missing or does not belong in the [[channels]] and [notices] of a site file's tables."""
    rows = data.get("channels")
    for index, row in enumerate(rows if isinstance(rows, list) else ()):
        if isinstance(row, dict) and row.get("kind") in KEYS:
            for key, text in _faults(row):
                yield Problem(f"channels[{index}].{key}", lines.nearest_line(("channels", index, key)), text)
    notices = data.get("notices")
    if isinstance(notices, dict) and "beat_url" in notices and "beat_secret" in notices:
        line = lines.nearest_line(("notices", "beat_secret"))
        yield Problem("notices.beat_secret", line, "give either beat_url or beat_secret, not both")


def _faults(row: dict[str, Any]) -> Iterator[tuple[str, str]]:
    kind = str(row["kind"])
    keys = KEYS[kind]
    for key in keys.needed:
        if row.get(key) in (None, "", []):
            yield key, f"is missing: a channel of kind {kind} needs {EXAMPLES[key]}"
    given = [key for key in keys.one_of if row.get(key) is not None]
    if keys.one_of and len(given) != 1:
        which = " or ".join(EXAMPLES[key] for key in keys.one_of)
        yield keys.one_of[0], f"a channel of kind {kind} needs one of the two: {which}"
    for key in row:
        if key in EXAMPLES | dict.fromkeys(_ELSEWHERE) and key not in keys.known:
            takes = ", ".join(key for key in keys.known if key not in COMMON)
            yield key, f"does not belong to a channel of kind {kind}, which takes {takes}"
    if kind == "mqtt" and row.get("security") == "starttls":
        yield "security", "starttls is for e-mail; a broker takes tls or none"
    if row.get("user") is not None and row.get("secret") is None and kind in ("mqtt", "email"):
        yield "secret", f"is missing: a user needs a password; {EXAMPLES['secret']}"


_ELSEWHERE = ("port", "security", "user", "prefix", "active_high")
"""Keys that some kinds take and others do not, beside those with an example."""
