"""A store's files as a cut of the current may leave them, where SQLite's own rules promise that it goes on.

The log of a killed writer is read here a second time, by the published format (sqlite.org/fileformat2.html,
4.1 to 4.3): a frame counts as long as its salts and its checksum, which runs on from frame to frame, fit; a
transaction as far as its last frame, the one that names the database's size. So:

    cut       the log ends anywhere: what stands up to the last whole transaction counts
    flipped   a bit of the log is wrong: the same, up to the transaction before that bit
    garbage   frames that never were stand behind: nothing is lost
    torn      pages of the file that stand in the log are half written: nothing is lost

What a checkpoint has taken over into the file was synced in the log before (sqlite.org/wal.html,
'Checkpointing'), so the first two hit only what comes after: no cut of the current can take the log back
behind its own file.
"""

from __future__ import annotations

import hashlib
import random
import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

DAMAGES = ("cut", "flipped", "garbage", "torn")
HEADER, FRAME_HEADER = 32, 24
MAGIC_BIG = 0x377F0683
"""The log's first number where checksums go by big-endian words; one less: little-endian."""


@dataclass(frozen=True, slots=True)
class Log:
    """A write-ahead log as far as it counts: its page size, the frames of its whole transactions (page number
    and where the frame begins), and where each transaction ends."""

    page_bytes: int
    frames: tuple[tuple[int, int], ...]
    ends: tuple[int, ...]

    def last_whole(self, before: int) -> int:
        """The end of the last transaction that lies before a byte; the header's end where none does."""
        return max((end for end in self.ends if end <= before), default=HEADER)


def log_of(wal: bytes) -> Log:
    """Read a log."""
    if len(wal) < HEADER:
        return Log(0, (), ())
    magic, _, page_bytes = struct.unpack(">3I", wal[:12])
    order = ">" if magic == MAGIC_BIG else "<"
    salts = wal[16:24]
    sums = _checksum(wal[:24], order, (0, 0))
    if struct.unpack(">2I", wal[24:32]) != sums:
        return Log(page_bytes, (), ())
    frames, ends, open_frames = list[tuple[int, int]](), list[int](), list[tuple[int, int]]()
    at = HEADER
    while at + FRAME_HEADER + page_bytes <= len(wal):
        header, page = wal[at : at + FRAME_HEADER], wal[at + FRAME_HEADER : at + FRAME_HEADER + page_bytes]
        sums = _checksum(header[:8] + page, order, sums)
        if header[8:16] != salts or struct.unpack(">2I", header[16:24]) != sums:
            break
        number, size = struct.unpack(">2I", header[:8])
        open_frames.append((number, at))
        at += FRAME_HEADER + page_bytes
        if size:
            frames += open_frames
            ends.append(at)
            open_frames.clear()
    return Log(page_bytes, tuple(frames), tuple(ends))


def taken_over(log: Log, wal: bytes, file: bytes) -> int:
    """Where what a checkpoint has taken over ends in the log: with the last frame that stands in the file."""
    size, end = log.page_bytes, HEADER
    for page, at in log.frames:
        if wal[at + FRAME_HEADER : at + FRAME_HEADER + size] == file[(page - 1) * size : page * size]:
            end = at + FRAME_HEADER + size
    return end


def _checksum(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for at in range(0, len(words), 2):
        first = (first + words[at] + second) & 0xFFFFFFFF
        second = (second + words[at + 1] + first) & 0xFFFFFFFF
    return first, second


def damage(store: Path, kind: str, rng: random.Random, to: Path) -> tuple[Path, int] | None:
    """A damaged copy of a store that nobody has open, as `to`; what it must amount to, as a second copy, and
    how many commits that is back.

    None where the log holds nothing that could be damaged so.
    """
    wal = _wal(store).read_bytes() if _wal(store).exists() else b""
    log, file = log_of(wal), store.read_bytes()
    if not log.ends:
        return None
    end, expected = log.ends[-1], wal[: log.ends[-1]]
    if kind in ("cut", "flipped"):
        # as often in the last transaction as anywhere
        first = taken_over(log, wal, file)
        if first >= end:
            return None
        at = rng.randrange(rng.choice([first, max(first, log.last_whole(end - 1))]), end)
        expected = wal[: log.last_whole(at)]
        flipped = wal[:at] + bytes([wal[at] ^ (1 << rng.randrange(8))]) + wal[at + 1 :]
        wal = wal[:at] if kind == "cut" else flipped
    elif kind == "garbage":
        # the right salts and a wrong checksum, as a frame that was being written over an old one
        more = b"".join(
            struct.pack(">2I", rng.randint(1, 9), rng.randint(0, 9)) + wal[16:24] + rng.randbytes(8)
            + rng.randbytes(log.page_bytes)
            for _ in range(rng.randint(1, 3))
        )  # fmt: skip
        wal = wal[:end] + more[: rng.randrange(1, len(more))]
    else:
        torn = bytearray(file)
        for page in {page for page, _ in log.frames if page * log.page_bytes <= len(file)}:
            half = (page - 1) * log.page_bytes + log.page_bytes // 2
            torn[half : half + log.page_bytes // 2] = rng.randbytes(log.page_bytes // 2)
        _put(to, bytes(torn), wal)
    if kind != "torn":
        _put(to, file, wal)
    sound = to.with_name(f"{to.name}-sound.db")
    _put(sound, file, expected)
    return sound, sum(each > len(expected) for each in log.ends)


def _put(store: Path, file: bytes, wal: bytes) -> None:
    store.write_bytes(file)
    _wal(store).write_bytes(wal)
    store.with_name(f"{store.name}-shm").unlink(missing_ok=True)


def _wal(store: Path) -> Path:
    return store.with_name(f"{store.name}-wal")


def digest(store: Path) -> str:
    """A digest of all rows of all tables; what SQLite says of a file that it cannot read."""
    found = hashlib.sha256()
    try:
        with closing(sqlite3.connect(store)) as file:
            for line in file.iterdump():
                found.update(line.encode())
    except sqlite3.DatabaseError as error:
        return str(error)
    return found.hexdigest()


def remove(store: Path) -> None:
    """Take a store's files away."""
    for ending in ("", "-wal", "-shm", ".lock"):
        store.with_name(store.name + ending).unlink(missing_ok=True)
