"""How UTC follows from the count of milliseconds since boot. Pure; imports nothing of the project."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace

LET_GO = 100
"""A clock that is ahead goes slower by one part in so many until it is right (our choice: charge counted by
it is then wrong by a hundredth, as much as by a good meter)."""

DRIFT = 100e-6
"""What a computer's crystal may be off (our choice: twice what is usual for a plain one, from memory)."""


@dataclass(frozen=True, slots=True)
class Course:
    """UTC by the count since boot: count + offset, and what it is still ahead of that.

    boot names the run of the computer for which it holds. source is who told it, '' while UTC is not known:
    it is then the earliest that it can be. From since_ms on ahead_ms are let go bit by bit. learnt_ms is the
    count at which a source last told it or agreed with it, error_ms how wrong it may have been then, but for
    what it is ahead. disagrees tells what another source says instead, '' where none does.
    """

    boot: str
    offset_ms: int
    source: str = ""
    error_ms: int = 0
    learnt_ms: int = 0
    since_ms: int = 0
    ahead_ms: int = 0
    disagrees: str = ""

    @property
    def is_known(self) -> bool:
        """Whether somebody has told UTC since the computer was switched on."""
        return self.source != ""

    def utc_ms(self, count_ms: int) -> int:
        """UTC of a count since boot; never falls where the count rises."""
        let_go_ms = min(self.ahead_ms, max(0, count_ms - self.since_ms) // LET_GO)
        return count_ms + self.offset_ms + self.ahead_ms - let_go_ms

    def error_at_ms(self, count_ms: int) -> int:
        """How wrong what it shows at a count may be."""
        still_ahead_ms = self.utc_ms(count_ms) - count_ms - self.offset_ms
        return self._unsure_ms(count_ms) + still_ahead_ms

    def confirmed(self, count_ms: int, error_ms: int) -> Course:
        """The same, found at a count to be right within error_ms but for what it is still ahead."""
        if error_ms >= self._unsure_ms(count_ms):
            return self
        return replace(self, error_ms=error_ms, learnt_ms=count_ms)

    def goes_like(self, other: Course) -> bool:
        """Whether the two are one but for how well they are known."""
        return replace(self, error_ms=other.error_ms, learnt_ms=other.learnt_ms) == other

    def _unsure_ms(self, count_ms: int) -> int:
        return self.error_ms + round(DRIFT * abs(count_ms - self.learnt_ms))

    def note(self) -> str:
        """The text under which the store keeps it."""
        return json.dumps(asdict(self))

    @classmethod
    def from_note(cls, note: str) -> Course | None:
        """The course of a note; None for the note of another kind of clock. Raises ValueError if spoilt."""
        kept = json.loads(note)
        if not isinstance(kept, dict) or "boot" not in kept:
            return None
        numbers = ("offset_ms", "error_ms", "learnt_ms", "since_ms", "ahead_ms")
        texts = ("boot", "source", "disagrees")
        try:
            course = cls(**kept)
        except TypeError as error:
            raise ValueError(f"a clock's note has other fields ({error})") from error
        if not all(type(getattr(course, name)) is int for name in numbers) or not all(
            isinstance(getattr(course, name), str) for name in texts
        ):
            raise ValueError("a clock's note has fields of another kind")
        return course
