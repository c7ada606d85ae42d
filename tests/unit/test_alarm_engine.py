"""The alarm machine on courses of values: delays, deadband, latching, shelving, a person's answers."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.engine import (
    ask,
    end_of_shelving,
    first_state,
    judge,
    set_back,
    suppress,
    unsuppress,
)
from monitor.alarms.rule import Rule
from monitor.records import AlarmState, Condition

LOW = Rule(
    "Low voltage", "battery_voltage_V", "below", 11.7, 0.3, on_delay_s=120, off_delay_s=300, priority="high"
)
N, U, A, R = (
    Condition.NORMAL,
    Condition.UNACKNOWLEDGED,
    Condition.ACKNOWLEDGED,
    Condition.RETURNED,
)


def play(rule, values, state=None, every_s=60, start_s=0):
    """States and transitions when `values` come one each every_s."""
    state = state or first_state(rule.name, rule.priority, 0)
    states, told = [], []
    for index, value in enumerate(values):
        state, cause = judge(rule, state, rule.verdict((start_s + index * every_s) * 1000, value))
        states.append(state)
        told += [(cause, state.text)] if cause else []
    return states, told


def words(states):
    return [state.state for state in states]


@pytest.mark.parametrize("acknowledged", [False, True])
def test_an_alarm_that_is_over_is_as_if_it_had_never_been_but_for_its_last_value(acknowledged):
    states, _ = play(LOW, [11.5] * 4)
    state = replace(states[-1], first_out=True)
    if acknowledged:
        state, _ = ask(state, "acknowledge", 240_000)
    states, told = play(LOW, [12.4] * 8, state, start_s=300)
    over, cause = states[-1], told[-1][0]
    if not acknowledged:
        over, cause = ask(over, "acknowledge", 900_000)
    assert cause == ("returned" if acknowledged else "acknowledged")
    assert over == replace(first_state(LOW.name, LOW.priority, over.since_ms), value=12.4)


def test_a_dip_shorter_than_the_on_delay_raises_nothing():
    states, told = play(LOW, [12.4, 11.5, 11.5, 12.3, 12.3])
    assert words(states) == [N] * 5
    assert [state.beyond_ms for state in states] == [None, 60_000, 60_000, None, None]
    assert told == []


def test_a_lasting_low_is_raised_once_with_value_and_limit_and_since_it_began():
    states, told = play(LOW, [12.4, 11.6, 11.6, 11.55, 11.5, 11.5])
    assert words(states) == [N, N, N, U, U, U]
    assert told == [("raised", "Low voltage: 11.55 V is below 11.7 V")]
    assert states[-1].raised_ms == 60_000


def test_how_bad_it_is_follows_the_value():
    states, _ = play(LOW, [11.6, 11.6, 11.6, 11.2])
    assert states[-1].text == "Low voltage: 11.2 V is below 11.7 V"


def test_inside_the_deadband_the_alarm_stands():
    states, told = play(LOW, [11.6, 11.6, 11.6, 11.8, 11.99, 11.75] + [11.9] * 20)
    assert states[-1].state == U
    assert len(told) == 1


def test_clear_of_the_deadband_for_the_off_delay_it_returns_and_waits_for_the_person():
    states, told = play(LOW, [11.6] * 3 + [12.1] * 6)
    assert words(states) == [N, N] + [U] * 6 + [R]
    assert [cause for cause, _ in told] == ["raised", "returned"]
    assert states[-1].stands
    calm, cause = ask(states[-1], "acknowledge", 600_000)
    assert (calm.state, cause, calm.raised_ms, calm.text) == (N, "acknowledged", None, "")


def test_an_acknowledged_alarm_returns_to_normal_by_itself():
    raised = play(LOW, [11.6] * 3)[0][-1]
    acknowledged, _ = ask(raised, "acknowledge", 130_000)
    states, _ = play(LOW, [12.1] * 6, acknowledged, start_s=180)
    assert states[-1].state == N


def test_a_dip_on_the_way_back_begins_the_off_delay_anew_and_raises_nothing():
    states, told = play(LOW, [11.6] * 3 + [12.1] * 4 + [11.5] + [12.1] * 5)
    assert states[-1].state == U
    assert len(told) == 1


def test_a_value_from_before_the_state_changes_nothing():
    raised = play(LOW, [11.6] * 3)[0][-1]
    assert judge(LOW, raised, LOW.verdict(119_000, 12.6)) == (raised, None)


def test_a_latching_alarm_waits_for_acknowledgement_then_reset():
    rule = replace(LOW, latching=True)
    back = play(rule, [11.6] * 3 + [12.1] * 6)[0][-1]
    assert back.state == Condition.LATCHED_UNACKNOWLEDGED
    with pytest.raises(ValueError, match="cannot be reset: acknowledge it first"):
        ask(back, "reset", 600_000)
    latched, _ = ask(back, "acknowledge", 600_000)
    assert latched.state == Condition.LATCHED
    assert ask(latched, "reset", 700_000)[0].state == N
    again = play(rule, [11.6] * 3, latched, start_s=800)[0][-1]
    assert again.state == U


def test_a_shelving_ends_by_itself_and_looks_at_the_value_again():
    raised = play(LOW, [11.6] * 3)[0][-1]
    shelved, cause = ask(raised, "shelve", 150_000, 4_000_000)
    assert (shelved.state, shelved.stands, cause) == (Condition.SHELVED, False, "shelved")
    assert end_of_shelving(shelved, 3_999_999) == (shelved, None)
    ended, cause = end_of_shelving(shelved, 4_000_000)
    assert (ended.state, cause, ended.raised_ms, ended.shelved_until_ms) == (U, "unshelved", 0, None)
    back = play(LOW, [12.1] * 6, shelved, start_s=180)[0][-1]
    assert end_of_shelving(back, 4_000_000)[0].state == N


@pytest.mark.parametrize("until_s", [None, 0, 150, 150 + 86_401])
def test_a_shelving_needs_a_time_of_at_most_a_day(until_s):
    raised = play(LOW, [11.6] * 3)[0][-1]
    with pytest.raises(ValueError, match="needs a time of up to 24 h"):
        ask(raised, "shelve", 150_000, None if until_s is None else until_s * 1000)


def test_a_rise_while_suppressed_is_told_at_its_end():
    quiet, cause = suppress(first_state("Low voltage", "high", 0), 0)
    assert (quiet.state, cause) == (Condition.SUPPRESSED, "suppressed")
    hidden, told = play(LOW, [11.6] * 4, quiet, start_s=60)
    assert (words(hidden), told) == ([Condition.SUPPRESSED] * 4, [])
    assert unsuppress(hidden[-1], 300_000)[0].state == U
    assert unsuppress(hidden[0], 300_000)[0].state == N


@pytest.mark.parametrize(
    ("state", "kind", "why"),
    [
        (N, "acknowledge", "nothing to acknowledge"),
        (A, "acknowledge", "nothing to acknowledge"),
        (A, "reset", "cannot be reset"),
        (N, "unshelve", "is normal, not shelved"),
        (N, "in service", "is normal, not out of service"),
        (Condition.OUT_OF_SERVICE, "shelve", "put it in service before"),
        (Condition.OUT_OF_SERVICE, "out of service", "already"),
        (N, "sing", "unknown request"),
    ],
)
def test_what_a_state_does_not_allow_is_refused_in_words(state, kind, why):
    with pytest.raises(ValueError, match=why):
        ask(AlarmState("Low voltage", state, 0, "high", None, ""), kind, 1_000, 2_000)


def test_a_clock_that_was_ahead_leaves_no_time_in_the_future():
    ahead = play(LOW, [11.6] * 3, start_s=10_000_000)[0][-1]
    assert judge(LOW, ahead, LOW.verdict(500_000, 12.6)) == (ahead, None)
    here = set_back(ahead, 400_000)
    states, _ = play(LOW, [12.6] * 6, here, start_s=500)
    assert states[-1].state == R
    shelved, _ = ask(ahead, "shelve", 10_000_200_000, 10_003_800_000)
    assert set_back(shelved, 400_000).shelved_until_ms == 400_000 + 3_600_000


signals = st.lists(st.sampled_from([11.2, 11.69, 11.71, 11.9, 12.01, 12.6, None]), max_size=80)


@given(values=signals, every_s=st.sampled_from([5, 60, 130]))
def test_no_alarm_is_raised_twice_without_a_return_between(values, every_s):
    known = [(i, v) for i, v in enumerate(values) if v is not None]
    state, causes = first_state("Low voltage", "high", 0), []
    for index, value in known:
        state, cause = judge(LOW, state, LOW.verdict(index * every_s * 1000, value))
        causes += [cause] if cause else []
    assert causes == ["raised", "returned"] * (len(causes) // 2) + ["raised"] * (len(causes) % 2)


@given(values=signals, every_s=st.sampled_from([5, 60, 130]))
def test_an_alarm_comes_only_after_its_on_delay_and_goes_only_after_its_off_delay(values, every_s):
    # the rule's meaning, looked at on the signal itself: no value of the delay's time before says otherwise
    state, seen = first_state("Low voltage", "high", 0), []
    for index, value in enumerate(values):
        if value is None:
            continue
        now_s = index * every_s
        seen.append((now_s, value))
        state, cause = judge(LOW, state, LOW.verdict(now_s * 1000, value))
        if cause == "raised":
            assert now_s - _last(seen, 11.7, "up") >= 120
        if cause == "returned":
            assert now_s - _last(seen, 12.0, "down") >= 300


def _last(seen, limit_V, side):
    """When the value was last on that side of a limit, -1 where never."""
    return max((at for at, v in seen if (v >= limit_V if side == "up" else v < limit_V)), default=-1)


def test_the_designs_reason_is_kept_while_it_holds_and_no_longer():
    first, _ = suppress(first_state("No charge in daylight", "high", 0), 0, "no daylight")
    assert first.reason == "no daylight"
    second, cause = suppress(first, 60_000, "charger is silent")
    assert (second.reason, second.since_ms, cause) == ("charger is silent", 0, None)
    assert unsuppress(second, 120_000)[0].reason == ""
