"""The table [computer] of a site file: what the bank means to the computer that Nightbank runs on."""

from __future__ import annotations

from pydantic import Field

from monitor.site.table import Table

LONGEST_EVERY_S = 60.0
"""The slowest that the manners may ask for: alarms wait a minute, and three lost polls are then still no gap
in a day's sums, which end at five minutes (our choice)."""


class ComputerEntry(Table):
    """[computer]; all of it may be left out.

    supply_ends_V is the bank's voltage at which this computer loses its supply: the controller's disconnect
    where it is left out. halt: the system is asked to halt before that. night_every_s and low_every_s: from
    sunset to sunrise, and while the bank is low, no device is polled more often.
    """

    supply_ends_V: float | None = Field(default=None, ge=1, le=120)
    halt: bool = False
    night_every_s: float | None = Field(default=None, ge=1, le=LONGEST_EVERY_S)
    low_every_s: float | None = Field(default=None, ge=1, le=LONGEST_EVERY_S)

    @property
    def slowest_s(self) -> float:
        """The longest period that the manners may bring; 0 where they are left out."""
        return max(self.night_every_s or 0.0, self.low_every_s or 0.0)
