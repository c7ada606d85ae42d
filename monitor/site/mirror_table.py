"""The table of a site file that says where readings are copied to: [[mirrors]]."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from monitor.site.server_table import ServerKeys
from monitor.site.table import told

Sent = Literal["measured", "derived", "estimated", "days", "records", "all"]

ALL: tuple[Sent, ...] = ("measured", "derived", "estimated", "days", "records")
"""What "all" stands for."""

SENDING_S = 30.0
"""What a batch may take over a poor link before a copy counts as behind (our choice: one time-out)."""


def _some_once(names: tuple[Sent, ...]) -> tuple[Sent, ...]:
    if not names or len(set(names)) < len(names):
        raise told('must name something, and nothing twice, like ["measured", "days"]')
    if "all" in names:
        if len(names) > 1:
            raise told('says "all" and more; write ["all"] alone')
        return ALL
    return names


class MirrorEntry(ServerKeys):
    """[[mirrors]]; a time-series server that readings are copied to.

    send names what is copied: what devices gave ('measured', imported readings too), what follows from it
    ('derived'), what the estimator says ('estimated'), the statistics of each finished day of all these
    ('days'; alone: of what was measured and derived), everything else that pages away from this computer need
    ('records': alarms, events, notes, the log, this file's text, flawed readings, statistics of hours and of
    the day that goes on); ["all"] all of it. New readings go every every_s; what has waited goes at
    most lines_per_s a second.
    """

    name: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$")
    send: Annotated[tuple[Sent, ...], Field(strict=False), AfterValidator(_some_once)] = ("measured",)
    every_s: float = Field(default=60, ge=1, le=3600)
    lines_per_s: float = Field(default=500, ge=1, le=100_000)
