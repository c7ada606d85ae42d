"""A real page server on a real store, and a real browser that looks at it.

The store carries a clock note, so that every test plays at 20:00 on an invented evening. Whatever a page
says on the console or asks of another host fails the test that opened it.
"""

from __future__ import annotations

import json
import math
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request, expect, sync_playwright

from monitor.clock import CLOCK_NOTE, PacedClock
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import AlarmState, DeviceHealth, Heartbeat, Quality, Reading, parse_iso
from monitor.sampling import BASIS_NOTE
from monitor.store.embedded import open_writer
from monitor.store.heartbeat import write_heartbeat
from tests.ports import free_port
from tests.unit.site_files import MARSH_HIDE
from tests.waiting import wait_for

expect.set_options(timeout=30_000)  # a busy computer takes its time; what comes sooner is not waited for

EVENING = parse_iso("2026-11-25T20:00:00Z")
HOUR = int(timedelta(hours=1).total_seconds() * 1000)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


class Hide:
    """The invented bird hide: its site file, its store, and the page server over them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site_file = folder / "site.toml"
        self.site_file.write_text(MARSH_HIDE, encoding="utf-8")
        self.store_file = folder / "nightbank.db"
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        self._clock = PacedClock(time.time_ns() // 1_000_000, EVENING, 1.0)
        self._server: subprocess.Popen[bytes] | None = None
        self.log = folder / "page.log"

    def now_ms(self) -> int:
        return self._clock.now_ms()

    def store(
        self,
        readings: Iterable[Reading] = (),
        *,
        alarms: Iterable[AlarmState] = (),
        health: Iterable[DeviceHealth] = (),
        basis: Sequence[str] = (),
        outlook: Mapping[str, Any] | None = None,
        heartbeat_age_s: float | None = 20.0,
        stopped: bool = False,
    ) -> None:
        """Write to the store as the daemon does. heartbeat_age_s None: no daemon ever ran."""
        with closing(open_writer(self.store_file, "Europe/London")) as writer:
            writer.rank_devices(["charger"])
            writer.put_note(CLOCK_NOTE, self._clock.note())
            writer.append(readings)
            if basis:
                writer.put_note(BASIS_NOTE, "\n".join(basis))
            if outlook is not None:
                writer.put_note(OUTLOOK_NOTE, json.dumps(outlook))
            for alarm in alarms:
                writer.put_alarm(alarm)
            for state in health:
                writer.put_health(state)
            if heartbeat_age_s is not None:
                at = self.now_ms() - round(heartbeat_age_s * 1000)
                write_heartbeat(writer, Heartbeat(at, at - HOUR, at if stopped else None))
            writer.commit()

    def present(
        self,
        values: Mapping[str, float | None],
        age_s: float = 10.0,
        quality: Quality = Quality.GOOD,
        reason: str = "",
    ) -> list[Reading]:
        """Readings of one moment, age_s seconds before now."""
        time_ms = self.now_ms() - round(age_s * 1000)
        return [
            Reading(time_ms, device_of(name), name, value, quality, reason) for name, value in values.items()
        ]

    def yesterday(self, until_age_s: float = 60.0) -> list[Reading]:
        """A day of readings at half-minutes: a sunny noon, lamps in the evening, an hour unread at night."""
        now_ms = self.now_ms()
        readings: list[Reading] = []
        for age_ms in range(25 * HOUR, round(until_age_s * 1000), -30_000):
            if 15 * HOUR < age_ms < 16 * HOUR:
                continue
            time_ms = now_ms - age_ms
            sun = max(0.0, math.sin(((time_ms / HOUR) % 24 - 7) / 10 * math.pi))
            charge_A, load_A = 20 * sun, 4.0 if age_ms < 3 * HOUR else 0.5
            voltage_V = 12.4 + 0.07 * charge_A - 0.03 * load_A
            values = {
                "battery_voltage_V": voltage_V,
                "charge_current_A": charge_A,
                "load_current_A": load_A,
                "load_power_W": load_A * voltage_V,
                "array_power_W": charge_A * voltage_V / 0.95,
                "battery_current_A": charge_A - load_A,
            }
            readings += [
                Reading(time_ms, device_of(name), name, round(value, 2)) for name, value in values.items()
            ]
        return readings

    def healthy(self) -> DeviceHealth:
        """The charger answering for an hour."""
        now_ms = self.now_ms()
        return DeviceHealth("charger", "serial", "answering", now_ms - HOUR, now_ms - 10_000, 85.0, 720)

    def serve(self) -> None:
        """Start the page as a person does and wait until it answers."""
        command = [sys.executable, "-m", "monitor.cli", "page", str(self.site_file)]
        command += ["--host", "127.0.0.1", "--port", str(self.port)]
        with self.log.open("ab") as log:
            self._server = server = subprocess.Popen(command, stderr=log, stdout=log)
        wait_for(lambda: self._listens() or server.poll() is not None, self.log.read_text)
        assert server.poll() is None, self.log.read_text(encoding="utf-8")

    def _listens(self) -> bool:
        with closing(socket.socket()) as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> int:
        """End the page server as systemd does; its exit status."""
        assert self._server is not None
        self._server.send_signal(signal.SIGTERM)
        return self._server.wait(60)

    def server_rss_MB(self) -> float:
        """Resident memory of the page process."""
        return self._memory_MB("VmRSS")

    def server_peak_MB(self) -> float:
        """The most resident memory that the page process has ever taken."""
        return self._memory_MB("VmHWM")

    def _memory_MB(self, name: str) -> float:
        assert self._server is not None
        status = Path(f"/proc/{self._server.pid}/status").read_text(encoding="ascii")
        found = re.search(rf"{name}:\s+(\d+)", status)
        assert found is not None
        return int(found[1]) / 1024

    def get(self, path: str) -> Any:
        return urlopen(self.url.rstrip("/") + path, timeout=60)

    def end(self) -> None:
        if self._server is not None and self._server.poll() is None:
            os.kill(self._server.pid, signal.SIGKILL)
            self._server.wait(60)


def device_of(quantity: str) -> str:
    if quantity.startswith(("state_of_charge", "bank_capacity", "unseen")):
        return "estimate"
    return "derived" if quantity in ("battery_current_A", "charge_power_W") else "charger"


@pytest.fixture
def hide(tmp_path: Path) -> Iterator[Hide]:
    """A hide of this test's own, without store and server yet."""
    hide = Hide(tmp_path)
    yield hide
    hide.end()


@pytest.fixture(scope="module")
def shared_hide(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hide]:
    """A hide for a module's tests that only look."""
    hide = Hide(tmp_path_factory.mktemp("hide"))
    yield hide
    hide.end()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        # it writes as the plain form does
        browser.new_context = partial(browser.new_context, locale="en-GB")  # type: ignore[method-assign]
        yield browser
        browser.close()


class Visit:
    """Opens pages in the browser and keeps what they said on the console and asked of other hosts."""

    def __init__(self, chromium: Browser) -> None:
        self._chromium = chromium
        self.said: list[str] = []
        self.asked_elsewhere: list[str] = []
        self._contexts: list[BrowserContext] = []

    def open(
        self,
        hide: Hide,
        width: int = 390,
        height: int = 844,
        scheme: Any = "light",
        watch: Callable[[Request], None] | None = None,
        path: str = "/",
        look: str | None = "phone",
        init: str = "",
        **phone: Any,
    ) -> Page:
        """A page of its own on a phone or larger; watch is called with each request.

        The phone is British unless phone's `locale` says otherwise; look is what was chosen at the page's
        foot, None for a phone that comes for the first time. init is a script that runs before the page's.
        """
        context = self._chromium.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme, **phone
        )
        if look is not None:
            context.add_cookies([{"name": "look", "value": look, "url": hide.url}])
        self._contexts.append(context)
        page = context.new_page()
        page.add_init_script(init or "void 0")
        page.on("console", lambda message: self._note_message(message.type, message.text))
        page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        page.on("request", lambda request: self._note_request(hide.url, request.url))
        if watch is not None:
            page.on("request", watch)
        page.goto(hide.url.rstrip("/") + path)
        if path == "/":
            page.wait_for_selector("#react-entry-point.alive", state="attached")  # Dash draws from now on
        return page

    def end(self) -> None:
        for context in self._contexts:
            context.close()

    def _note_message(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.said.append(f"{kind}: {text}")

    def _note_request(self, own: str, url: str) -> None:
        if not url.startswith((own, "data:", "blob:")):
            self.asked_elsewhere.append(url)


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Visit]:
    visit = Visit(chromium)
    yield visit
    visit.end()
    assert visit.asked_elsewhere == []
    assert visit.said == []
