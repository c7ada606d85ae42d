"""The figures of an alarm system, on transitions written out by hand."""

from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.figures import figures, most_within
from monitor.records import AlarmState, Condition, Transition

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000


def step(time_ms, after, alarm="Low voltage", priority="high", cause=None):
    cause = cause or {"unacknowledged": "raised", "normal": "returned"}.get(after, "acknowledged")
    return Transition(time_ms, alarm, "", after, cause, priority, "")


def told(*transitions, states=(), days=2):
    return figures(transitions, states, 0, days * DAY, UTC)


def test_raises_are_counted_by_day_alarm_and_priority():
    found = told(
        step(HOUR, "unacknowledged"),
        step(2 * HOUR, "normal"),
        step(3 * HOUR, "unacknowledged"),
        step(DAY + HOUR, "unacknowledged", "Device silent: charger", "medium"),
    )
    assert (found.raised, found.per_day, found.busiest_day) == (3, 1.5, 2)
    assert found.frequent == {"Low voltage": 2, "Device silent: charger": 1}
    assert found.by_priority == {"high": 2, "medium": 1}


def test_what_lies_outside_of_the_time_is_not_counted():
    assert told(step(-1, "unacknowledged"), step(2 * DAY, "unacknowledged")).raised == 0


@pytest.mark.parametrize(("gap_s", "chatters"), [(29, True), (31, False)])
def test_three_raises_within_a_minute_chatter(gap_s, chatters):
    # ISA-18.2: an alarm that is raised three or more times in a minute chatters (from memory)
    steps = []
    for turn in range(3):
        at = turn * gap_s * 1000
        steps += [
            step(at, "unacknowledged"),
            step(at + 1000, "returned to normal unacknowledged", cause="returned"),
        ]
    assert bool(told(*steps).chattering) == chatters


def test_an_alarm_that_returns_within_a_minute_is_fleeting():
    short = [step(0, "unacknowledged"), step(MINUTE, "normal")]
    longer = [step(HOUR, "unacknowledged"), step(HOUR + MINUTE + 1, "normal")]
    assert told(*short, *longer).fleeting == {"Low voltage": 1}


@pytest.mark.parametrize(("count", "floods"), [(10, 0), (11, 1)])
def test_more_than_ten_alarms_in_ten_minutes_are_a_flood(count, floods):
    # ISA-18.2: a flood is more than 10 alarms in 10 minutes for one person (from memory)
    burst = [step(index * 50_000, "unacknowledged", f"alarm {index}") for index in range(count)]
    found = told(*burst)
    assert (found.peak, found.floods) == (count, floods)


def test_two_floods_hours_apart_are_two():
    burst = [step(i * 10_000, "unacknowledged", f"alarm {i}") for i in range(20)]
    later = [step(6 * HOUR + i * 10_000, "unacknowledged", f"alarm {i}") for i in range(20)]
    assert told(*burst, *later).floods == 2


def test_an_alarm_that_stands_for_more_than_a_day_is_stale():
    # ISA-18.2: stale after 24 hours (from memory)
    states = [
        AlarmState("old", Condition.ACKNOWLEDGED, 0, "high", 1.0, "", DAY - 1),
        AlarmState("young", Condition.UNACKNOWLEDGED, 0, "high", 1.0, "", DAY),
        AlarmState("calm", Condition.NORMAL, 0, "high", 1.0, ""),
    ]
    found = told(states=states)
    assert (found.standing, found.stale) == (("old", "young"), ("old",))


@given(times=st.lists(st.integers(0, 10_000), max_size=40), span=st.integers(1, 3000))
def test_the_most_within_a_span_is_what_counting_each_start_gives(times, span):
    times = sorted(times)
    by_hand = max((sum(start <= at < start + span for at in times) for start in times), default=0)
    assert most_within(times, span) == by_hand


@pytest.mark.parametrize(
    ("watched_days", "per_day", "start_day"),
    [(40, 0.1, 0), (10, 0.3, 20), (0.1, 3.0, 29)],  # by hand: 3 in 30 days, in 10, in what counts as one
)
def test_days_on_which_nobody_watched_thin_out_nothing(watched_days, per_day, start_day):
    end_ms = 30 * DAY
    since_ms = end_ms - round(watched_days * DAY)
    quiet = AlarmState("Bank too hot", Condition.NORMAL, since_ms, "high", None, "")
    raised = AlarmState("Low voltage", Condition.NORMAL, end_ms - 1, "high", None, "")
    steps = [step(end_ms - HOUR + n * MINUTE, "unacknowledged") for n in range(3)]
    found = figures(steps, [quiet, raised], 0, end_ms, UTC)
    assert found.per_day == pytest.approx(per_day)
    assert found.start_ms == start_day * DAY
