"""The one sentence on the bank: how full it is, what flows, and at what voltage. Pure."""

from __future__ import annotations

from dashboard.charge import Charge
from dashboard.daemon import Daemon
from dashboard.snapshot import Snapshot
from dashboard.values import Value, value_of
from dashboard.words import STAGES, clock_text, number, shown
from monitor.present import Look
from monitor.quantities import Stage
from monitor.site.model import Site


def bank_sentence(snapshot: Snapshot, site: Site, daemon: Daemon, charge: Charge) -> str:
    """The one sentence on the bank: charge with band, what flows, the stage, the voltage.

    In the past tense, with its time, where the daemon does not run or the voltage is no longer live.
    """
    zone = site.site.zone
    voltage = value_of(snapshot, site, "battery_voltage_V")
    if voltage.number is None:
        if snapshot.span is None:
            return "Nothing has been read from the bank yet."
        return f"The bank's voltage is not known: {voltage.note}."
    present = daemon is Daemon.RUNNING and voltage.look in (Look.LIVE, Look.SUSPECT)
    say = PRESENT if present else PAST
    usable = (Look.LIVE,) if present else (Look.LIVE, Look.STALE)
    clauses = []
    if charge.clause and charge.figure.look in usable:
        clauses.append(f"{say['is']} {charge.clause}")
    clauses.append(flow_clause(snapshot, site, usable, say))
    doubt = " (a doubtful reading)" if voltage.look is Look.SUSPECT else ""
    body = " and ".join(clause for clause in clauses if clause)
    body = f"{body}, at {voltage.text}{doubt}" if body else f"{say['stands']} at {voltage.text}{doubt}"
    if not charge.clause:
        body += "; its charge is not known yet"
    if present:
        return f"The bank {body}."
    time_ms = newest_ms(snapshot, "battery_voltage_V")
    who = "The bank's voltage is no longer read" if daemon is Daemon.RUNNING else "When last read"
    at = f"{clock_text(time_ms, snapshot.now_ms, zone)}"
    joint = f"; at {at}" if daemon is Daemon.RUNNING else f", at {at},"
    return f"{who}{joint} the bank {body}."


PRESENT = {
    "is": "is",
    "stands": "stands",
    "charges": "is charging with",
    "gives": "gives",
    "rests": "rests",
    "takes": "takes",
    "brings": "brings",
}
PAST = {
    "is": "was",
    "stands": "stood",
    "charges": "was charging with",
    "gives": "gave",
    "rests": "rested",
    "takes": "took",
    "brings": "brought",
}


def flow_clause(snapshot: Snapshot, site: Site, usable: tuple[Look, ...], say: dict[str, str]) -> str:
    """Whether the bank is being charged or used and in which stage, '' where no current is known."""
    still_A = site.meters.current_offset_tolerance_A + site.meters.current_step_A
    stage = stage_phrase(value_of(snapshot, site, "charge_stage"), usable)
    given = value_of(snapshot, site, "charge_current_A")
    given_A = given.number if given.look in usable and given.number is not None else 0.0
    if site.metering.level == "charging":
        if given.number is None or given.look not in usable:
            return ""
        if given_A > still_A:
            return f"{say['takes']} {shown(given_A, given.quantity)} from the controller{stage}"
        return f"{say['takes']} nothing from the controller"
    net = value_of(snapshot, site, "battery_current_A")
    if net.number is None or net.look not in usable:
        return ""
    size = f"{number(abs(net.number), 1)} A"
    if net.number > still_A:
        return f"{say['charges']} {size}{stage}"
    if net.number < -still_A:
        beside = f" on top of what the array {say['brings']}" if given_A > still_A else ""
        return f"{say['gives']} {size}{beside}"
    return f"{say['rests']}{stage}"


def stage_phrase(stage: Value, usable: tuple[Look, ...]) -> str:
    """' in absorption', '' where no stage is known or nothing is being charged."""
    if stage.number is None or stage.look not in usable or not 0 < round(stage.number) < len(Stage):
        return ""
    return f" in {STAGES[Stage(round(stage.number))]}"


def newest_ms(snapshot: Snapshot, quantity: str) -> int:
    """When a quantity that was read at least once was last good, or last read at all."""
    if quantity in snapshot.last_good:
        return snapshot.last_good[quantity].time_ms
    return max(reading.time_ms for reading in snapshot.latest if reading.quantity == quantity)
