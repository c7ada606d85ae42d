"""Whether a string of the array gives: what covering one of its panels changes, against what it must.
Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from monitor.checkup.array_work import Working, array_levels, throttled, working
from monitor.checkup.levels import Level, level
from monitor.checkup.panel_curve import held_mppt_drop_V, held_pwm_drop_V
from monitor.checkup.recording import START, Phase, Recording, covered, uncovered
from monitor.checkup.roles import Roles, roles_of
from monitor.quantities import Stage

GIVES, GIVES_NOT = 0.45, 0.18
"""Of what a string must change when covered: above the first it gives, below the second it does not, between
nothing is said (our choice)."""

UNSTEADY = 0.4
"""Of the same: if the free array moved by more before and after, or the array within one phase, clouds
hide the string (our choice)."""

HELD_PART = 3.0
"""What an array that is held back must show is known to no better than this factor: it hangs on the
panels' warmth (our choice; a string that does not give changes nothing at all)."""

LEAST_A = 0.3
"""With less current from the array a string's share is lost in the meters (our choice)."""


@dataclass(frozen=True, slots=True)
class Covering:
    """What the coverings of a string told: of each the share of what it must change, None left out."""

    shares: tuple[float, ...]

    @property
    def mean(self) -> float | None:
        return fmean(self.shares) if self.shares else None

    @property
    def gives(self) -> bool | None:
        """Whether the string gives: by most of its coverings, and never 'it does not' by one alone."""
        alive = len([each for each in self.shares if each > GIVES])
        dead = len([each for each in self.shares if each < GIVES_NOT])
        if alive > dead:
            return True
        return False if dead > max(alive, 1) else None


def coverings(recording: Recording, roles: Roles, works: Working, string: int) -> Covering:
    """All coverings of a string."""
    names = {START, *(uncovered(number) for number in range(1, string + 1))}
    gone = [each for each in recording.phases if each.how != "skipped"]
    free = [each for each in gone if each.name in names]
    found = []
    for during in gone:
        before = [each for each in free if each.to_ms <= during.from_ms]
        after = [each for each in free if each.from_ms >= during.to_ms]
        if during.name == covered(string) and before and after:
            found.append(_share(recording, roles, works, (before[-1], during, after[0])))
    return Covering(tuple(each for each in found if each is not None))


def worth_again(recording: Recording, string: int) -> bool:
    """Whether a string that was covered in light did not tell, so that it is worth covering it once more."""
    roles = roles_of(recording)
    works = working(recording, roles)
    if works is None or works.array_A < LEAST_A:
        return False
    return coverings(recording, roles, works, string).gives is None


def _share(recording: Recording, roles: Roles, works: Working, trio: Sequence[Phase]) -> float | None:
    """What one covering changed, as a share of what it must change if the string gives; None where that
    cannot be told from the light's own changes. trio: free, covered, free again.

    While the controller takes all, power must fall; while the bank holds it back, the others make up for
    it and the array's voltage must fall."""
    values = []
    for phase in trio:
        volts, amps = array_levels(recording, roles, phase)
        if volts is None or amps is None:
            return None
        values.append((volts, amps))
    if fmean((values[0][1].mean, values[2][1].mean)) < LEAST_A:
        return None
    supply = works.curve.supply
    strings, panels = supply.strings_in_parallel, supply.panels_in_series
    lost = 1 / strings if panels == 1 else min(1 / strings, 1 / panels)
    power = [_power(volts, amps) for volts, amps in values]
    by_power = _judged(power, lost * fmean((power[0].mean, power[2].mean)))
    held = [throttled(recording, roles, phase) for phase in (trio[0], trio[2])]
    if by_power is not None and by_power > GIVES:
        return by_power
    if held != [True, True]:
        bulk = all(_in_bulk(recording, roles, phase) for phase in trio)
        return by_power if bulk or held == [False, False] else None
    before_V, before_A = values[0][0].mean, values[0][1].mean
    if supply.controller == "pwm":
        drop_V = held_pwm_drop_V(works.curve, before_V)
    else:
        drop_V = held_mppt_drop_V(works.curve, before_V, before_A)
    by_voltage = _judged([volts for volts, _ in values], drop_V / HELD_PART)
    if by_voltage is not None and by_voltage < GIVES_NOT and (by_power is None or by_power > GIVES_NOT):
        return None  # the power moved, so the array was not held back all the while
    return by_voltage


def _in_bulk(recording: Recording, roles: Roles, phase: Phase) -> bool:
    stage = level(recording, phase, roles.charger or "", "charge_stage")
    return stage is not None and round(stage.mean) == Stage.BULK


def _power(volts: Level, amps: Level) -> Level:
    step, spread = (
        volts.mean * of_amps + amps.mean * of_volts
        for of_amps, of_volts in ((amps.step, volts.step), (amps.spread, volts.spread))
    )
    return Level(volts.mean * amps.mean, 0.0, step, volts.count, spread)


def _judged(trio: Sequence[Level], must: float) -> float | None:
    """How far the middle level lies below its neighbours' mean over what it must; None where that is too
    little against what the light changes between the neighbours and within each, and against the meter's
    step."""
    before, during, after = trio
    if must < 2 * during.step or abs(after.mean - before.mean) > UNSTEADY * must:
        return None
    if max(each.spread - each.step for each in trio) > UNSTEADY * must:
        return None
    return ((before.mean + after.mean) / 2 - during.mean) / must
