"""What a line says unasked: whether it is text, at which speed, and how its lines are made."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from time import monotonic

from monitor.devices.modbus import sound_sender
from monitor.devices.port import SerialPort
from monitor.devices.textline import CHECK_MARK, LineSplitter, crc16, xor_of
from monitor.devices.timing import LineTiming

TEXT_SHARE = 0.95
"""From this share of printable characters on it is text. Our choice: of random bytes 38 % are printable."""

LEAST_BYTES = 8
"""Fewer bytes than this are a spike on the line, no speech (our choice)."""

PRINTABLE = frozenset((9, 10, 13, *range(32, 127)))
DELIMITERS = ";,\t| "
"""In this order, so that a space behind a comma is no separator."""

ASSIGNS = "=:"
STARTS = "$!#"


@dataclass(frozen=True, slots=True)
class TextHeard:
    """Text at one speed. share is of printable characters; separator and assign are '' where none was seen;
    checksum is 'xor', 'crc16' or 'none'; sample the last whole line, '' where none was whole."""

    baud: int
    share: float
    lines: int
    interval_s: float | None
    start: str
    separator: str
    assign: str
    checksum: str
    sample: str


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes that are no text at any speed. master: sound Modbus frames are among them: somebody asks here."""

    bytes: int
    master: bool = False


def listen(
    path: str, bauds: Sequence[int], first_s: float, each_s: float, parity: str = "none"
) -> Iterator[TextHeard | Noise | None]:
    """Listen at the first speed for first_s; where bytes come, at the others too for each_s. Gives None after
    each speed while nothing is known, what was heard last of all. Raises LineLost."""
    best: TextHeard | None = None
    most, master = 0, False
    for number, baud in enumerate(bauds):
        data, lines = _hear(path, LineTiming(baud, parity), each_s if number else first_s)
        most = max(most, len(data))
        master = master or _has_frames(data)
        heard = judge_text(baud, data, lines)
        if heard is not None and (best is None or heard.share > best.share):
            best = heard
        if len(data) < LEAST_BYTES and not number:
            return
        if master or (best is not None and best.share == 1 and best.lines > 1):
            break
        yield None
    yield Noise(most, master) if master or best is None else best


def _hear(path: str, timing: LineTiming, seconds: float) -> tuple[bytes, list[tuple[float, bytes]]]:
    """All bytes of so many seconds, and the whole lines with the time at which each ended."""
    port = SerialPort(path, timing)
    splitter, data, lines = LineSplitter(), b"", []
    port.open()
    try:
        until_s = monotonic() + seconds
        while (left_s := until_s - monotonic()) > 0:
            chunk = port.receive(min(0.1, left_s))
            if not chunk and left_s > 0.1:
                splitter.at_line_start()
            data += chunk
            lines += [(monotonic(), line) for line in splitter.feed(chunk)]
    finally:
        port.close()
    return data, lines


def _has_frames(data: bytes) -> bool:
    """Whether sound Modbus frames are in both halves; in one of them chance may have made it."""
    half = len(data) // 2
    return sound_sender(data[:half]) is not None and sound_sender(data[half:]) is not None


def judge_text(baud: int, data: bytes, lines: Sequence[tuple[float, bytes]]) -> TextHeard | None:
    """What bytes amount to as text, None where they are too few or are none."""
    share = sum(byte in PRINTABLE for byte in data) / len(data) if data else 0.0
    if len(data) < LEAST_BYTES or share < TEXT_SHARE or (b"\n" not in data and b"\r" not in data):
        return None
    texts = [line.decode("ascii", "replace") for _, line in lines]
    start = texts[0][0] if texts and texts[0][0] in STARTS and all(t[0] == texts[0][0] for t in texts) else ""
    checksum = _checksum([line for _, line in lines], start)
    bodies = [
        text.removeprefix(start).rpartition(CHECK_MARK)[0] if checksum != "none" else text for text in texts
    ]
    separator = _separator(bodies)
    spans = [later - sooner for (sooner, _), (later, _) in pairwise(lines)]
    return TextHeard(
        baud,
        share,
        len(lines),
        round(sorted(spans)[len(spans) // 2], 1) if spans else None,
        start,
        separator,
        _assign(bodies, separator),
        checksum,
        texts[-1] if texts else "",
    )


def _checksum(lines: Sequence[bytes], start: str) -> str:
    """The rule that most lines keep; one damaged line must not hide it."""
    kept: Counter[str] = Counter()
    for line in lines:
        body, mark, told = line.removeprefix(start.encode()).rpartition(CHECK_MARK.encode())
        if mark:
            kept["xor"] += told == f"{xor_of(body):02X}".encode()
            kept["crc16"] += told == f"{crc16(body):04X}".encode()
    rule, count = kept.most_common(1)[0] if kept else ("none", 0)
    return rule if 2 * count > len(lines) else "none"


def _separator(bodies: Sequence[str]) -> str:
    """What stands in every line, equally often in most of them; a space only where nothing else does."""
    for mark in DELIMITERS:
        counts = Counter(body.count(mark) for body in bodies)
        if counts and 0 not in counts and 2 * counts.most_common(1)[0][1] > len(bodies):
            return mark
    return ""


def _assign(bodies: Sequence[str], separator: str) -> str:
    pieces = [piece for body in bodies for piece in (body.split(separator) if separator else [body])]
    for mark in ASSIGNS:
        if pieces and all(re.fullmatch(rf"[^{mark}]+{mark}[^{mark}]*", piece) for piece in pieces):
            return mark
    return ""
