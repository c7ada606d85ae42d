"""In the daemon: all that its own supply asks of it, in one hand for the main loop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from monitor.alarms.shipped import SUPPLY_ENDS
from monitor.alarms.watch import AlarmWatch
from monitor.clock import Clock
from monitor.power.darkness import Darkness, Run, write_run
from monitor.power.halting import Halting, Tell
from monitor.power.pace import least_period_s
from monitor.site.model import Site
from monitor.store.base import StoreWriter

END_COMMIT_S = 10.0
"""While the bank is near a disconnect each commit may be the last, so it comes so often (our choice)."""

NEAR_THE_END = ("disconnect_margin_V", "supply_margin_V")
LOW = ("charge_at_most", "unloaded_voltage_V")
"""What the rules judge by which the bank is near a disconnect, and low."""


class PowerKeeper:
    """The dark time before, the halt ahead, the pace between. One thread uses it; it commits nothing."""

    def __init__(
        self,
        site: Site,
        store: StoreWriter,
        clock: Clock,
        alarms: AlarmWatch,
        tell: Tell,
        folder: Path | None,
        boot: str,
        is_known: Callable[[], bool] = lambda: True,
        computer: str = "",
    ) -> None:
        """To be made before anything of this run is stored. folder: where a request to halt goes; boot: this
        start of the computer, computer its mark; is_known: whether the time is, and every reading's."""
        self._entry, self._store, self._alarms, self._tell = site.computer, store, alarms, tell
        self._is_known = is_known
        self._darkness = Darkness(site, store, clock, boot, is_known, computer)
        self._halting = Halting(site, clock, tell, folder)
        self._run = Run(boot, knew_time=is_known(), computer=computer)
        write_run(store, self._run)

    def follow(self) -> bool:
        """What is due once a second; whether anything was told that is to be committed at once."""
        told = self._halting.follow(calls=self._alarms.calls(SUPPLY_ENDS))
        run = replace(self._run, halts=self._halting.asked, knew_time=self._is_known())
        if run != self._run:
            self._run = run
            write_run(self._store, run)
        return self._darkness.follow(self._tell) or told

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms."""
        self._darkness.moved(from_ms, by_ms)

    def commit_every_s(self, usual_s: float) -> float:
        """How often the store is to be written now."""
        return min(usual_s, END_COMMIT_S) if self._alarms.is_beyond(*NEAR_THE_END) else usual_s

    def least_period_s(self, *, watched: bool) -> float:
        """How seldom devices are to be polled now; watched: somebody stands before the system."""
        if not self._entry.slowest_s:
            return 0.0
        night, low = self._alarms.sun_is_down(), self._alarms.is_beyond(*LOW)
        return least_period_s(self._entry, night=night, low=low, watched=watched)

    @property
    def stop_text(self) -> str:
        """What the log says of a stop now."""
        return (
            "The monitor was stopped: the computer halts."
            if self._halting.asked
            else "The monitor was stopped."
        )
