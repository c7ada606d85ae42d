"""What is known of the bank's capacity: as it was rated, as the estimate has learnt it, as it was tested.

None of them replaces another: the estimate learns from use alone and takes no test as given, so that a test
that went wrong cannot spoil it, and the two can be held against each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from monitor.bank.charge_words import BAND_SDS
from monitor.bank.health import is_learnt
from monitor.care.numbers import BAND, CAPACITY, rated_at_20_h
from monitor.records import LogEntry, LogKind, iso_utc
from monitor.site.model import Site
from monitor.store.base import StoreReader

MOST_ENTRIES = 10_000
"""So many entries of the log are gone through for the last test (our choice: decades of care)."""


@dataclass(frozen=True, slots=True)
class Known:
    """A capacity in Ah at the 20-hour rate, how far it may be off to either side (None: nobody said), and
    when it was tested, 0 for what was estimated; is_learnt: it is of this bank, not of any of its rating."""

    capacity_Ah: float
    band_Ah: float | None
    time_ms: int = 0
    is_learnt: bool = True


def estimated_capacity(reader: StoreReader) -> Known | None:
    """The capacity by the estimate, learnt or still supposed; None where there is no estimate."""
    value, sd = reader.latest_good("bank_capacity_Ah"), reader.latest_good("bank_capacity_sd_Ah")
    if value is None or value.value is None or sd is None or sd.value is None:
        return None
    return Known(value.value, BAND_SDS * sd.value, is_learnt=is_learnt(value.value, sd.value))


def last_tested(entries: Iterable[LogEntry]) -> Known | None:
    """The last capacity test of a log that is newest first, None where there is none."""
    for entry in entries:
        if entry.kind == LogKind.CAPACITY and CAPACITY in entry.details:
            return Known(entry.details[CAPACITY], entry.details.get(BAND), entry.time_ms)
    return None


def known_document(site: Site, reader: StoreReader, now_ms: int) -> dict[str, Any]:
    """What is known of a site's capacity, all in Ah at the 20-hour rate; what is not known is None.

    is_learnt: the estimate's is of this bank; until then it is what is true of any such bank.
    """
    learnt = estimated_capacity(reader)
    tested = last_tested(reader.log(0, now_ms + 1, MOST_ENTRIES))
    return {
        "rated_Ah": round(rated_at_20_h(site.bank), 1),
        "learnt_Ah": None if learnt is None else round(learnt.capacity_Ah, 1),
        "learnt_band_Ah": None if learnt is None or learnt.band_Ah is None else round(learnt.band_Ah, 1),
        "is_learnt": learnt is not None and learnt.is_learnt,
        "tested_Ah": None if tested is None else tested.capacity_Ah,
        "tested_band_Ah": None if tested is None else tested.band_Ah,
        "tested": None if tested is None else iso_utc(tested.time_ms),
    }
