"""What must still be known after a restart: one note in the store, committed with the notices themselves."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any, Self

NOTICES_NOTE = "notices"
"""Key of the store's note."""


@dataclass(slots=True)
class Standing:
    """An alarm that was told on a channel and is not over. repeat_ms is when it is told again, if ever."""

    raised_ms: int
    priority: str
    repeats: int = 0
    repeat_ms: int | None = None


@dataclass(slots=True)
class Memory:
    """told: by channel and alarm. recent: by channel, when notices at once were made. last_id is the newest
    transition that was looked at, last_ms its time; evening and morning the last days that were summed up.
    uptime_s is how long the computer ran when the memory was kept last, stopped whether that was at a stop.
    """

    last_id: int = 0
    last_ms: int = 0
    told: dict[str, dict[str, Standing]] = field(default_factory=dict)
    recent: dict[str, list[int]] = field(default_factory=dict)
    evening: str = ""
    morning: str = ""
    uptime_s: float = 0.0
    stopped: bool = False

    def on(self, channel: str) -> dict[str, Standing]:
        """What was told on a channel."""
        return self.told.setdefault(channel, {})

    def text(self) -> str:
        """The memory as the store keeps it."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def of(cls, text: str) -> Self:
        """The memory that a text holds. Raises ValueError where it holds none."""
        try:
            kept: dict[str, Any] = json.loads(text)
            told = {
                channel: {alarm: Standing(**each) for alarm, each in alarms.items()}
                for channel, alarms in kept.pop("told").items()
            }
            return cls(told=told, **kept)
        except (AttributeError, KeyError, TypeError) as error:
            raise ValueError(f"this is no memory of notices: {error}") from error
