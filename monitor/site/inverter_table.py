"""The table [inverter] of a site file: what stands between the bank and the loads on its AC side."""

from __future__ import annotations

from pydantic import Field

from monitor.site.table import Table

USUAL_EFFICIENCY = 0.85
"""What an inverter gives on of what it takes (both worked examples of the handbook and the training sheet:
SAND87-7023 and 'stand alone camp')."""


class InverterEntry(Table):
    """[inverter]; loads behind it are marked `ac = true`.

    efficiency is what it gives on of what it takes, standby_W what it takes itself while it is switched on,
    hours_per_day how long that is; 24 is always.
    """

    efficiency: float = Field(default=USUAL_EFFICIENCY, ge=0.3, le=1)
    standby_W: float = Field(default=0, ge=0, le=500)
    hours_per_day: float = Field(default=24, gt=0, le=24)
