"""What a clear sky gives the array of a site, day by day: the public side of the sun's expectation.

`clear_days` takes the days' tables from the store's notes where they fit and has the short-lived process
(`almanac.py`) work out the rest, all in one run. Nothing here imports pvlib, pandas or numpy.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from statistics import fmean
from typing import Any, Literal, Protocol

from monitor.errors import SunError
from monitor.local_days import local_day, zone_of
from monitor.site.model import Site
from monitor.sun.day import STEP_S, Clear
from monitor.sun.helper import COMMAND, AlmanacRun
from monitor.sun.table import unpacked

MODEL = 1
"""Goes up whenever the same supply gives other values, so that tables in stores are worked out anew."""

NOTE_PREFIX = "sun/"
"""A day's table is the store's note under this and the date, `sun/2026-06-21`."""

CONVERTER_EFFICIENCY = 0.95
"""Share of an MPPT controller's input that reaches the bank (our choice; makers print 0.93 to 0.98). A
controller that only switches passes the array's current on."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Place, array and controller, as far as the sun's course through them matters.

    Panel values are of one panel at standard test conditions. The controller's values are None where the
    site has none, absorption_V also where its set points were not filled in.
    """

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    time_zone: str
    tilt_deg: float
    azimuth_deg: float
    panel_power_W: float
    panel_voc_V: float
    panel_isc_A: float
    panel_vmp_V: float
    panel_imp_A: float
    voc_temperature_coefficient_per_C: float
    power_temperature_coefficient_per_C: float
    panels_in_series: int
    strings_in_parallel: int
    controller: Literal["mppt", "pwm"] | None
    rating_A: float | None
    array_voltage_limit_V: float | None
    bank_V: float
    absorption_V: float | None

    @property
    def power_W(self) -> float:
        """Rated power of the whole array."""
        return self.panel_power_W * self.panels_in_series * self.strings_in_parallel

    @property
    def charging_V(self) -> float:
        """The bank's voltage while it charges: halfway from nominal to absorption (our choice)."""
        return (self.bank_V + (self.absorption_V or 1.2 * self.bank_V)) / 2

    @property
    def into_bank(self) -> float:
        """Share of what the controller passes on (`Clear.passed_W`, at the array) that reaches the bank."""
        return CONVERTER_EFFICIENCY if self.controller == "mppt" else 1.0

    @property
    def key(self) -> str:
        """Tells supplies (and versions of the model) apart; tables carry it."""
        text = json.dumps([MODEL, asdict(self)], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


class Notes(Protocol):
    """What `clear_days` asks of a store."""

    def note(self, key: str) -> str | None:
        """The document under a key, None if absent."""


def supply_of(site: Site) -> Supply:
    """The supply that a site file describes; site should have its set points filled in (`with_defaults`).

    Raises SunError where the site has no array, or one whose values contradict one another.
    """
    if site.array is None:
        raise SunError(
            "the site file has no [array] table, so what the sun should give is unknown; describe the array"
            " there (panel values, how many, tilt and azimuth)"
        )
    panel = site.array
    voc, vmp, isc, imp = panel.panel_voc_V, panel.panel_vmp_V, panel.panel_isc_A, panel.panel_imp_A
    if not (voc / 2 < vmp < voc and imp < isc):
        raise SunError(
            f"[array]: panel_vmp_V = {vmp:g} must lie between half of panel_voc_V = {voc:g} and all of it,"
            f" and panel_imp_A = {imp:g} below panel_isc_A = {isc:g}; copy all of them from one data sheet"
        )
    given = {name: getattr(site.array, name) for name in type(site.array).model_fields}
    controller = site.controller
    return Supply(
        latitude_deg=site.site.latitude_deg,
        longitude_deg=site.site.longitude_deg,
        altitude_m=site.site.altitude_m,
        time_zone=site.site.time_zone,
        controller=controller.kind if controller else None,
        rating_A=controller.rating_A if controller else None,
        array_voltage_limit_V=controller.array_voltage_limit_V if controller else None,
        bank_V=site.bank.voltage_V,
        absorption_V=controller.absorption_V if controller else None,
        **given,
    )


def clear_days(
    supply: Supply,
    days: Iterable[date],
    notes: Notes | None = None,
    command: Sequence[str] = COMMAND,
) -> dict[date, tuple[Clear, ...]]:
    """The clear-sky steps of each local day, one every STEP_S seconds from its midnight to the next.

    Tables that fit are taken from the notes of a store (any StoreReader); one run of the almanac's process
    works out all others. Raises SunError where that fails.
    """
    wanted = sorted(set(days))
    found: dict[date, tuple[Clear, ...]] = {}
    if notes is not None:
        found = {day: steps for day in wanted if (steps := noted(supply, day, notes)) is not None}
    missing = [day for day in wanted if day not in found]
    if missing:
        with AlmanacRun(almanac_request(supply, missing), command) as run:
            found |= {table.day: table.steps for table in map(unpacked, run.lines())}
    lacking = [day for day in wanted if day not in found]
    if lacking:
        raise SunError(f"the sun's table for {lacking[0].isoformat()} was not worked out; please report this")
    return {day: found[day] for day in wanted}


def almanac_request(supply: Supply, days: Sequence[date]) -> dict[str, Any]:
    """The document that the almanac's process is given."""
    zone = zone_of(supply.time_zone)
    spans = [local_day(zone, day) for day in days]
    rows = [{"day": each.day.isoformat(), "start_ms": each.start_ms, "end_ms": each.end_ms} for each in spans]
    return {"supply": asdict(supply), "days": rows}


def noted(supply: Supply, day: date, notes: Notes) -> tuple[Clear, ...] | None:
    """A day's steps from its note; None where there is none, it is of another supply or damaged."""
    text = notes.note(note_key(day))
    if text is None:
        return None
    try:
        table = unpacked(text)
    except ValueError:
        return None
    span = local_day(zone_of(supply.time_zone), day)
    fits = (
        table.day == day
        and table.supply == supply.key
        and table.steps[0].start_ms == span.start_ms
        and table.steps[-1].start_ms == span.end_ms - STEP_S * 1000
    )
    return table.steps if fits else None


def note_key(day: date) -> str:
    """The key of a day's note."""
    return NOTE_PREFIX + day.isoformat()


def widened(clear: Sequence[Clear], step_s: int) -> tuple[Clear, ...]:
    """The steps merged into wider ones of step_s, a multiple of their own width; all are means.

    The sun's place is that of the middle. A last step that the span does not fill stays shorter.
    Raises ValueError where step_s is no multiple.
    """
    if len(clear) < 2:
        return tuple(clear)
    many, rest = divmod(step_s * 1000, clear[1].start_ms - clear[0].start_ms)
    if many < 1 or rest:
        raise ValueError(f"the steps do not merge into steps of {step_s} s, which is no multiple of theirs")
    return tuple(_merged(clear[first : first + many]) for first in range(0, len(clear), many))


def _merged(steps: Sequence[Clear]) -> Clear:
    below, above = steps[(len(steps) - 1) // 2], steps[len(steps) // 2]
    turn_deg = (above.azimuth_deg - below.azimuth_deg + 180) % 360 - 180
    return Clear(
        start_ms=steps[0].start_ms,
        elevation_deg=(below.elevation_deg + above.elevation_deg) / 2,
        azimuth_deg=(below.azimuth_deg + turn_deg / 2) % 360,
        beam_W_m2=fmean(step.beam_W_m2 for step in steps),
        diffuse_W_m2=fmean(step.diffuse_W_m2 for step in steps),
        module_C=fmean(step.module_C for step in steps),
        power_W=fmean(step.power_W for step in steps),
        passed_W=fmean(step.passed_W for step in steps),
    )
