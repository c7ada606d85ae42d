"""The last two hours of a bank's voltage, current and temperature in means, as they come."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from monitor.alarms.signs import NET, TEMPERATURE, VOLTAGE, Values
from monitor.alarms.slow_signs import STEP_MIN, STEPS
from monitor.records import MINUTE_MS

FOLLOWED = (VOLTAGE, NET, TEMPERATURE)


@dataclass(slots=True)
class Course:
    """Means of STEP_MIN minutes, the newest STEPS of them, without a gap between."""

    steps: deque[dict[str, float]] = field(default_factory=lambda: deque(maxlen=STEPS))
    _step: int | None = None
    _sums: dict[str, tuple[float, int]] = field(default_factory=dict)

    def take(self, time_ms: int, now: Values) -> bool:
        """The values of one moment, about one a minute; whether a step has just been finished."""
        step = time_ms // (STEP_MIN * MINUTE_MS)
        finished = self._step is not None and step != self._step
        if finished:
            self.steps.append({name: total / count for name, (total, count) in self._sums.items()})
            if step != (self._step or 0) + 1:  # a gap, or a clock that was set
                self.steps.clear()
            self._sums = {}
        self._step = step
        for name in FOLLOWED:
            if name in now:
                total, count = self._sums.get(name, (0.0, 0))
                self._sums[name] = total + now[name], count + 1
        return finished
