"""One question after the other to a unit whose registers nobody has described, slowly enough for it.

What a profile's reader takes for an error is here an answer: 'no such register', silence.
Only what makes asking on senseless is raised. Every question goes through a RegisterLink, which knows
nothing but the two read functions.
"""

from __future__ import annotations

import time
from enum import Enum

from monitor.devices.link import RegisterLink
from monitor.devices.modbus import MOST_REGISTERS
from monitor.errors import BadFrame, ForeignReply, LineLost, NoAnswer, Refused

PAUSE_S = 0.01
"""Rest after each answer. Our choice: at most a hundred questions a second on a network; on a serial line a
device that does its real work between two frames keeps more than a quarter of the time for it."""

TRIES = 3
"""So often one question is asked where the answer is damaged or the device busy (our choice)."""

BUSY_S = 0.25
"""Rest where the device says that it is busy (our choice)."""

SILENCES_TO_CHECK = 6
"""So many silences in a row, and a register that has answered before must answer again (our choice)."""

BUSY_CODES = (5, 6)
"""Acknowledge and busy (MODBUS Application Protocol V1.1b3, 7)."""

GATEWAY_CODES = (10, 11)
"""A gateway speaks for a device that it does not reach (the same)."""


class Nothing(Enum):
    """Why a question brought no registers."""

    NO_FUNCTION = 1  # exception 01
    NO_REGISTER = 2  # any other exception that is not of the moment: devices differ in what they say
    SILENCE = 0


Words = tuple[int, ...]


class Asker:
    """Questions to one unit. `requests` counts them; `proven` is the longest that was answered so far."""

    def __init__(self, link: RegisterLink, unit: int, pause_s: float = PAUSE_S) -> None:
        self.requests = 0
        self.proven = 0
        self._link, self._unit, self._pause_s = link, unit, pause_s
        self._silences = 0
        self._alive: tuple[int, int] | None = None

    def ask(self, function: int, address: int, count: int) -> Words | Nothing:
        """`count` registers, or why there are none.

        Raises LineLost, BadFrame, ForeignReply, EchoHeard or Refused (busy, or a gateway without its
        device) where asking again did not help, NoAnswer where a unit that had answered has fallen silent.
        """
        got = self._asked(function, address, count)
        if got is not Nothing.SILENCE:
            self._silences = 0
            if isinstance(got, tuple):
                self._alive = function, address
                self.proven = max(self.proven, count)
            return got
        self._silences += 1
        if self._alive is not None and self._silences % SILENCES_TO_CHECK == 0:
            self._check_alive(*self._alive)
        return got

    def _check_alive(self, function: int, address: int) -> None:
        for _ in range(TRIES):
            if self._asked(function, address, 1) is not Nothing.SILENCE:
                self._silences = 0
                return
        raise NoAnswer(
            f"{self._link.name}, unit {self._unit}: has stopped answering, also at register {address}, which "
            "it gave before; check its power and wiring, then start again"
        )

    def _asked(self, function: int, address: int, count: int) -> Words | Nothing:
        for left in reversed(range(TRIES)):
            self.requests += 1
            try:
                return self._link.read(self._unit, function, address, count)
            except NoAnswer:
                return Nothing.SILENCE
            except Refused as error:
                if error.code not in (*BUSY_CODES, *GATEWAY_CODES):
                    return Nothing.NO_FUNCTION if error.code == 1 else Nothing.NO_REGISTER
                if not left:
                    raise
                time.sleep(BUSY_S)
            except LineLost:
                if not left:
                    raise
            except (BadFrame, ForeignReply):
                if not left:
                    raise
                self._link.settle(self._unit)
            finally:
                time.sleep(self._pause_s)
        raise AssertionError("the last try returns or raises")


class Appetite:
    """How many registers a unit gives at once.

    Tried only on registers that are known to be readable, twice as many each time: so no question is longer
    than one that was answered, but for two at the most that find the limit itself, whatever a device says to
    too many (03, 02 or nothing).
    """

    def __init__(self, asker: Asker, largest: int | None) -> None:
        self._asker = asker
        self._largest = largest or MOST_REGISTERS
        self._refusals = 0

    def trial(self, readable: int) -> int | None:
        """How many to ask for, to learn more, where so many neighbours are known to be readable."""
        count = min(2 * self._asker.proven, self._largest)
        return count if self._asker.proven < count <= readable else None

    def refused(self, count: int) -> None:
        """`count` readable registers at once were too many; one more try half way down, then no more."""
        self._refusals += 1
        proven = self._asker.proven
        self._largest = (proven + count) // 2 if self._refusals == 1 else proven
