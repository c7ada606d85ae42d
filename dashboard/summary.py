"""What the store answered -> what the page says: the sentence, the rows, the ages. Pure, no Dash in it.

The words here are the whole answer: a reader who hears them instead of seeing the page misses nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboard.bank_sentence import bank_sentence
from dashboard.charge import Charge, charge_of
from dashboard.daemon import Daemon, Notice, daemon_notice, daemon_state
from dashboard.local import in_form
from dashboard.night import Night, night_of
from dashboard.snapshot import Snapshot
from dashboard.values import MORE, Value, known, main_quantities, value_of
from dashboard.watched_test import line_of
from dashboard.words import age_text, clock_text, lasted_text, number, since_text, span_text
from monitor.alarms.rules import rules_of
from monitor.alarms.standing import WORST_FIRST, in_order, standing_text, standing_words
from monitor.records import MINUTE_MS, AlarmState, Condition, DeviceHealth
from monitor.site.load import with_defaults
from monitor.site.model import Site

GAP_SHARE = 0.03
GAP_LEAST_MS = 5 * MINUTE_MS
"""A day is told to have gaps when more than both of these is not covered (our choice)."""

CLOCK_ALARM = "Clock not trusted"
"""The alarm that has the clock's own mark."""

UNLIKE_TIMES = "not known today: shunt and controller were not read over the same time"

CALLING = WORST_FIRST[:2]
"""Priorities that press, and for which an open page may sound."""

ERROR_WORDS = {
    "line lost": "port or connection gone",
    "no answer": "no answer",
    "bad frame": "answer damaged",
    "foreign reply": "answer to another question",
    "echo": "own request heard back",
    "refused": "request refused",
}


@dataclass(frozen=True, slots=True)
class Total:
    """One total of the local day: '1,240 Wh' and '96.4 Ah', '—' where not known, with a note."""

    quantity: str
    label: str
    energy: str
    charge: str
    energy_Wh: float | None
    charge_Ah: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One standing alarm. state is how it stands, 'active since 20:31', lasting how long that has been
    or how long ago, of one that is over, it began.

    raised_ms tells one raising from the next. comes_first: it is told before the sentence. calls: it is
    active, of high priority or more, nobody has acknowledged it and a monitor watches it, so that an open
    page may sound for it. do_first is what to do.
    """

    name: str
    priority: str
    state: str
    text: str
    lasting: str
    raised_ms: int
    comes_first: bool
    calls: bool
    is_over: bool
    do_first: str


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """How one device has been answering. state is the word the store keeps."""

    name: str
    state: str
    headline: str
    details: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tonight:
    """All that the page 'Tonight' says in words; turns tells the script whether it is night, '' unknown.

    notices are told before the sentence, standing in few words after it; test is the capacity test that runs,
    '' where none does.
    """

    as_of: str
    turns: str
    daemon: Daemon
    notices: tuple[Notice, ...]
    standing: tuple[Notice, ...]
    sentence: str
    night: Night | None
    charge: Charge
    main: tuple[Value, ...]
    more: tuple[Value, ...]
    totals: tuple[Total, ...]
    day_note: str
    alarms: tuple[AlarmRow, ...]
    alarm_note: str
    devices: tuple[DeviceRow, ...]
    test: str = ""


def summarize(snapshot: Snapshot, site: Site) -> Tonight:
    """The page 'Tonight' in words, from one snapshot of the store."""
    zone = site.site.zone
    daemon = daemon_state(snapshot.heartbeat, snapshot.now, site)
    alarms = alarm_rows(snapshot, site, daemon, zone)
    main = tuple(value_of(snapshot, site, name) for name in main_quantities(site))
    shown_first = {value.quantity for value in main}
    more = tuple(value_of(snapshot, site, name) for name in known(snapshot, MORE) if name not in shown_first)
    charge = charge_of(snapshot, site)
    return Tonight(
        as_of=clock_text(snapshot.now_ms, snapshot.now_ms, zone),
        turns="" if snapshot.turns is None else snapshot.turns.text(),
        daemon=daemon,
        notices=notices(snapshot, site, alarms),
        standing=tuple(beside_notice(row) for row in alarms if not row.comes_first),
        sentence=bank_sentence(snapshot, site, daemon, charge),
        night=night_ahead(snapshot, daemon, zone),
        charge=charge,
        main=main,
        more=more,
        totals=day_totals(snapshot, site),
        day_note=day_note(snapshot),
        alarms=alarms,
        alarm_note=alarm_note(snapshot, daemon, alarms, zone),
        devices=tuple(device_row(health, snapshot, zone) for health in snapshot.health),
        test=line_of(snapshot.test, snapshot.now_ms, zone),
    )


def night_ahead(snapshot: Snapshot, daemon: Daemon, zone: ZoneInfo) -> Night | None:
    """The night ahead, None where there is no outlook that tells of it, or no clock to place it by."""
    if snapshot.outlook is None or daemon is Daemon.AHEAD:
        return None
    return night_of(snapshot.outlook, snapshot.charge_since_dusk, snapshot.now_ms, zone)


def notices(snapshot: Snapshot, site: Site, alarms: tuple[AlarmRow, ...]) -> tuple[Notice, ...]:
    """What a person must know before the sentence: pressing alarms, then a daemon that does not run."""
    found = [alarm_notice(row) for row in alarms if row.comes_first]
    trouble = daemon_notice(snapshot.heartbeat, snapshot.now, site)
    return tuple(found if trouble is None else [*found, trouble])


def alarm_notice(row: AlarmRow) -> Notice:
    kind = "clock" if row.name == CLOCK_ALARM else "alarm"
    return Notice(kind, f"Alarm, {row.priority} priority, {row.state}. {row.text}")


def beside_notice(row: AlarmRow) -> Notice:
    """A standing alarm in the fewest words: when and how it stands is told under 'Alarms'."""
    return Notice("alarm", f"{row.name} is over and waits for your answer." if row.is_over else row.text)


def clock_phrase(time_ms: int, snapshot: Snapshot, zone: ZoneInfo) -> str:
    """'at 20:31 (25 min ago)'."""
    return f"at {clock_text(time_ms, snapshot.now_ms, zone)} ({age_text(snapshot.now_ms - time_ms)})"


def day_totals(snapshot: Snapshot, site: Site) -> tuple[Total, ...]:
    """Today's harvest and use. What the metering level cannot see says so instead of showing a number."""
    ledger = snapshot.ledger
    harvest_Wh = harvest_Ah = used_Wh = used_Ah = None
    if ledger is not None:
        harvest_Wh = ledger.harvest_Wh if ledger.harvest_Wh is not None else ledger.charge_Wh
        harvest_Ah = ledger.charge_Ah
        used_Wh, used_Ah = ledger.used_Wh, ledger.used_Ah
    at_array = ledger is not None and ledger.harvest_Wh is not None
    harvest_note = "Wh at the array, Ah into the bank side" if at_array and harvest_Ah is not None else ""
    both_read = used_Wh is not None or used_Ah is not None or harvest_Ah is None
    use_note = {
        "controller": "through the controller's load output",
        "shunt": "counted at the shunt" if both_read else UNLIKE_TIMES,
        "charging": "not metered: the controller does not see the loads",
    }[site.metering.level]
    return (
        total("harvest", "Harvest", harvest_Wh, harvest_Ah, harvest_note),
        total("use", "Use", used_Wh, used_Ah, use_note),
    )


def total(quantity: str, label: str, energy_Wh: float | None, charge_Ah: float | None, note: str) -> Total:
    energy = "—" if energy_Wh is None else f"{number(energy_Wh, 0)} Wh"
    charge = "—" if charge_Ah is None else f"{number(charge_Ah, 1 if abs(charge_Ah) < 100 else 0)} Ah"
    return Total(quantity, label, energy, charge, energy_Wh, charge_Ah, note)


def day_note(snapshot: Snapshot) -> str:
    """How much of the local day until now the totals rest on; '' where the day has no gap worth telling."""
    ledger = snapshot.ledger
    if ledger is None:
        return "Nothing was read today."
    until_ms = max(snapshot.now_ms - snapshot.day_start_ms, 0)
    missing_ms = until_ms - ledger.covered_s * 1000
    if missing_ms <= max(GAP_LEAST_MS * snapshot.now.speed, GAP_SHARE * until_ms):
        return ""
    return (
        f"With gaps: {span_text(ledger.covered_s * 1000)} of the day's {span_text(until_ms)} were read; "
        "the rest is not counted."
    )


def alarm_rows(snapshot: Snapshot, site: Site, daemon: Daemon, zone: ZoneInfo) -> tuple[AlarmRow, ...]:
    """The standing alarms, the most urgent first."""
    standing = [alarm for alarm in in_order(snapshot.alarms) if alarm.stands]
    if not standing:
        return ()
    first = {rule.name: rule.do_first for rule in rules_of(with_defaults(site)[0])}
    watched = daemon in (Daemon.RUNNING, Daemon.SILENT)
    return tuple(
        alarm_row(alarm, snapshot, zone, in_form(first.get(alarm.name, "")), watched=watched)
        for alarm in standing
    )


def alarm_row(
    alarm: AlarmState, snapshot: Snapshot, zone: ZoneInfo, do_first: str, *, watched: bool
) -> AlarmRow:
    """A standing alarm, with the time since which its value has been beyond its limit.

    Before the sentence comes only what presses, or puts the sentence's times in doubt: an alarm that is
    over, was acknowledged or has less priority may stand for days, and the page is opened for the sentence.
    """
    text = in_form(standing_text(alarm.name, alarm.state, alarm.text)).rstrip(".")
    since_ms = alarm.raised_ms or alarm.since_ms
    since = clock_text(since_ms, snapshot.now_ms, zone)
    unanswered = alarm.state == Condition.UNACKNOWLEDGED
    presses = unanswered and alarm.priority in CALLING
    return AlarmRow(
        alarm.name,
        alarm.priority,
        standing_words(alarm.state, since, first_out=alarm.first_out),
        f"{text[0].upper()}{text[1:]}.",
        age_text(snapshot.now_ms - since_ms) if alarm.is_over else lasted_text(since_ms, snapshot.now_ms),
        raised_ms=since_ms,
        comes_first=presses or (unanswered and alarm.name == CLOCK_ALARM),
        calls=watched and presses,
        is_over=alarm.is_over,
        do_first="" if alarm.is_over else do_first,
    )


def alarm_note(snapshot: Snapshot, daemon: Daemon, alarms: tuple[AlarmRow, ...], zone: ZoneInfo) -> str:
    """What to say under 'Alarms' when none stands, when some are set aside, or when nobody is watching."""
    if daemon is not Daemon.RUNNING and snapshot.alarms:
        if snapshot.now.is_of_copy:
            return "This is how the alarms stood when the site was last heard of."
        return "Nobody is watching now: this is how the alarms stood when the monitor last wrote."
    if not snapshot.alarms:
        return "No alarm has been judged yet."
    none = "" if alarms else f"None is active, {len(snapshot.alarms)} watched."
    aside = [
        f"{alarm.name} is shelved until {clock_text(alarm.shelved_until_ms, snapshot.now_ms, zone)}."
        for alarm in snapshot.alarms
        if alarm.shelved_until_ms is not None
    ]
    aside += [
        f"{alarm.name} is out of service."
        for alarm in snapshot.alarms
        if alarm.state == Condition.OUT_OF_SERVICE
    ]
    return " ".join([*([none] if none else []), *aside])


def device_row(health: DeviceHealth, snapshot: Snapshot, zone: ZoneInfo) -> DeviceRow:
    """A device's health in plain words."""
    headline = {
        "answering": f"answering {since_text(health.since_ms, snapshot.now_ms, zone)}",
        "silent": f"silent {since_text(health.since_ms, snapshot.now_ms, zone)}",
        "never answered": "has never answered",
    }.get(health.state, health.state)
    details = [f"on {health.connection}"]
    if health.last_good_ms is not None:
        took_ms = health.round_trip_ms or 0.0  # a device that speaks by itself takes no time to answer
        took = f", took {number(took_ms, 0)} ms" if took_ms >= 1 else ""
        details.append(f"last answer {clock_phrase(health.last_good_ms, snapshot, zone)}{took}")
    next_ms = health.next_try_ms
    if health.state != "answering" and next_ms is not None and next_ms > snapshot.now_ms:
        details.append(f"asked again in {span_text(next_ms - snapshot.now_ms)}")
    if health.last_error:
        details.append(f"last error: {health.last_error}")
    if health.remark:
        details.append(health.remark)
    counted = [
        f"{number(count, 0)} × {ERROR_WORDS.get(kind, kind)}"
        for kind, count in health.errors.items()
        if count
    ]
    if counted:
        details.append(f"of {number(health.polls, 0)} polls: {', '.join(counted)}")
    return DeviceRow(health.device, health.state, headline, tuple(details))
