"""A noticer on a real store and a real HTTP server; only time is driven."""

from __future__ import annotations

import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.clock import SteppedClock
from monitor.notices.noticer import Noticer
from monitor.records import Notice, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store import store_path
from monitor.store.embedded import open_writer
from monitor.store.writer import EmbeddedWriter
from tests.faults.notice_server import NoticeServer
from tests.faults.noticer_child import store
from tests.unit.site_files import MARSH_HIDE

NOON = parse_iso("2026-11-24T12:00:00Z")  # a Tuesday; London keeps UTC in winter
MINUTE, HOUR = 60_000, 3_600_000

HOOK = """
[[channels]]
name = "far"
kind = "hook"
url = "http://127.0.0.1:{port}/"
{channel}
"""


class World:
    """One site with one hook, unless `more` says otherwise. `restart` ends the noticer as a kill would."""

    def __init__(self, folder: Path, *, notices: str = "", channel: str = "", more: str = "") -> None:
        self.server = NoticeServer()
        self.site_file = folder / "hide.toml"
        hook = HOOK.format(port=self.server.port, channel=channel)
        self.site_file.write_text(f"{MARSH_HIDE}\n[notices]\n{notices}\n{hook}\n{more}", encoding="utf-8")
        self.site, _ = with_defaults(load_site(self.site_file))
        self.clock = SteppedClock(NOON)
        self.writer: EmbeddedWriter
        self.start()

    def start(self) -> None:
        self.writer = open_writer(store_path(self.site, self.site_file), self.site.site.time_zone)
        self.noticer = Noticer(self.site, self.site_file.parent, self.writer, self.clock, seed=1)

    def restart(self) -> None:
        self.writer.close()
        self.start()

    def at(self, time_ms: int, *alarms: tuple[str, str, str], worthless_ms: int | None = None) -> None:
        """Go to a time, let alarms (name, cause, priority) happen, and follow until nothing is under way."""
        self.clock.set(time_ms)
        self.server.now_ms = time_ms
        self.noticer.take(store(self.writer, time_ms, [[*alarm, worthless_ms] for alarm in alarms]))
        self.settle()

    def settle(self) -> None:
        self.noticer.follow()
        while self.noticer.busy:
            time.sleep(0.001)
            self.noticer.follow()

    def go(self, from_ms: int, to_ms: int, step_ms: int = MINUTE) -> None:
        for time_ms in range(from_ms, to_ms + 1, step_ms):
            self.at(time_ms)

    @property
    def said(self) -> list[tuple[str, str]]:
        """Kind and title of what has come, in order."""
        return [(each["kind"], each["title"]) for each in self.documents]

    @property
    def kinds(self) -> list[str]:
        return [each["kind"] for each in self.documents]

    @property
    def documents(self) -> list[dict[str, Any]]:
        return [arrival.document for arrival in self.server.arrivals]

    @property
    def waiting(self) -> list[Notice]:
        return self.writer.open_notices()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.noticer.stop()
        self.writer.close()
        self.server.close()
