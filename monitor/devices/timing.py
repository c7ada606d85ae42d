"""How long a Modbus RTU exchange takes on a serial line; pure.

Source: Modbus over Serial Line V1.02 (MBS), 2.5.1: a frame is sent as an unbroken stream of characters;
frames are kept apart by at least 3.5 characters of silence (t3.5), and more than 1.5 characters (t1.5)
inside a frame spoil it; above 19200 bit/s fixed times of 750 µs and 1.750 ms are used instead.
"""

from __future__ import annotations

from dataclasses import dataclass

REQUEST_CHARACTERS = 8
"""A read request: unit, function, address (2), count (2), checksum (2)."""

EXCEPTION_CHARACTERS = 5
"""A refusal: unit, function + 0x80, code, checksum (2)."""

STANDARD_BITS = 11
"""Bits of a character in RTU mode: start, eight data, parity or a second stop, stop (MBS 2.5.1)."""

FIXED_ABOVE_BAUD = 19200
FIXED_T3_5_S = 1.750e-3
"""MBS 2.5.1.1: fixed values above 19200 bit/s."""

CLOCK_TOLERANCE = 0.03
"""How much faster than nominal a sender's bit clock may run before we call its reply too early.

Our choice: an asynchronous receiver with 11-bit characters still samples rightly at about 4 % (common
practice, no source); the standard itself asks for 1 % from senders and 2 % from receivers."""

PARITIES = ("none", "even", "odd")
"""'even' is the standard's default (MBS 3.3.1); most small devices use none (common practice, no source), so
it is tried first where nobody knows."""


def reply_characters(count: int) -> int:
    """Characters of the reply to a read of `count` registers: unit, function, byte count, data, checksum."""
    return 5 + 2 * count


@dataclass(frozen=True, slots=True)
class LineTiming:
    """The times of one serial line. Raises ValueError for a format no line can have.

    baud is bits per second, parity 'none', 'even' or 'odd', stop_bits 1 or 2.
    """

    baud: int
    parity: str = "none"
    stop_bits: int = 1

    def __post_init__(self) -> None:
        if self.baud <= 0:
            raise ValueError(f"baud {self.baud}: give the device's line speed in bit/s, for example 9600")
        if self.parity not in PARITIES:
            raise ValueError(f"parity {self.parity!r}: give one of {', '.join(PARITIES)}")
        if self.stop_bits not in (1, 2):
            raise ValueError(f"stop_bits {self.stop_bits}: give 1 or 2")

    @property
    def bits_per_character(self) -> int:
        """Start bit, eight data bits, parity bit if any, stop bits: 11 by the standard, 10 for 8N1."""
        return 1 + 8 + (self.parity != "none") + self.stop_bits

    @property
    def character_s(self) -> float:
        """Time of one character on the wire in s."""
        return self.bits_per_character / self.baud

    @property
    def _gap_character_s(self) -> float:
        # A device may count its silences in standard characters even where the line runs 8N1: a gap
        # measured in our shorter ones could be too short for it.
        return max(self.bits_per_character, STANDARD_BITS) / self.baud

    @property
    def t3_5_s(self) -> float:
        """Shortest silence between frames in s; counted in characters of at least 11 bits."""
        return FIXED_T3_5_S if self.baud > FIXED_ABOVE_BAUD else 3.5 * self._gap_character_s

    def frame_s(self, characters: int) -> float:
        """Time in s that a frame of so many characters takes."""
        return characters * self.character_s

    def wire_limit_s(self, count: int, turnaround_s: float = 0.0) -> float:
        """Shortest cycle in s of a read of `count` registers: silence, request, silence, the device's own
        turnaround, reply. No client can poll faster without breaking the standard."""
        return self.frame_s(REQUEST_CHARACTERS + reply_characters(count)) + 2 * self.t3_5_s + turnaround_s

    def earliest_first_character_s(self) -> float:
        """Time in s from the start of a request before which no character of its answer can have come.

        The silence and the turnaround before the reply are not counted: some devices skip them.
        """
        return self.frame_s(REQUEST_CHARACTERS + 1) * (1 - CLOCK_TOLERANCE)

    def earliest_completion_s(self, characters: int) -> float:
        """Time in s from the start of a request before which an answer of so many characters cannot be
        complete: a frame that is there sooner was under way before the request and answers another one."""
        return self.frame_s(REQUEST_CHARACTERS + characters) * (1 - CLOCK_TOLERANCE)
