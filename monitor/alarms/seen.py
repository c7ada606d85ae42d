"""What a sign of an alarm shows. Pure, and without the bank's sums, so that a page can know it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Seen:
    """What a sign shows: its value, the clause that tells it, and the quantities behind it.

    applies is False where what the rule is about cannot be now (a bank that is not charged is not charged too
    cold): the rule is then back, whatever the value. worthless_ms is after when nobody needs to hear of it.
    """

    value: float
    words: str
    values: Mapping[str, float | None] = field(default_factory=dict)
    applies: bool = True
    worthless_ms: int | None = None
