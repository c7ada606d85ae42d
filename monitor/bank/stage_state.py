"""What is followed of one bank's charging, and how it comes back after a restart. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any

from monitor.bank.held import Held
from monitor.quantities import Stage

NIGHT_S = 3 * 3600.0
"""Off for so long ends a charge: the next one is a new day's (our choice)."""

HALF_HOURS = 48


@dataclass(slots=True)
class StageState:
    """All that is followed of one bank's charging, and survives a restart."""

    last_ms: int | None = None
    behind_ms: int | None = None
    behind: int = 0
    stage: Stage = Stage.OFF
    shown: Stage = Stage.OFF
    pending: Stage = Stage.OFF
    pending_s: float = 0.0
    off_s: float = NIGHT_S
    since_held_s: float = NIGHT_S
    since_near_s: float = NIGHT_S
    lasting_V: float | None = None  # what was flat while current last came
    sag_s: float = 0.0
    idle_s: float = 0.0
    unlit_idle_s: float = 0.0
    cross_s: float = 0.0
    absorbed_s: float = 0.0
    tail_s: float = 0.0
    finished: bool = False
    reached: bool = False  # the absorption voltage, during this charge
    begun_unseen: bool = True  # the day's earlier part was not seen: it may have been in absorption
    daylight: list[float] = field(default_factory=lambda: [0.0] * HALF_HOURS)
    zero_A: float = 0.0  # what the charge current's meter shows in the dark
    held: Held = field(default_factory=Held)


def restored(saved: dict[str, Any] | None) -> StageState:
    """The state of a saved document; anything that does not fit starts from nothing."""
    if not isinstance(saved, dict):
        return StageState()
    try:
        held = Held(**saved["held"])
        state = StageState(**{**saved, "held": held})
        for name in ("stage", "shown", "pending"):
            setattr(state, name, Stage(getattr(state, name)))
    except (TypeError, ValueError, KeyError):
        return StageState()
    usable = all(_fits(value) for part in (state, held) for value in _values(part)) and (
        isinstance(state.daylight, list)
        and len(state.daylight) == HALF_HOURS
        and all(_fits(("daylight", value)) for value in state.daylight)
    )
    return state if usable else StageState()


def _values(part: StageState | Held) -> list[tuple[str, Any]]:
    return [
        (item.name, getattr(part, item.name))
        for item in fields(part)
        if item.name not in ("held", "daylight")
    ]


def _fits(named: tuple[str, Any]) -> bool:
    name, value = named
    if value is None:
        return name in ("last_ms", "behind_ms", "flat_V", "lasting_V")
    return isinstance(value, int | float) and math.isfinite(value)
