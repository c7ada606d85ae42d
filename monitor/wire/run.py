"""A run of two conductors between two places, and how a size of conductor does in it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.wire.copper import Conductor


@dataclass(frozen=True, slots=True)
class Run:
    """What a run has to do: length_m is one way, allowed_drop a share of the voltage."""

    current_A: float
    length_m: float
    voltage_V: float
    allowed_drop: float
    conductor_C: float
    hot_place: bool = False

    @property
    def allowed_V(self) -> float:
        return self.allowed_drop * self.voltage_V


@dataclass(frozen=True, slots=True)
class Fit:
    """A conductor in a run: what is lost on both ways, and what it may carry where it lies (None: not known).

    far_short_A is what the wire alone would let through with a short circuit at its far end.
    """

    conductor: Conductor
    drop_V: float
    drop: float
    loss_W: float
    far_short_A: float
    carries_A: float | None


def drop_V(current_A: float, ohm_per_km: float, length_m: float) -> float:
    """Voltage lost on both conductors of a run whose length is one way: I R' 2 l."""
    return current_A * ohm_per_km / 1000 * 2 * length_m


def fit(run: Run, conductor: Conductor) -> Fit:
    """How a conductor does in a run."""
    ohm_per_km = conductor.ohm_per_km(run.conductor_C)
    lost_V = drop_V(run.current_A, ohm_per_km, run.length_m)
    return Fit(
        conductor=conductor,
        drop_V=lost_V,
        drop=lost_V / run.voltage_V,
        loss_W=lost_V * run.current_A,
        far_short_A=run.voltage_V / drop_V(1.0, ohm_per_km, run.length_m),
        carries_A=conductor.carries_A(run.hot_place),
    )


def loses_too_much(run: Run, found: Fit) -> bool:
    """Whether a conductor loses more than the run allows, but for rounding."""
    return found.drop > run.allowed_drop * (1 + 1e-9)


def smallest(run: Run, sizes: Sequence[Conductor], must_carry_A: float) -> Fit | None:
    """The thinnest size that keeps to the drop and carries so much; None where no single one does."""
    for conductor in sizes:
        found = fit(run, conductor)
        carries = found.carries_A is not None and found.carries_A >= must_carry_A - 1e-9
        if carries and not loses_too_much(run, found):
            return found
    return None
