"""Trying every channel at once, from a process of one's own: what a person does with a new site file."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import NoticeError
from monitor.notices import words
from monitor.notices.channels import build_channel
from monitor.notices.channels.pin import PinDisplay
from monitor.notices.secrets import secrets_of
from monitor.records import Notice
from monitor.site.channel_tables import ChannelEntry
from monitor.site.model import Site

PIN_S = 1.0
"""So long a buzzer sounds or a lamp burns (our choice)."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a test on one channel; problem is None where it was taken."""

    channel: str
    kind: str
    seconds: float
    problem: str | None
    may_have_arrived: bool


def try_channels(site: Site, folder: Path, now_ms: int, channel: str | None = None) -> Iterator[Outcome]:
    """Send a test through each channel of a site, or one, and say at once what became of it."""
    for entry in site.channels:
        if channel in (None, entry.name):
            began_s = time.monotonic()
            error = _try(entry, site, folder, now_ms)
            yield Outcome(
                entry.name,
                entry.kind,
                time.monotonic() - began_s,
                None if error is None else str(error),
                error is not None and error.may_have_arrived,
            )


def _try(entry: ChannelEntry, site: Site, folder: Path, now_ms: int) -> NoticeError | None:
    secrets = secrets_of(site, folder)
    title, text = words.test(site.site.name, entry.name, now_ms, site.site.zone)
    notice = Notice(now_ms, "test", "", "high", entry.name, title, text, "trying", now_ms)
    try:
        channel, display = build_channel(entry, site, secrets, presence=False)
    except ImportError as error:
        return NoticeError(f"a package for it is missing ({error}); install Nightbank again")
    try:
        if channel is not None:
            channel.send(notice)
        elif isinstance(display, PinDisplay):
            display.try_out(PIN_S)
    except NoticeError as error:
        return NoticeError(secrets.scrub(str(error)), may_have_arrived=error.may_have_arrived)
    finally:
        for opened in (channel, display):
            if opened is not None:
                opened.close()
    return None
