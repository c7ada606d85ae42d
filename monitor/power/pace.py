"""How seldom devices are polled at night and while the bank is low, where the site file asks for it.

Off unless asked for: evening and night are when people look, and what fewer polls save is little
(DESIGN.md beside it has it measured). Pure.
"""

from __future__ import annotations

from monitor.site.computer_table import ComputerEntry


def least_period_s(entry: ComputerEntry, *, night: bool | None, low: bool, watched: bool) -> float:
    """No device is to be polled more often than once in so many seconds; 0: each in its own period.

    Where night and low bank come together the longer period holds. A night that nobody knows of (None) slows
    nothing, and nothing is slowed while somebody stands before the system (watched).
    """
    if watched:
        return 0.0
    at_night = entry.night_every_s if night else None
    on_low = entry.low_every_s if low else None
    return max(at_night or 0.0, on_low or 0.0)
