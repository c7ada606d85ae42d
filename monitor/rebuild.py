"""The stored history estimated anew, after the bank's description changed or readings were imported.

The raw readings are read in order of time and make the same samples as in the daemon; a fresh estimator goes
through them. Its estimates take the place of the stored ones in one transaction, so that there is never a
mixture of old and new, however the rebuild ends. Nothing else in the history changes: neither what devices
gave, nor derived readings, nor events.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.clock import Clock
from monitor.errors import StoreError
from monitor.records import LATEST_MS, Event, Reading, iso_utc
from monitor.sampling import BASIS_NOTE, ESTIMATE, ESTIMATOR_NOTE, Keeper, Sampler, measuring, polls_of
from monitor.site.model import Site
from monitor.store.base import StoreWriter

TELL_EVERY = 500
"""Polls between two words on the progress (our choice)."""


@dataclass(slots=True)
class Rebuilt:
    """What a rebuild has gone through: polls read, estimates made, and the first and last one's time."""

    polls: int = 0
    estimates: int = 0
    first_ms: int | None = None
    last_ms: int | None = None


def rebuild(
    site: Site,
    store: StoreWriter,
    from_ms: int,
    clock: Clock,
    progress: Callable[[int], None] = lambda time_ms: None,
) -> Rebuilt:
    """Estimate all from from_ms on anew; site has its set points filled in.

    The estimator knows nothing at from_ms; its state at the end is kept for the daemon to go on from.
    progress(time_ms) hears how far it is. Raises StoreError where there is no reading from from_ms on, or
    the store cannot be written: it is then as it was.
    """
    span = store.span()
    if span is None or span[1] < from_ms:
        last = "it is empty" if span is None else f"its last one is of {iso_utc(span[1])}"
        raise StoreError(f"the store has no reading from {iso_utc(from_ms)} on; {last}")
    measured = measuring(store.latest())
    done = Rebuilt()
    polls = polls_of(store.readings(from_ms, LATEST_MS, measured))
    store.replace(
        ESTIMATE, from_ms, LATEST_MS, _estimates(site, store, polls, from_ms, clock, done, progress)
    )
    return done


def _estimates(
    site: Site,
    store: StoreWriter,
    polls: Iterable[list[Reading]],
    from_ms: int,
    clock: Clock,
    done: Rebuilt,
    progress: Callable[[int], None],
) -> Iterator[Reading]:
    """The estimates that belong to the polls; behind the last one the estimator's state and an event."""
    sampler, estimator, keeper = Sampler(site), BankEstimator(describe_site(site)), Keeper()
    basis: tuple[str, ...] = ()
    for poll in polls:
        done.polls += 1
        if done.polls % TELL_EVERY == 0:
            progress(poll[0].time_ms)
        sampled = sampler.take(sampler.metered(poll))
        if sampled is None:
            continue
        estimate = estimator.update(sampled.sample)
        if estimate.time_ms != sampled.sample.time_ms:
            continue
        done.estimates += 1
        basis = estimate.basis
        done.last_ms = estimate.time_ms
        if done.first_ms is None:
            done.first_ms = estimate.time_ms
        yield from keeper.readings(estimate, sampled.sample)
    store.put_note(ESTIMATOR_NOTE, estimator.state())
    store.put_note(BASIS_NOTE, "\n".join(basis))
    text = f"The estimates from {iso_utc(from_ms)} on were made anew ({done.estimates} of them)."
    store.add_event(Event(clock.now_ms(), "rebuild", "", text))
