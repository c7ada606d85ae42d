"""`nightbank match LINE` in front of a device that sends lines of text by itself."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from monitor.clock import SystemClock
from monitor.commands.line import Manner, site_keys
from monitor.commands.match_live import READ, Listener, farewell, look_after_look
from monitor.devices.capture import LEAST_LINES
from monitor.devices.overheard import Noise, TextHeard, listen
from monitor.devices.port import SerialPort
from monitor.devices.recorder import Recorder
from monitor.devices.timing import LineTiming
from monitor.errors import LineLost, NoAnswer
from monitor.match.asking import Ask, ask
from monitor.match.field_profile import lines_and_answer
from monitor.match.fields import load_lines
from monitor.match.session import Session, TextSession

OFTEN_S = 5.0
"""A device that speaks less often is waited for before each look (our choice)."""

LINES_AFTER = 2
"""So many lines behind a look, so that a damaged one beside it shows."""

LONGEST_S = 15.0
"""Who speaks often has sent them by then (our choice)."""

LINE_CAME = """
A line has just come. Note all that the display shows now and press Enter; type 'stop' to go on another
time."""


def heard_at(port: str, folder: Path, manner: Manner, listen_s: float) -> TextHeard | None:
    """What the device at a port says by itself, None where it does not or its registers are known already.

    Raises LineLost, and NoAnswer where the folder holds lines of a device that is silent now.
    """
    if Session(folder).dump.exists():
        return None
    click.echo(f"Listening for {listen_s:g} s, in case the device speaks by itself.", err=True)
    (*_, heard) = [None, *listen(port, (manner.baud,), listen_s, 0.0, manner.parity)]
    if isinstance(heard, TextHeard):
        return heard
    if isinstance(heard, Noise):
        click.echo(
            f"{heard.bytes} bytes came unasked that are no text at {manner.baud} bit/s; `nightbank find` "
            "tells their speed, or who else asks here.",
            err=True,
        )
    if TextSession(folder).lines.exists():
        raise NoAnswer(
            f"{port}: no line of text came within {listen_s:g} s; check that the device is on, --baud and "
            "--parity, or listen for longer with --listen"
        )
    return None


def talk_text(port: str, folder: Path, manner: Manner, details: bool, heard: TextHeard) -> None:
    """Look after look, while all lines that come are kept. Raises DeviceError and MatchError."""
    session = TextSession(folder)
    timing = LineTiming(manner.baud, manner.parity)
    device = Speaker(session, SerialPort(port, timing), details, heard.interval_s)
    try:
        look_after_look(session, Listener(device.listen, device.invite, device.read, device.answer))
    finally:
        device.end()
    keys = site_keys(port, manner)
    farewell(session, {key: value for key, value in keys.items() if key != "unit"})


class Speaker:
    """A device that speaks by itself, every interval_s seconds (None: rarely), and what it says meanwhile."""

    def __init__(
        self, session: TextSession, port: SerialPort, details: bool, interval_s: float | None
    ) -> None:
        self._session, self._port, self._details = session, port, details
        self._rare = interval_s is None or interval_s > OFTEN_S
        self._clock = SystemClock()
        self._recorder: Recorder | None = None
        self._line_came_ms = 0

    def listen(self) -> None:
        """Begin to keep the lines that come. Raises LineLost."""
        recorder = Recorder(self._port, self._session.lines, self._clock)
        recorder.start()
        self._recorder = recorder

    def end(self) -> None:
        """Keep no more lines and release the port."""
        if self._recorder is not None:
            self._recorder.end()
            self._recorder = None

    def _wait_for(self, more: int, at_least: int, longest_s: float) -> bool:
        """Whether so many more lines have come within that time, and so many in all since it was begun.

        Raises MatchError, and LineLost, after which the next call listens anew.
        """
        if self._recorder is None:
            self.listen()
        assert self._recorder is not None
        try:
            return self._recorder.wait_for(max(self._recorder.lines + more, at_least), longest_s)
        except LineLost:
            self.end()
            raise

    def invite(self) -> str:
        """How a look is asked for; of a device that speaks rarely when it has just spoken."""
        if not self._rare:
            return READ
        click.echo("\nThe device speaks rarely. Waiting for its next line; Ctrl-C ends this.")
        while not self._wait_for(1, 0, LONGEST_S):
            pass
        self._line_came_ms = self._clock.now_ms()
        return LINE_CAME

    def read(self) -> str | None:
        """The time of the look, once lines beside it are kept."""
        time_ms = self._line_came_ms if self._rare else self._clock.now_ms()
        if self._rare:
            while not self._wait_for(0, LEAST_LINES, LONGEST_S):
                click.echo(f"Waiting until {LEAST_LINES} lines have come.")
        elif not self._wait_for(LINES_AFTER, LEAST_LINES, LONGEST_S):
            click.echo("The device has fallen silent, so this look does not count. Is it still on?")
            return None
        if load_lines(self._session.lines).index_of(time_ms) is None:
            click.echo("No sound line came at that moment, so this look does not count.")
            return None
        moment = datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")
        return moment.replace("+00:00", "Z")

    def answer(self) -> tuple[str, Ask | None]:
        """What was found so far, in words, and what to do next. Raises MatchError."""
        lines, found = self._session.answer(f"Found at {self._port.path}")
        asked = ask(found)
        return lines_and_answer(lines, found, asked, self._details), asked
