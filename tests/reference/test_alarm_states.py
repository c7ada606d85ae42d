"""The alarm machine against the standard's transitions, written out in alarm_states.py (from memory)."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.alarms import engine
from monitor.alarms.rule import Rule
from monitor.records import Condition
from tests.reference import alarm_states as standard

HOUR_MS = 3_600_000


def test_the_states_bear_the_standards_names():
    assert [str(state) for state in Condition] == list(standard.STATES)


def test_every_state_can_be_reached_and_left():
    assert {row[4] for row in standard.TABLE} == set(standard.STATES)
    assert {row[0] for row in standard.TABLE} == set(standard.STATES)


LIMIT = {"raise": 11.0, "return": 13.0}
DESIGN = {"suppress": engine.suppress, "unsuppress": engine.unsuppress}


def applied(rule_, state, event, now_ms):
    """The machine's state after an event, and whether it took one of the standard's ways."""
    if event in LIMIT:
        after, cause = engine.judge(rule_, state, rule_.verdict(now_ms, LIMIT[event]))
    elif event in DESIGN:
        after, cause = DESIGN[event](state, now_ms)
    else:
        try:
            after, cause = engine.ask(state, event, now_ms, now_ms + HOUR_MS)
        except ValueError:
            return state, False
    return after, cause is not None


@pytest.mark.parametrize("latching", [False, True])
def test_every_event_in_every_state_goes_the_standards_way(latching):
    rule_ = Rule("Low", "battery_voltage_V", "below", 12.0, 0.5, 0, 0, "high", latching=latching)
    known = {(standard.NORMAL, False): engine.first_state("Low", "high", 0)}
    ahead, tried = list(known), 0
    while ahead:
        name, beyond = ahead.pop()
        for event in standard.EVENTS:
            if event == ("raise" if beyond else "return"):
                continue  # beyond already, or back already
            now_beyond = {"raise": True, "return": False}.get(event, beyond)
            expected = standard.after(name, event, beyond=now_beyond, latching=latching)
            after, moved = applied(rule_, known[name, beyond], event, 1_000 * tried)
            assert (str(after.state), moved) == (expected or name, expected is not None), (name, event)
            assert engine.is_beyond(after) == now_beyond, (name, event)
            tried += 1
            if (str(after.state), now_beyond) not in known:
                known[str(after.state), now_beyond] = after
                ahead.append((str(after.state), now_beyond))
    # normal, unacknowledged, acknowledged, returned or the two latched ones; three set aside, each both ways
    assert len(known) == (11 if latching else 10)


class AgainstTheStandard(RuleBasedStateMachine):
    """A random signal and a random person; the table keeps its own state beside the machine's.

    The oracle is told only what the signal means (beyond, or back by the deadband) and what the person asks;
    delays are zero here, so that each value decides at once. The delays have tests of their own.
    """

    @initialize(latching=st.booleans())
    def begin(self, latching):
        self.rule = Rule("Low", "battery_voltage_V", "below", 12.0, 0.5, 0, 0, "high", latching=latching)
        self.state = engine.first_state("Low", "high", 0)
        self.expected, self.beyond, self.now_ms = standard.NORMAL, False, 0

    def expect(self, event):
        known = standard.after(self.expected, event, beyond=self.beyond, latching=self.rule.latching)
        before, self.expected = self.expected, known or self.expected
        return known is not None, before

    def take(self, step, event):
        """Let the oracle take an event and compare whether the machine has told a transition."""
        allowed, before = self.expect(event)
        self.state, cause = step
        assert (cause is not None) == allowed, (before, event, cause)

    @rule(value=st.sampled_from([11.0, 11.9, 12.0, 12.2, 12.49, 12.5, 13.0]), wait_s=st.integers(0, 4000))
    def a_value(self, value, wait_s):
        self.now_ms += wait_s * 1000
        went, came = not self.beyond and value < 12.0, self.beyond and value >= 12.5
        self.beyond = went or (self.beyond and not came)
        step = engine.judge(self.rule, self.state, self.rule.verdict(self.now_ms, value))
        if went or came:
            self.take(step, "raise" if went else "return")
        else:
            assert step[1] is None
            self.state = step[0]

    @rule(kind=st.sampled_from(["acknowledge", "unshelve", "out of service", "in service"]))
    def a_person(self, kind):
        self.ask(kind, None)

    @precondition(lambda self: self.state.raised_ms is not None)
    @rule(kind=st.sampled_from(["acknowledge", "reset"]))
    def a_person_who_was_told(self, kind):
        self.ask(kind, None)

    @rule(hours=st.floats(0.01, 24))
    def a_person_shelves(self, hours):
        self.ask("shelve", self.now_ms + round(hours * HOUR_MS))

    def ask(self, kind, until_ms):
        allowed, _ = self.expect(kind)
        try:
            self.state, cause = engine.ask(self.state, kind, self.now_ms, until_ms)
        except ValueError:
            cause = None
        assert (cause is not None) == allowed, (kind, self.state, cause)

    @rule(event=st.sampled_from(["suppress", "unsuppress"]))
    def the_design(self, event):
        self.take(DESIGN[event](self.state, self.now_ms), event)

    @precondition(lambda self: self.state.shelved_until_ms is not None)
    @rule()
    def the_shelving_ends(self):
        early = engine.end_of_shelving(self.state, self.state.shelved_until_ms - 1)
        assert early == (self.state, None)
        self.now_ms = max(self.now_ms, self.state.shelved_until_ms)
        self.take(engine.end_of_shelving(self.state, self.now_ms), "unshelve")

    @rule(back_s=st.integers(1, 100_000), value=st.sampled_from([11.0, 13.0]))
    def time_that_goes_back_changes_nothing(self, back_s, value):
        time_ms = engine.newest_ms(self.state) - back_s * 1000
        assert engine.judge(self.rule, self.state, self.rule.verdict(time_ms, value)) == (self.state, None)

    @invariant()
    def both_stand_alike(self):
        assert str(self.state.state) == self.expected
        assert engine.is_beyond(self.state) == self.beyond

    @invariant()
    def a_raised_alarm_says_since_when_and_a_calm_one_nothing(self):
        told = self.state.stands or self.beyond
        assert (self.state.raised_ms is not None) == told
        assert bool(self.state.text) == told


AgainstTheStandard.TestCase.settings = settings(max_examples=400, stateful_step_count=40)
TestAgainstTheStandard = AgainstTheStandard.TestCase
