"""A device that sends lines of text by itself: what has arrived at its port, judged line by line."""

from __future__ import annotations

from monitor.clock import Clock
from monitor.clock.receiver import TimeTold
from monitor.devices.health import HealthRecord
from monitor.devices.line_time import time_of
from monitor.devices.port import SerialPort
from monitor.devices.profile import TextProfile
from monitor.devices.textline import QUIET_S, LineJudge, LineSplitter, waits_for_a_witness
from monitor.devices.words import Judged, as_readings
from monitor.errors import BadFrame, DeviceError, LineLost, NoAnswer
from monitor.records import Reading

BACKLOG = 2048
"""Bytes, half of what a Linux terminal holds: with more waiting, the newest may have been dropped."""

OLD_INTERVALS = 10
"""A stream unread for so many of its intervals may end with an old line (our choice)."""

WITNESS_INTERVALS = 1.5
"""So many intervals a poll waits for the line that bears a value out (our choice: the next, late by half)."""


STALLED_S = 0.5
"""What was read so long after the look before may have come long ago, so that it tells no time (our choice:
half of what lines may disagree by, `clock/receiver.py`). What is believed so long after the look that brought
it may be old by then: newer lines wait."""

NO_TIME = "It says that it does not know the time yet."


class TextDevice:
    """A device that sends lines by itself. A poll takes what has arrived; the newest sound line wins.

    Of one that tells the time, too, a poll waits for a line that it sees come: only that can be timed. Where
    neighbouring lines must bear a value out, a poll waits for the next one, so that what is true is believed
    in this very poll.
    """

    def __init__(
        self,
        name: str,
        profile: TextProfile,
        port: SerialPort,
        timeout_s: float,
        every_s: float,
        health: HealthRecord,
        clock: Clock,
    ) -> None:
        self.name, self.every_s, self.health = name, every_s, health
        self.quantities = profile.quantities
        self._port, self.clock = port, clock
        self._interval_s = profile.interval_s
        self._patience_s = profile.interval_s + timeout_s
        self._several_kinds = any(field.only_where for field in profile.fields)
        self._splitter = LineSplitter()
        self._judge = LineJudge(profile)
        self._drained_s = clock.elapsed_s()
        self._heard = 0  # characters in this poll
        self._profile = profile
        self._answered_ms: int | None = None  # when the newest line was read that answers this poll
        self._told: TimeTold | None = None
        self._odd_s: float | None = None  # when this poll met a value that the next line is to bear out
        self._is_timed = profile.time is None  # whether this poll has seen come what tells the time

    def poll(self, again: bool = False) -> list[Reading]:
        """See Device; a second try just goes on listening.

        Waits up to the device's interval and time-out where no sound line has arrived yet. Where the process
        was held up meanwhile, what it had heard is forgotten, and the wait begins anew, once.
        """
        answers: dict[str, Judged] = {}
        self._heard = 0
        self._answered_ms, self._told, self._is_timed = None, None, self._profile.time is None
        self._odd_s = None
        try:
            earlier_s = self.clock.elapsed_s()
            self._make_ready()
            fault = self._take(self._fresh_arrivals(), answers)
            started_s, looked_s = self._drained_s, self.clock.elapsed_s()
            is_late = is_anew = False
            while (
                (stalled := self._stalled_since(earlier_s))
                or self._answered_ms is None
                or not self._is_timed
                or self._waits(answers, looked_s)
            ):
                if stalled:  # what was heard of the time may be as old
                    self._told, self._is_timed = None, self._profile.time is None
                left_s = started_s + self._patience_s - looked_s
                if left_s <= 0 and self._answered_ms is not None and not stalled:
                    break
                if is_late and not stalled:
                    raise fault or self._no_answer()
                is_late = left_s <= 0  # one more look: what came to a process that was held up counts
                wait_s = 0.0 if stalled else min(QUIET_S, left_s)
                data = self._receive(wait_s)
                if not data and wait_s >= QUIET_S:
                    self._splitter.at_line_start()
                earlier_s, looked_s = looked_s, self.clock.elapsed_s()
                if not is_anew and self._may_be_old(data, looked_s - earlier_s):
                    self._drain(looked_s)
                    answers.clear()
                    self._answered_ms = self._odd_s = fault = None
                    started_s = earlier_s = looked_s
                    is_late, is_anew = False, True
                    continue
                fault = self._take(data, answers, seen=looked_s - earlier_s < STALLED_S) or fault
            if self._several_kinds:
                self._take_what_follows(answers)
        except LineLost:
            self._splitter.in_mid_line()
            raise
        return as_readings(self.name, self.quantities, answers, self._answered_ms)

    def take_times(self) -> tuple[TimeTold, ...]:
        """What the last poll's lines have told of the time; each is handed out once."""
        told, self._told = self._told, None
        return () if told is None else (told,)

    def _stalled_since(self, look_s: float) -> bool:
        """Whether the process stood still since before its last look, which began then: what that brought may
        be as old."""
        return self.clock.elapsed_s() - look_s > QUIET_S + STALLED_S

    def _waits(self, answers: dict[str, Judged], now_s: float) -> bool:
        """Whether the next line may bear out what this poll has heard."""
        if not any(map(waits_for_a_witness, answers.values())):
            return False
        if self._odd_s is None:
            self._odd_s = now_s
        return now_s - self._odd_s < WITNESS_INTERVALS * self._interval_s

    def _take_what_follows(self, answers: dict[str, Judged]) -> None:
        """Add what the other kinds of line say that come without a pause behind the one that was heard."""
        until_s = self.clock.elapsed_s() + self._interval_s
        while len(answers) < len(self.quantities) and self.clock.elapsed_s() < until_s:
            data = self._receive(QUIET_S)
            if not data:
                self._splitter.at_line_start()
                return
            self._take(data, answers)

    def close(self) -> None:
        self._port.close()
        self._splitter.in_mid_line()

    def _make_ready(self) -> None:
        if self._port.is_open:
            self._port.check_present()
        else:
            self._splitter.in_mid_line()
            self._port.open()

    def _receive(self, wait_s: float) -> bytes:
        data = self._port.receive(wait_s)
        self._heard += len(data)
        return data

    def _fresh_arrivals(self) -> bytes:
        """What has arrived since the last poll, nothing where the newest of it may be old."""
        data = b""
        while len(data) <= BACKLOG and (more := self._receive(0)):
            data += more
        now_s = self.clock.elapsed_s()
        old = now_s - self._drained_s > OLD_INTERVALS * self._interval_s
        self._drained_s = now_s
        if len(data) > BACKLOG or old:
            self._drain(now_s)
            return b""
        return data

    def _may_be_old(self, data: bytes, waited_s: float) -> bool:
        """Whether what a look brought came while the process was held up, and may end with an old line."""
        many, long = len(data) > BACKLOG, waited_s > OLD_INTERVALS * self._interval_s
        return data != b"" and waited_s > STALLED_S and (many or long)

    def _drain(self, now_s: float) -> None:
        """Throw away all that has arrived; the next whole line is of now."""
        while self._receive(0) and self.clock.elapsed_s() < now_s + self._patience_s:
            pass
        self._drained_s = now_s
        self._splitter.in_mid_line()

    def _take(self, data: bytes, answers: dict[str, Judged], *, seen: bool = False) -> BadFrame | None:
        """Add the values of the complete lines to `answers`; the last damaged line's fault, if any.

        seen: the data came just now, so that it can tell the time.
        """
        fault = None
        for line in self._splitter.feed(data):
            try:
                values = self._judge.values(line)
                tells_time = self._take_time(line, seen=seen)
            except BadFrame as error:
                fault = error
                continue
            answers |= values
            if values or (tells_time and not self.quantities):
                self._answered_ms = self.clock.now_ms()
        return fault

    def _take_time(self, line: bytes, *, seen: bool) -> bool:
        """Keep the time that a line tells, if it was seen to come; whether it is of the kind that does."""
        found = time_of(self._profile, line)
        if found is None:
            return False
        self.health.remark = NO_TIME if found.utc_ms is None else ""
        if seen:
            self._is_timed = True
            if found.utc_ms is not None:
                self._told = TimeTold(found.utc_ms, self.clock.now_ms())
        return True

    def _no_answer(self) -> DeviceError:
        within = f"within {self._patience_s:g} s"
        if self._heard:
            return NoAnswer(
                f"{self._port.path}: {self._heard} characters came {within}, but no line that says anything"
                " of this profile; check that the profile is the device's, and baud, parity and stop bits in"
                " the site file"
            )
        return NoAnswer(
            f"{self._port.path}: no line came {within}; check that the device is on, and baud, parity and "
            "stop bits in the site file"
        )
