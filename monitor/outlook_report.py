"""The outlook of a moment from the store alone: what `nightbank outlook` tells.

For a moment in the past the estimator runs anew over the readings before it, on the same road as in the
daemon and in a rebuild, so that nothing that came later can be in the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from monitor.bank.ahead import Ahead
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.errors import StoreError, SunError
from monitor.local_days import day_at
from monitor.outlook.answer import Outlook
from monitor.outlook.make import SUPPOSED, Known, make
from monitor.outlook.past import KEPT_DAYS, QUANTITIES, SLOT_MS, SitePast
from monitor.outlook.sky import BEHIND_DAYS, past_shares
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, iso_utc
from monitor.sampling import ESTIMATOR_NOTE, Sampler, measuring, polls_of
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.day import Clear
from monitor.sun.expected import clear_days, supply_of

AHEAD_DAYS = 6
SILENT_MS, TOO_SILENT_MS = 30 * MINUTE_MS, 3 * HOUR_MS
"""A longer silence before the moment is told, and after three hours there is no outlook (our choice)."""

METERED = tuple(
    name for name in QUANTITIES if name not in ("charge_stage", "state_of_charge", "unseen_load_A")
)
"""What meters show; the rest is worked out anew."""


@dataclass(slots=True)
class _Followed:
    """The estimator at a moment, its last estimate, and the site's past before it."""

    estimator: BankEstimator
    past: SitePast
    last: BankEstimate | None = None


def outlook_at(site: Site, reader: StoreReader, at_ms: int | None = None) -> Outlook:
    """The outlook as of a moment, from what was stored before it; without one as of the newest reading.

    site has its set points filled in. Raises StoreError where too little was read before the moment.
    """
    span = reader.span()
    if span is None:
        raise StoreError(
            "the store has no reading yet; let `nightbank monitor` run for some hours, or bring a log in with"
            " `nightbank import`"
        )
    if at_ms is None:
        at_ms = span[1] + 1
        followed = _from_state(site, reader, at_ms) or _anew(site, reader, at_ms)
    else:
        if at_ms <= span[0]:
            first = iso_utc(span[0])
            raise StoreError(f"the store has no reading before {iso_utc(at_ms)}; its first is of {first}")
        followed = _anew(site, reader, at_ms)
    last, last_ms = followed.last, followed.estimator.last_ms
    if last is None or last.soc is None or last_ms is None:
        raise StoreError(
            f"no good bank voltage was read in the weeks before {iso_utc(at_ms)}, and without one there is no"
            " outlook; check the device or the imported columns"
        )
    silent_ms = at_ms - last_ms
    if silent_ms > TOO_SILENT_MS:
        raise StoreError(
            f"the last reading before {iso_utc(at_ms)} is of {iso_utc(last_ms)}: too long ago for an outlook;"
            " ask for a time closer to it"
        )
    basis = [f"no reading for {silent_ms // MINUTE_MS} minutes"] if silent_ms > SILENT_MS else []
    behind, ahead = _clear(site, reader, at_ms)

    def banks() -> Ahead:
        found = followed.estimator.ahead(SUPPOSED)
        assert found is not None, "a charge is told only after a voltage was read"
        return found

    return make(
        Known(
            site=site,
            bank=describe_site(site),
            at_ms=at_ms,
            soc=last.soc,
            banks=banks,
            past=followed.past,
            clear=ahead,
            shares=past_shares(followed.past, at_ms, behind),
            basis=(*basis, *last.basis),
        )
    )


def _anew(site: Site, reader: StoreReader, at_ms: int) -> _Followed:
    """The estimator over the weeks before a moment, knowing nothing at their beginning.

    What another device gave within the same slot belongs to its past, though it be too old for the sample.
    """
    sampler = Sampler(site)
    followed = _Followed(BankEstimator(describe_site(site)), SitePast(site))
    start_ms = _past_from_ms(at_ms)
    slots = {
        time_ms // SLOT_MS: row for time_ms, row in reader.rows(METERED, start_ms, at_ms, SLOT_MS / 1000)
    }
    measured = measuring(reader.latest())
    for poll in polls_of(reader.readings(start_ms, at_ms, measured)):
        sampled = sampler.take(sampler.metered(poll))
        if sampled is None:
            continue
        estimate = followed.estimator.update(sampled.sample)
        if estimate.time_ms == sampled.sample.time_ms:
            followed.last = estimate
            row = slots.get(estimate.time_ms // SLOT_MS, {}) | _row(sampled.sample, estimate)
            followed.past.add(estimate.time_ms, row)
    return followed


def _past_from_ms(at_ms: int) -> int:
    """Where the kept weeks begin: at a slot's begin, so that rows of a slot's width fall into one slot."""
    return at_ms // SLOT_MS * SLOT_MS - KEPT_DAYS * DAY_MS


def _row(sample: BankSample, estimate: BankEstimate) -> dict[str, float]:
    """A sample and its estimate as a row of the past."""
    row = {
        "battery_voltage_V": sample.battery_voltage_V,
        "battery_current_A": sample.battery_current_A,
        "charge_current_A": sample.charge_current_A,
        "load_current_A": sample.load_current_A,
        "battery_temperature_C": sample.battery_temperature_C,
        "state_of_charge": estimate.soc,
        "unseen_load_A": estimate.unseen_load_A,
        "charge_stage": float(estimate.stage),
    }
    if sample.array_voltage_V is not None and sample.array_current_A is not None:
        row["array_power_W"] = sample.array_voltage_V * sample.array_current_A
    return {name: value for name, value in row.items() if value is not None}


def _from_state(site: Site, reader: StoreReader, at_ms: int) -> _Followed | None:
    """The daemon's estimator from its note, caught up; None where there is none to go on from."""
    saved = reader.note(ESTIMATOR_NOTE)
    if saved is None:
        return None
    estimator, sampler = BankEstimator(describe_site(site), saved), Sampler(site)
    since_ms = estimator.last_ms
    if since_ms is None or not at_ms - DAY_MS < since_ms < at_ms:
        return None
    followed = _Followed(estimator, SitePast(site))
    measured = measuring(reader.latest())
    for poll in polls_of(reader.readings(since_ms - SLOT_MS, at_ms, measured)):
        sampled = sampler.take(sampler.metered(poll))
        if sampled is not None:
            followed.last = estimator.update(sampled.sample)
    for time_ms, row in reader.rows(QUANTITIES, _past_from_ms(at_ms), at_ms, SLOT_MS / 1000):
        followed.past.add(time_ms, row)
    return followed


def _clear(site: Site, reader: StoreReader, at_ms: int) -> tuple[dict[date, tuple[Clear, ...]], list[Clear]]:
    """The clear sky of the days behind (to judge them) and of today and the days ahead; nothing without an
    array, or where the almanac fails."""
    if site.array is None:
        return {}, []
    today = day_at(site.site.zone, at_ms).day
    days = [today + timedelta(days=number) for number in range(-BEHIND_DAYS, AHEAD_DAYS + 1)]
    try:
        found = clear_days(supply_of(site), days, reader)
    except SunError:
        return {}, []
    behind = {day: steps for day, steps in found.items() if day <= today}
    return behind, [step for day, steps in found.items() if day >= today for step in steps]
