"""Takes out of a copy what was replaced in the store; everything else on a server is only ever written over.

Deleting by InfluxQL is offered by servers of the 1 line, and of the 2 line from memory, not by those of the 3
line.
"""

from __future__ import annotations

from collections.abc import Callable

from monitor.served.around import whole_hours
from monitor.served.lines import DAYS, FLAWED, HOURS, MEASUREMENT
from monitor.served.measured import Measured
from monitor.served.query import Asker
from monitor.store.mirrored_place import Gone

Erase = Callable[[Gone], None]
"""Raises ServerError."""


def eraser(asker: Asker, site: str) -> Erase:
    """What takes points of a site out."""
    measured = Measured(asker, site)

    def erase(gone: Gone) -> None:
        measured.take_out(MEASUREMENT, [gone.device], gone.start_ms, gone.end_ms)
        measured.take_out(FLAWED, [gone.device], gone.start_ms, gone.end_ms)
        measured.take_out(HOURS, [gone.device], *whole_hours(gone.start_ms, gone.end_ms))
        measured.take_out(DAYS, [gone.device], gone.days_start_ms, gone.days_end_ms)

    return erase
