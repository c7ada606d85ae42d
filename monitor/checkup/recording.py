"""What a checkup read and was told: samples of each device, the phases between a person's acts, their
answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from monitor.site.model import Site

START, ARRAY_OFF, ARRAY_ON = "as it stands", "array off", "array on"
LOADS_OFF, LOADS_ON, HELD, RELEASED = "loads off", "loads on", "probe held", "probe released"
STRINGS_ON = "all strings on"


def covered(string: int) -> str:
    """The phase in which one panel of an array's string is covered."""
    return f"a panel of string {string} covered"


def uncovered(string: int) -> str:
    """The phase after it."""
    return f"string {string} free again"


def alone(string: int) -> str:
    """The phase in which one string of the bank is on alone."""
    return f"string {string} of the bank alone"


@dataclass(frozen=True, slots=True)
class Sample:
    """One answer of a device: its good values by quantity, None for what it says it has not. No value at
    all: it was silent."""

    time_ms: int
    device: str
    values: Mapping[str, float | None]

    @property
    def answered(self) -> bool:
        return any(value is not None for value in self.values.values())


@dataclass(frozen=True, slots=True)
class Phase:
    """A span [from_ms, to_ms) in which nothing was touched; how: noticed, confirmed, or skipped, with a
    reason.

    A skipped phase has no length.
    """

    name: str
    from_ms: int
    to_ms: int
    how: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Answers:
    """What the person said; None: not known.

    clock_error_s: the computer's clock less a trusted one. absorption_V, float_V: as the controller's
    display has them for 25 °C."""

    clock_error_s: float | None = None
    absorption_V: float | None = None
    float_V: float | None = None


@dataclass(frozen=True, slots=True)
class Sun:
    """Where the sun stands, by the corrected clock, and how warm a clear sky would make the panels."""

    elevation_deg: float
    module_C: float


@dataclass(frozen=True, slots=True)
class Recording:
    """All of one checkup. site has its set points filled in; sun is None where it could not be worked out."""

    site: Site
    samples: Sequence[Sample]
    phases: Sequence[Phase]
    answers: Answers = field(default_factory=Answers)
    sun: Sun | None = None

    def phase(self, name: str) -> Phase | None:
        """A phase that was gone through, the last time; None where it was skipped or not asked for."""
        return next(
            (each for each in reversed(self.phases) if each.name == name and each.how != "skipped"), None
        )

    def within(self, name: str | Phase, device: str) -> list[Sample]:
        """A device's samples of a phase, silent ones too."""
        phase = self.phase(name) if isinstance(name, str) else name
        if phase is None:
            return []
        return [s for s in self.samples if s.device == device and phase.from_ms <= s.time_ms < phase.to_ms]

    def givers(self, quantity: str) -> list[str]:
        """The devices that know a quantity, in the order of the site file, whether they have a value or
        not."""
        known = {sample.device for sample in self.samples if quantity in sample.values}
        ranked = [device.name for device in self.site.devices if device.name in known]
        return ranked + sorted(known - set(ranked))
