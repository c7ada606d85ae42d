"""The page's alarms: what stands first with what to do, what is set aside, what has happened, the figures."""

import pytest

from dashboard.alarm_rows import take_alarms
from dashboard.markup import html_text
from dashboard.pages.alarms import layout as page
from monitor.alarms.rules import rules_of
from monitor.records import AlarmState, Condition, Reading, Transition, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

NOW = parse_iso("2026-11-25T20:00:00Z")
MINUTE = 60_000


@pytest.fixture
def site(tmp_path):
    return with_defaults(load_site(write(tmp_path, MARSH_HIDE)))[0]


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.clock.SystemClock.now_ms", lambda self: NOW)
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        writer.append([Reading(NOW, "charger", "battery_voltage_V", 11.5)])
        writer.commit()
        yield writer


def state(name, condition, **changes):
    found = {"since_ms": NOW - 30 * MINUTE, "priority": "high", "value": None, "text": f"{name}: told"}
    return AlarmState(name, condition, **found | changes)


def test_without_a_judgement_it_says_so(store, site):
    assert take_alarms(store, site).sentence == "No alarm has been judged yet."


def test_without_a_judgement_the_page_shows_no_figures(store, site):
    """'0.00 raised a day in 30 days' would say that somebody watched."""
    text = html_text(page(lambda: store, site, {}))
    assert "No alarm has been judged yet." in text
    for unknown in ("How they do", "Raised a day", "0 watched", "30 days"):
        assert unknown not in text


def test_what_stands_is_told_with_what_to_do_first(store, site):
    store.put_alarm(state("Low voltage", Condition.UNACKNOWLEDGED, raised_ms=NOW - 48 * MINUTE))
    store.put_alarm(state("Bank too hot", Condition.NORMAL))
    store.commit()
    found = take_alarms(store, site)
    assert found.sentence == "One alarm stands."
    (standing,) = found.standing
    rule = next(rule for rule in rules_of(site) if rule.name == "Low voltage")
    assert (standing.do_first, standing.caution) == (rule.do_first, rule.caution)
    assert standing.do_first.startswith("Switch off")
    assert (standing.state, standing.lasting) == ("active since 19:12", "48 min")
    assert found.quiet == ("Bank too hot",)


def test_urgent_ones_are_counted_and_come_first(store, site):
    store.put_alarm(state("Low voltage", Condition.ACKNOWLEDGED))
    store.put_alarm(state("Near the disconnect", Condition.UNACKNOWLEDGED, priority="urgent"))
    store.commit()
    found = take_alarms(store, site)
    assert found.sentence == "2 alarms stand, 1 of them urgent."
    assert [each.name for each in found.standing] == ["Near the disconnect", "Low voltage"]


def test_what_is_over_is_not_told_as_if_it_were_so_now(store, site):
    """'11.5 V is below 11.7 V' and 'switch off what can wait' are of then."""
    store.put_alarm(
        state(
            "Low voltage",
            Condition.RETURNED,
            text="Low voltage: 11.5 V is below 11.7 V",
            raised_ms=NOW - 48 * MINUTE,
        )
    )
    store.commit()
    found = take_alarms(store, site)
    assert found.sentence == "No alarm is active; one that is over waits for your answer."
    (standing,) = found.standing
    assert standing.text == "Low voltage is over; it said: 11.5 V is below 11.7 V."
    assert (standing.do_first, standing.caution) == ("", "")
    assert standing.lasting == "48 min ago"  # not '48 min': nobody says here when it ended


def test_why_the_design_keeps_an_alarm_quiet_is_told(store, site):
    at_night = {"text": "", "reason": "no daylight"}
    store.put_alarm(state("No charge in daylight", Condition.SUPPRESSED, **at_night))
    store.commit()
    assert take_alarms(store, site).aside == ("No charge in daylight is not judged now (no daylight).",)


def test_what_is_set_aside_is_told_with_its_end(store, site):
    store.put_alarm(state("Low voltage", Condition.SHELVED, shelved_until_ms=NOW + 60 * MINUTE))
    store.put_alarm(state("Bank too hot", Condition.OUT_OF_SERVICE))
    store.commit()
    found = take_alarms(store, site)
    assert set(found.aside) == {
        "Low voltage is shelved until 21:00.",
        "Bank too hot is out of service since 19:30.",
    }
    assert found.standing == ()


def test_an_alarm_whose_rule_has_gone_is_not_shown(store, site):
    store.put_alarm(state("Once upon a time", Condition.UNACKNOWLEDGED))
    store.commit()
    assert take_alarms(store, site).standing == ()


def test_a_dusk_after_another_does_not_push_an_alarm_out_of_the_history(store, site):
    """Each night the design suppresses 'No charge in daylight' and each morning takes it back."""
    normal, quiet, raised = Condition.NORMAL, Condition.SUPPRESSED, Condition.UNACKNOWLEDGED
    week = 7 * 24 * 60 * MINUTE
    store.add_transition(
        Transition(NOW - 4 * week, "Low voltage", normal, raised, "raised", "high", "11.6 V")
    )
    for turn in range(54):
        before, after, cause = (quiet, normal, "unsuppressed") if turn % 2 else (normal, quiet, "suppressed")
        at = NOW - 3 * week + turn * 60 * MINUTE
        store.add_transition(Transition(at, "No charge in daylight", before, after, cause, "high", "x"))
    store.add_transition(
        Transition(NOW - 1, "Low voltage", raised, quiet, "suppressed", "high", "charger silent")
    )
    store.commit()
    assert [change.cause for change in take_alarms(store, site).history] == ["suppressed", "raised"]


def test_history_and_figures_come_from_the_transitions(store, site):
    store.put_alarm(state("Low voltage", Condition.NORMAL))
    for minute in (0, 0.4, 0.8):  # three raises within a minute: it chatters (ISA-18.2, from memory)
        at = NOW - 60 * MINUTE + round(minute * MINUTE)
        normal, raised = Condition.NORMAL, Condition.UNACKNOWLEDGED
        store.add_transition(Transition(at, "Low voltage", normal, raised, "raised", "high", "11.6 V"))
        store.add_transition(Transition(at + 1, "Low voltage", raised, normal, "returned", "high", "11.8 V"))
    store.commit()
    found = take_alarms(store, site)
    assert [change.cause for change in found.history[:2]] == ["returned", "raised"]
    assert found.history[0].time == "19:00"
    told = {label: value for label, value, _ in found.figures}
    assert (told["Raised a day"], found.days) == ("3.00", 1)  # by hand: 3 since an hour, told as of one day
    assert told["Most within 10 minutes"] == "3"
    assert told["Chattering"] == "Low voltage"


def test_a_clock_that_was_put_back_hides_nothing_and_invents_no_age(store, site):
    """A computer without a clock chip starts in the past: what is stored then lies ahead of it."""
    then = NOW + 50 * 24 * 60 * MINUTE
    normal, raised = Condition.NORMAL, Condition.UNACKNOWLEDGED
    store.put_alarm(state("Low voltage", raised, raised_ms=then, since_ms=then))
    store.add_transition(Transition(then, "Low voltage", normal, raised, "raised", "high", "11.5 V"))
    store.commit()
    found = take_alarms(store, site)
    assert found.standing[0].lasting == "50 days ahead"
    assert [(each.cause, each.text) for each in found.history] == [("raised", "11.5 V")]
