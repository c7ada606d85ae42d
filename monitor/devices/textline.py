"""Lines of serial text: framing, checksum, fields, and what to believe. Pure; `text_device.py` has the wire.

A damaged line is refused whole. Checksums: XOR as in NMEA 0183 (every character between the start mark and
`*`, two upper-case hex digits) and CRC-16/MODBUS over the same characters (four digits, high byte first).
Where a device sends no checksum only plausibility, the way in which it writes its numbers and agreement of
neighbouring lines defend; they help an XOR, too, which lets some lines pass that were hit twice
(tests/faults/FAULTS.md).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator, Mapping

from monitor.devices.profile import Field, Form, TextProfile
from monitor.devices.words import Judged, judge
from monitor.errors import BadFrame
from monitor.records import Quality

QUIET_S = 0.1
"""Silence after which the next character begins a line (our choice; 96 characters at 9600 baud)."""

LONGEST_LINE = 512
"""Characters (our choice; NMEA 0183 allows 82): what runs on longer is noise and is thrown away."""

CHECK_MARK = "*"
NUMBER = re.compile(r"[+-]?(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9})", re.ASCII)

WITNESSES = 3
"""So many lines before may bear a value out (our choice: of a load that comes and goes each of two or three
levels is then seen again, and two lines that are damaged alike seldom come so near each other)."""

ODD = "not believed yet: written otherwise than in all lines before it"
FIRST = "not believed yet: the first line, none to agree"
LEAP = "not believed yet: far from all lines before it"


def xor_of(characters: bytes) -> int:
    """XOR of all characters, the checksum of NMEA 0183."""
    result = 0
    for character in characters:
        result ^= character
    return result


def crc16(characters: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, polynomial 0xA001 (Modbus over Serial Line V1.02, 6.2.2)."""
    result = 0xFFFF
    for character in characters:
        result ^= character
        for _ in range(8):
            result = result >> 1 ^ 0xA001 if result & 1 else result >> 1
    return result


NumberForm = tuple[bool, int]
"""Whether a number has digits before the point, and how many behind it."""


def form_of(text: str) -> NumberForm:
    """How a number is written."""
    whole, _, rest = text.strip(" ").partition(".")
    return whole.strip("+-") != "", len(rest)


class LineSplitter:
    """Cuts a stream of bytes into lines; holds at most LONGEST_LINE of them whatever comes.

    The stream begins in the middle of a line unless `at_line_start` says otherwise, so what comes before
    the first line end is not a line.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = True

    def at_line_start(self) -> None:
        """The line was quiet: the next character begins a line."""
        if not self._rest:
            self._skipping = False

    def in_mid_line(self) -> None:
        """Characters were lost or thrown away: forget the rest and wait for a line end."""
        self._rest = b""
        self._skipping = True

    def feed(self, data: bytes) -> Iterator[bytes]:
        """The complete lines up to now, without line ends; empty ones are left out."""
        *ended, rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        for line in ended:
            if self._skipping:
                self._skipping = False
            elif 0 < len(line) <= LONGEST_LINE:
                yield line
        if len(rest) > LONGEST_LINE:
            self.in_mid_line()
        else:
            self._rest = rest


def fields_of(profile: TextProfile, line: bytes) -> dict[str, str] | None:
    """The text of each quantity that the line gives; None for a sound line of another kind.

    Raises BadFrame for a damaged line.
    """
    pieces = pieces_of(sound_body(profile, line), profile.separator, profile.form)
    if profile.form == "pairs":
        return _pairs(profile, pieces)
    if not _holds(pieces, profile.constants):
        return None
    found = {}
    for field in profile.fields:
        if _holds(pieces, field.only_where):
            for columns in (profile.columns, field.columns):
                if columns not in (None, len(pieces)):
                    raise BadFrame(f"the line has {len(pieces)} columns, not {columns}")
            if isinstance(field.where, int) and field.where < len(pieces):
                found[field.quantity] = pieces[field.where]
    return found or None


def _holds(pieces: list[str], texts: Mapping[int, str]) -> bool:
    return all(column < len(pieces) and pieces[column] == text for column, text in texts.items())


def pieces_of(body: str, separator: str, form: Form) -> list[str]:
    """What a separator parts. Any number of blanks parts as one does, as in lines aligned to be read; the
    last pair may end with a separator, too.
    """
    pieces = body.split(separator)
    if separator == " ":
        pieces = [piece for piece in pieces if piece]
    return pieces[:-1] if form == "pairs" and len(pieces) > 1 and not pieces[-1] else pieces


def sound_body(profile: TextProfile, line: bytes) -> str:
    """The characters between start mark and checksum, checked."""
    start = profile.start.encode()
    marks = (profile.separator + profile.assign).encode()  # a tab is text where it parts what a line says
    if not line.startswith(start) or not all(32 <= code < 127 or code in marks for code in line):
        raise BadFrame("the line does not begin as it must, or holds characters that are no text")
    body = line[len(start) :]
    if profile.checksum == "none":
        return body.decode("ascii")
    body, mark, told = body.rpartition(CHECK_MARK.encode())
    expected = f"{xor_of(body):02X}" if profile.checksum == "xor" else f"{crc16(body):04X}"
    if not mark or told.decode("ascii") != expected:
        raise BadFrame("the line's checksum does not fit")
    return body.decode("ascii")


def _pairs(profile: TextProfile, pieces: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for piece in pieces:
        key, assign, text = piece.partition(profile.assign)
        if not assign or key in found or not key:
            raise BadFrame("the line does not consist of key and value, each key once")
        found[key] = text
    given = {field.quantity: found[str(field.where)] for field in profile.fields if field.where in found}
    if profile.checksum == "none" and len(given) < len(profile.fields):
        raise BadFrame("the line lacks a key")  # a damaged key looks like another key
    return given


class LineJudge:
    """Turns the fields of successive lines into values, remembering what the lines before said."""

    def __init__(self, profile: TextProfile) -> None:
        self._profile = profile
        self._believed: dict[str, float] = {}
        self._before: dict[str, deque[float]] = {}
        self._is_weak = profile.checksum != "crc16"
        self._known_forms: dict[str, set[NumberForm]] = {}
        self._last_forms: dict[str, deque[NumberForm]] = {}

    def values(self, line: bytes) -> dict[str, Judged]:
        """The value of each quantity that the line gives, {} for a line of another kind.

        Raises BadFrame for a damaged line.
        """
        texts = fields_of(self._profile, line) or {}
        numbers = {
            field.quantity: self._number(field, texts[field.quantity])
            for field in self._profile.fields
            if field.quantity in texts
        }
        return {
            field.quantity: self._judged(field, numbers[field.quantity], texts[field.quantity])
            for field in self._profile.fields
            if field.quantity in numbers
        }

    def _number(self, field: Field, text: str) -> float | None:
        text = text.strip(" ")
        if text in self._profile.missing:
            return None
        if not NUMBER.fullmatch(text):
            raise BadFrame(f"{field.where}: {text!r} is no number")
        return float(text)

    def _judged(self, field: Field, number: float | None, text: str) -> Judged:
        if number is None:
            return Judged(None, Quality.MISSING, "the device says not available")
        judged = judge(number, field.meaning)
        if judged.value is None or judged.quality is not Quality.GOOD or field.meaning.codes:
            return judged
        if self._is_weak and not self._is_written_as_ever(field.quantity, form_of(text)):
            return Judged(judged.value, Quality.SUSPECT, ODD)
        if field.largest_step is None:
            return judged
        return self._agreed(field.quantity, judged.value, field.largest_step)

    def _is_written_as_ever(self, quantity: str, form: NumberForm) -> bool:
        """Whether a number has a form in which this field was written before: at first, or twice in lines
        near each other. A device writes a field in one way, or soon shows its others (common practice, no
        source)."""
        last = self._last_forms.setdefault(quantity, deque(maxlen=WITNESSES))
        known = self._known_forms.setdefault(quantity, {form})
        if form in last:
            known.add(form)
        last.append(form)
        return form in known

    def _agreed(self, quantity: str, value: float, step: float) -> Judged:
        """Believe a value near the last believed one, or near that of one of the lines before."""
        before = self._before.setdefault(quantity, deque(maxlen=WITNESSES))
        witnesses = [*before, self._believed[quantity]] if quantity in self._believed else [*before]
        before.append(value)
        if any(abs(value - witness) <= step for witness in witnesses):
            self._believed[quantity] = value
            return Judged(value)
        return Judged(value, Quality.SUSPECT, LEAP if witnesses else FIRST)


def waits_for_a_witness(judged: Judged) -> bool:
    """Whether the next line may bear this value out."""
    return judged.reason in (ODD, FIRST, LEAP)
