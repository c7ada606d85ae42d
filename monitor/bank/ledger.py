"""The day's ledger: what came from the array, what went into and out of the bank.

Pure: it reads day statistics, which the store keeps free of double counts (late, repeated and re-imported
readings change nothing), so the ledger cannot double-count either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from monitor.records import DayStat

UNLIKE_SHARE, UNLIKE_LEAST_S = 0.03, 300.0
"""Controller and shunt cover a day alike unless their times differ by more than both of these (our choice:
the shares told as gaps). Where one was silent for longer, the difference of what they counted is no
use: an unread noon would make it negative, an unread shunt would count the charge as use."""


@dataclass(frozen=True, slots=True)
class DayLedger:
    """One local day. None means unknown: not measured at this metering level, or no reading that day.

    harvest_Wh is the array's energy at the controller's input; charge_Ah and charge_Wh what the
    controller gave to the bank side; used_Ah and used_Wh what the loads took (the monitor's own draw
    only where a shunt sees it). covered_s is the time the voltage record covers.
    """

    day: date
    harvest_Wh: float | None
    charge_Ah: float | None
    charge_Wh: float | None
    used_Ah: float | None
    used_Wh: float | None
    voltage_min_V: float | None
    voltage_min_ms: int | None
    voltage_max_V: float | None
    covered_s: float


def by_day(stats: Sequence[DayStat]) -> dict[date, list[DayStat]]:
    """Each day's statistics; stats are in order of days, as the store gives them."""
    return {day: list(some) for day, some in groupby(stats, lambda stat: stat.day)}


def day_ledger(stats: Sequence[DayStat], level: str) -> DayLedger:
    """The ledger of one day from its statistics, at metering level 'shunt', 'controller' or 'charging'.

    At 'shunt' the loads' share is charge minus net, so that a lamp fed straight from the noon array counts
    too, and never less than what left the bank; without a charge current it is what left the bank, and where
    controller and shunt were read over unlike times it is unknown. At 'charging' the use stays unknown.
    Raises ValueError unless all statistics are of one day.
    """
    days = {stat.day for stat in stats}
    if len(days) != 1:
        raise ValueError(f"a ledger needs statistics of one day, got {sorted(days)}")
    by_name = {stat.quantity: stat for stat in stats}

    def integral(name: str) -> float | None:
        stat = by_name.get(name)
        return stat.integral_h if stat is not None and stat.covered_s > 0 else None

    def used(load: str, charge: str, net: str) -> float | None:
        if level == "controller":
            return integral(load)
        if level == "shunt" and net in by_name:
            kept = by_name[net]
            given = integral(charge)
            if given is None:
                return -kept.negative_h
            if not covered_alike(by_name[charge], kept):
                return None
            return max(given - kept.integral_h, -kept.negative_h)
        return None

    voltage = by_name.get("battery_voltage_V")
    return DayLedger(
        day=days.pop(),
        harvest_Wh=integral("array_power_W"),
        charge_Ah=integral("charge_current_A"),
        charge_Wh=integral("charge_power_W"),
        used_Ah=used("load_current_A", "charge_current_A", "battery_current_A"),
        used_Wh=used("load_power_W", "charge_power_W", "battery_power_W"),
        voltage_min_V=voltage.minimum if voltage else None,
        voltage_min_ms=voltage.min_ms if voltage else None,
        voltage_max_V=voltage.maximum if voltage else None,
        covered_s=voltage.covered_s if voltage else 0.0,
    )


def covered_alike(one: DayStat, other: DayStat) -> bool:
    """Whether two quantities were read over about the same time of a day."""
    longer_s = max(one.covered_s, other.covered_s)
    return abs(one.covered_s - other.covered_s) <= max(UNLIKE_LEAST_S, UNLIKE_SHARE * longer_s)


@dataclass(frozen=True, slots=True)
class Flow:
    """What went into and out of the bank in a span, each positive; None where no meter shows it.

    covered_s of the span's span_s is covered by readings; nothing is counted in the rest.
    """

    in_Ah: float | None
    out_Ah: float | None
    in_Wh: float | None
    out_Wh: float | None
    covered_s: float
    span_s: float

    @property
    def dark_s(self) -> float:
        """Time without readings, in which nothing was counted."""
        return max(0.0, self.span_s - self.covered_s)

    @property
    def returned(self) -> float | None:
        """Charge returned over charge taken; None where either is unknown or nothing was taken."""
        if self.in_Ah is None or not self.out_Ah:
            return None
        return self.in_Ah / self.out_Ah


FLOW_QUANTITIES = ("battery_current_A", "battery_power_W", "charge_current_A", "charge_power_W")
"""What a flow is made of."""


def flow(stats: Sequence[DayStat], level: str, span_s: float) -> Flow:
    """The flow in days (or parts of days) from their statistics.

    Where the loads are not metered only what the controller gave is known, as what went in.
    """
    metered = level != "charging"
    amperes = [s for s in stats if s.quantity == ("battery_current_A" if metered else "charge_current_A")]
    watts = [s for s in stats if s.quantity == ("battery_power_W" if metered else "charge_power_W")]
    return Flow(
        in_Ah=_sum([stat.positive_h for stat in amperes]),
        out_Ah=_sum([-stat.negative_h for stat in amperes]) if metered else None,
        in_Wh=_sum([stat.positive_h for stat in watts]),
        out_Wh=_sum([-stat.negative_h for stat in watts]) if metered else None,
        covered_s=sum(stat.covered_s for stat in amperes),
        span_s=span_s,
    )


def deepest(stats: Sequence[DayStat]) -> tuple[float, int] | None:
    """The lowest state of charge (0..1) in some days and its time in ms, None where none is known."""
    charges = [stat for stat in stats if stat.quantity == "state_of_charge"]
    lowest = min(charges, key=lambda stat: stat.minimum, default=None)
    return None if lowest is None else (lowest.minimum, lowest.min_ms)


def equivalent_cycles(out_Ah: float | None, capacity_Ah: float) -> float | None:
    """Equivalent full cycles: the charge taken over the capacity."""
    return None if out_Ah is None or capacity_Ah <= 0 else out_Ah / capacity_Ah


def _sum(values: Sequence[float]) -> float | None:
    return sum(values) if values else None
