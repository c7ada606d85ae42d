"""Modbus RTU over a serial line: registers of one or more units, and never the answer to another question.

What stands between a wrong frame and a reading (each found to be needed where the usual clients fail):
- the checksum, and unit, function and byte count against the request, wherever in the noise the frame lies;
- the time: an answer that began before the request was out, or is complete sooner than the wire allows,
  was under way before;
- the order (`owed.py`): after a missing or damaged answer nothing is believed until a probe of another
  length was answered, and for a while each answer is checked by one more; a refused request counts as
  unanswered, since a refusal does not say what it answers;
- the echo: an adapter that sends our request back is noticed; a true answer behind it is used, and an
  echo that comes late is never taken for an answer.
"""

from __future__ import annotations

import logging
from collections import deque
from dataclasses import dataclass
from time import monotonic, sleep

from monitor.devices import advice
from monitor.devices.hearing import Hearing
from monitor.devices.modbus import (
    REGISTERS,
    Found,
    check_read,
    find_answer,
    find_refusal,
    missing_characters,
    read_frame,
    refused,
    registers_in,
    sound_sender,
)
from monitor.devices.owed import REMEMBERED, Owed, Request
from monitor.devices.port import SerialPort
from monitor.devices.timing import EXCEPTION_CHARACTERS, REQUEST_CHARACTERS, LineTiming, reply_characters
from monitor.errors import BadFrame, DeviceError, EchoHeard, ForeignReply, NoAnswer, Refused

log = logging.getLogger(__name__)

LONGEST_WAIT = 5.0
"""A slow unit's time-out grows up to so many times the configured one (our choice)."""

LATE_MARGIN = 1.5
"""A late answer sets the unit's time-out to its delay times this (our choice)."""

FORGETTING = 0.98
"""Share of a grown time-out that is left after each answer on time (our choice: half after 35 of them)."""

QUIET_S = 0.1
"""Silence after a damaged answer that ends the wait for the rest of it. Our choice: USB adapters hold
bytes back for up to 16 ms (common practice, no source), and a longer wait would only cost time."""

GAP_MARGIN_S = 0.15e-3
"""Added to t3.5 before a request (our choice): the far end's clock and its timer are not ours."""

SILENCES_TO_SHRINK = 3
"""Missing answers in a row after which a grown time-out falls back: the unit is gone (our choice)."""

EARLY_TO_ACCEPT = 3
"""Early answers of different lengths in a row that prove a port faster than its speed (our choice)."""

TRIES = 6
"""Requests, probes before it included, that one read may take to be answered (our choice)."""


class Unit:
    """What the line remembers of one unit."""

    def __init__(self, timeout_s: float) -> None:
        self.owed = Owed()
        self.timeout_s = timeout_s
        self.silences = 0
        self.answered: dict[tuple[int, int], int] = {}  # function and count: where they were given last


@dataclass(frozen=True, slots=True)
class Reply:
    """A sound frame that answers an open request; count is None for a refusal."""

    place: Found
    unit: int
    function: int
    count: int | None


class RtuLink:
    """The RegisterLink over a serial port; used by one thread at a time.

    port is a path (a by-id link is followed at each opening), parity 'none', 'even' or 'odd', timeout_s
    the wait for an answer beyond the time that both frames take on the wire; it grows for a unit that is
    slower, up to LONGEST_WAIT times. Raises ValueError for a format that no line has.
    """

    def __init__(
        self, port: str, *, baud: int = 9600, parity: str = "none", stop_bits: int = 1, timeout_s: float = 1.0
    ) -> None:
        if timeout_s <= 0:
            raise ValueError(f"timeout_s {timeout_s}: give the wait for an answer in s, for example 1.0")
        self._timing = LineTiming(baud, parity, stop_bits)
        self._port = SerialPort(port, self._timing)
        self._hearing = Hearing(self._port)
        self._configured_s = timeout_s
        self._units: dict[int, Unit] = {}
        self._early: set[int] = set()  # lengths of the early answers since one in time, or none
        self._faster_than_baud = False
        self._echoes = False
        # Requests whose echo has not been heard, where the line has one, since the last good answer
        self._unheard: deque[bytes] = deque(maxlen=REMEMBERED)

    @property
    def name(self) -> str:
        """The port's path."""
        return self._port.path

    def open(self) -> None:
        """Open and lock the port; open already is fine. Raises LineLost."""
        if not self._port.is_open:
            self._port.open()
            self._hearing.silent_since_s = monotonic()
            self._early.clear()
            self._faster_than_baud = self._echoes = False

    def close(self) -> None:
        """Release the port; may be called twice. What units still owe is remembered."""
        self._port.close()

    def timeout_of(self, unit: int) -> float:
        """The longest wait in s for this unit's answer at present: what a dead unit costs its line."""
        return self._unit(unit).timeout_s

    def slow_units(self) -> tuple[int, ...]:
        """The units that have answered later than the configured time-out."""
        return tuple(unit for unit in self._units if self.timeout_of(unit) > self._configured_s)

    def remarks(self) -> tuple[str, ...]:
        """What a person should know of this line though it works: a slow unit, an echo, a port that is
        faster than its speed. The same sentences are logged when they first hold."""
        told = [self._slow_text(unit) for unit in self.slow_units()]
        if self._echoes:
            told.append(advice.echo(self.name))
        if self._faster_than_baud:
            told.append(advice.faster_than_baud(self.name, self._timing.baud))
        return tuple(told)

    def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
        """`count` registers from `address`; see RegisterLink. Ends at the first time-out of silence."""
        check_read(unit, function, address, count)
        self.open()
        owed = self._unit(unit).owed
        for _ in range(TRIES):
            if (
                owed.may_be_mistaken(function, count)
                and self._probe(unit, function, address, count) is not None
            ):
                continue
            registers = self._exchange(unit, function, address, count)
            if registers is not None and self._stands(unit, function, address, count):
                return registers
        raise ForeignReply(advice.unmatched(self._where(unit)))

    def settle(self, unit: int) -> None:
        """See RegisterLink: as long a silence as a slow unit is ever given for an answer."""
        started_s = monotonic()
        self._hearing.clear()
        wait_s = LONGEST_WAIT * self._configured_s
        while self._hearing.wait(wait_s):
            self._hearing.clear()
            if monotonic() - started_s > 2 * wait_s:
                raise BadFrame(advice.never_silent(self.name))
        self._unit(unit).owed.clear()

    def _probe(self, unit: int, function: int, address: int, count: int) -> bool | None:
        """Ask for another length than `count`; None where no other is to be had.

        Whether this was answered, or refused and nothing came for a full time-out behind that: else the
        refusal may be one that nobody asked for.
        """
        known = self._unit(unit)
        probe = self._place_of_probe(known, function, address, count)
        if probe[2] == count:
            return None
        try:
            return self._exchange(unit, *probe, probing=True) is not None
        except Refused:
            known.answered.pop((probe[0], probe[2]), None)
            if self._hearing.data or self._hearing.wait(known.timeout_s):
                return False
            known.owed.close_all()
            return True

    @staticmethod
    def _place_of_probe(known: Unit, function: int, address: int, count: int) -> tuple[int, int, int]:
        """Function, address and count of a probe: what the unit has given before, so that it will not refuse,
        the shortest of what nothing is waited for with; where there is none, at the address itself."""
        waited = known.owed.forms()
        given = [
            (length, kind, place)
            for (kind, length), place in known.answered.items()
            if length != count and (kind, length) not in waited
        ]
        if not given:
            return function, address, known.owed.probe_count(function, count, REGISTERS - address)
        length, kind, place = min(given)
        return kind, place, length

    def _stands(self, unit: int, function: int, address: int, count: int) -> bool:
        """Whether an answer of this form, just come, is still the present one's after a further probe.

        Asked only where an older request of the form went unanswered lately: had its answer come now,
        out of order, the true one would come before the probe's.
        """
        owed = self._unit(unit).owed
        since_s = monotonic() - LONGEST_WAIT * self._configured_s
        doubts = owed.doubts(function, count, since_s)
        if not doubts:
            return True
        answered = self._probe(unit, function, address, count)
        return answered is None or (answered and owed.doubts(function, count, since_s) == doubts)

    # One exchange

    def _exchange(
        self, unit: int, function: int, address: int, count: int, probing: bool = False
    ) -> tuple[int, ...] | None:
        """The registers, or None when an answer came that may belong to an older request.

        Of a probe any refusal is raised, since `_probe` looks whether it was the probe's own.
        """
        known = self._unit(unit)
        frame = read_frame(unit, function, address, count)
        self._await_silence()
        self._port.send(frame, self._configured_s)
        self._unheard.append(frame)
        # Taken after the write: if we were held up between the two, a good answer may look early, but never
        # a late one timely.
        request = Request(function, count, monotonic())
        self._hearing.silent_since_s = request.sent_s
        known.owed.add(request)
        on_the_wire_s = self._timing.frame_s(REQUEST_CHARACTERS + reply_characters(count))
        echoed = lapsed = False
        while True:
            echoed = self._strip_echoes(frame) or echoed
            while (reply := self._next_reply()) is not None:
                heard, began_s, ended_s = self._hearing.take(reply.place)
                own = (reply.unit, reply.function) == (unit, function) and reply.count in (count, None)
                early = own and self._is_early(began_s - request.sent_s, ended_s - request.sent_s, len(heard))
                owed = self._unit(reply.unit).owed
                closed = owed.oldest(reply.function, reply.count)
                if probing and own and reply.count is None:
                    closed = request
                if closed is not request:
                    self._note(owed, closed, reply)
                    if own and not early:
                        return None  # it answers this request or an older one: both times the line moved on
                    self._came_late(reply.unit, ended_s - closed.sent_s)
                    continue
                if early:
                    self._note_early(len(heard))
                else:
                    self._note(owed, request, reply)
                    self._came_in_time(known)
                if reply.count is None:
                    raise refused(self._where(unit), function, address, count, heard[2])
                if early:
                    return None
                self._note_echo(echoed)
                known.answered[function, count] = address
                self._unheard.clear()
                return registers_in(heard)
            until_s = request.sent_s + on_the_wire_s + known.timeout_s
            # Once after the time-out what the port holds is read, and no more: noise may never end.
            ended, lapsed = lapsed, monotonic() >= until_s
            if ended or not self._hear_more(unit, function, count, until_s):
                raise self._failure(unit, echoed)

    def _strip_echoes(self, frame: bytes) -> bool:
        """Leave out the echoes of this request and of former ones, which would be sound if read as answers;
        whether this one's was there."""
        heard = [each for each in self._unheard if self._hearing.strip(each)]
        for each in heard:
            self._unheard.remove(each)
        return frame in heard

    def _hear_more(self, unit: int, function: int, count: int, until_s: float) -> bool:
        """Wait for the next bytes; False when the wait is over."""
        hearing = self._hearing
        if hearing.data:
            missing = missing_characters(hearing.data, unit, function, count)
            if missing > 1:  # sleep until the last character is due instead of waking for each one
                sleep((missing - 1) * self._timing.character_s)
        if len(hearing.data) >= EXCEPTION_CHARACTERS:
            if hearing.wait(min(QUIET_S, until_s - monotonic())):
                return True
            # The answer was damaged or another one. Only a frame of another unit leaves hope for ours
            # (Modbus over Serial Line V1.02, 2.4.1: it does not end the time-out).
            if sound_sender(hearing.data) in (None, unit):
                return False
        return hearing.wait(until_s - monotonic())

    def _await_silence(self) -> None:
        """Return when the line has been silent for t3.5. Answers that came meanwhile are late.

        So are those heard together with the last exchange's: a computer that was held up reads both.
        """
        hearing = self._hearing
        until_s, lapsed = monotonic() + self._configured_s * LONGEST_WAIT, False
        gap_s = self._timing.t3_5_s + GAP_MARGIN_S
        while hearing.wait(hearing.silent_since_s + gap_s - monotonic()):
            if lapsed:
                raise BadFrame(advice.never_silent(self.name))
            # Once after that time is still no proof: this process may have been held up.
            lapsed = monotonic() > until_s
        while (reply := self._next_reply()) is not None:
            hearing.take(reply.place)
            known = self._units[reply.unit]
            self._note(known.owed, known.owed.oldest(reply.function, reply.count), reply)
            # It lay waiting for an unknown time: all that is known is that the time-out was too short.
            self._came_late(reply.unit, known.timeout_s)
        hearing.clear()

    @staticmethod
    def _note(owed: Owed, request: Request, reply: Reply) -> None:
        """This reply came to that request, as far as order and length tell."""
        if reply.count is None:
            owed.refuse(request)
        else:
            owed.close(request)

    def _next_reply(self) -> Reply | None:
        """The first sound frame that answers any open request of any unit."""
        data = self._hearing.data
        if len(data) < EXCEPTION_CHARACTERS:
            return None
        found: list[Reply] = []
        for unit, known in self._units.items():
            found += [
                Reply(place, unit, function, count)
                for function, count in known.owed.forms()
                if (place := find_answer(data, unit, function, count))
            ]
            found += [
                Reply(place, unit, function, None)
                for function in known.owed.functions()
                if (place := find_refusal(data, unit, function))
            ]
        return min(found, key=lambda reply: reply.place.start, default=None)

    # What is learnt

    def _unit(self, unit: int) -> Unit:
        return self._units.setdefault(unit, Unit(self._configured_s))

    def _is_early(self, began_s: float, ended_s: float, length: int) -> bool:
        if self._faster_than_baud:
            return False
        return (
            began_s < self._timing.earliest_first_character_s()
            or ended_s < self._timing.earliest_completion_s(length)
        )

    def _came_in_time(self, known: Unit) -> None:
        self._early.clear()
        known.silences = 0
        known.timeout_s = max(self._configured_s, known.timeout_s * FORGETTING)

    def _came_late(self, unit: int, delay_s: float) -> None:
        known = self._unit(unit)
        known.silences = 0
        before_s = known.timeout_s
        known.timeout_s = max(before_s, min(delay_s * LATE_MARGIN, self._configured_s * LONGEST_WAIT))
        if before_s == self._configured_s < known.timeout_s:
            log.warning("%s", self._slow_text(unit))

    def _note_early(self, length: int) -> None:
        self._early.add(length)
        if len(self._early) >= EARLY_TO_ACCEPT:
            self._faster_than_baud = True
            for known in self._units.values():
                known.owed.clear()
            log.warning("%s", advice.faster_than_baud(self.name, self._timing.baud))

    def _note_echo(self, echoed: bool) -> None:
        if echoed and not self._echoes:
            log.warning("%s", advice.echo(self.name))
        self._echoes = echoed

    # What is told

    def _failure(self, unit: int, echoed: bool) -> DeviceError:
        """Why no answer was found in what was heard; a port that has gone raises LineLost instead."""
        where = self._where(unit)
        self._early.clear()
        sender = sound_sender(self._hearing.data)
        if sender == unit:
            self._unit(unit).owed.close_oldest()
        if sender is not None:
            whose = "a sound answer to another request" if sender == unit else f"a frame of unit {sender}"
            return ForeignReply(advice.foreign(where, whose))
        if self._hearing.data:
            return BadFrame(advice.damaged(where, len(self._hearing.data)))
        self._port.check_present()
        known = self._unit(unit)
        waited_s = known.timeout_s
        known.silences += 1
        if known.silences >= SILENCES_TO_SHRINK:
            known.timeout_s = self._configured_s
        if echoed:
            return EchoHeard(advice.only_echo(where, waited_s))
        return NoAnswer(advice.silent(where, waited_s))

    def _where(self, unit: int) -> str:
        return f"{self.name}, unit {unit}"

    def _slow_text(self, unit: int) -> str:
        return advice.slow(self._where(unit), self._configured_s, self.timeout_of(unit))
