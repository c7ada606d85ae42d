"""Order and length tell whose answer came, for any device that answers in the order it is asked."""

from __future__ import annotations

import random
from collections import deque

import pytest

from monitor.devices.owed import Owed, Request


def asked(owed: Owed, function: int, count: int, sent_s: float = 0.0) -> Request:
    request = Request(function, count, sent_s)
    owed.add(request)
    return request


def test_nothing_owed_asks_for_what_is_wanted() -> None:
    assert Owed().count_to_ask(4, 25, 65536) == 25


def test_a_missing_answer_makes_the_next_question_a_shorter_probe() -> None:
    owed = Owed()
    asked(owed, 4, 25)
    assert owed.count_to_ask(4, 25, 65536) == 1
    asked(owed, 4, 1)
    assert owed.count_to_ask(4, 25, 65536) == 2
    assert owed.count_to_ask(3, 25, 65536) == 25, "an answer of another function cannot be mistaken"


def test_one_register_is_probed_with_two_where_there_are_two() -> None:
    owed = Owed()
    asked(owed, 3, 1)
    assert owed.count_to_ask(3, 1, 2) == 2
    assert owed.count_to_ask(3, 1, 1) == 1, "the very last register has no neighbour to probe with"


def test_a_probe_has_a_length_that_nothing_is_waited_for_with() -> None:
    """So its answer settles all that came before, even where hardly anything was asked for."""
    owed = Owed()
    for expected in (1, 3, 4):
        asked(owed, 4, 2)
        assert owed.count_to_ask(4, 2, 65536) == expected
        asked(owed, 4, expected)
    assert owed.count_to_ask(4, 2, 2) == 1, "behind the last register is none"
    owed.close(owed.oldest(4, 4))
    assert owed.count_to_ask(4, 2, 65536) == 2


def test_an_answer_closes_its_request_and_all_before() -> None:
    owed = Owed()
    asked(owed, 4, 25)
    probe = asked(owed, 4, 1)
    assert owed.oldest(4, 1) is probe
    owed.close(probe)
    assert owed.functions() == set()
    assert owed.count_to_ask(4, 25, 65536) == 25


def test_a_sound_answer_to_nothing_that_was_asked_closes_the_oldest_request_and_leaves_it_in_doubt() -> None:
    owed = Owed()
    asked(owed, 4, 2, sent_s=10.0)
    probe = asked(owed, 4, 1, sent_s=11.0)
    owed.close_oldest()
    assert owed.count_to_ask(4, 2, 65536) == 2
    assert owed.doubts(4, 2, since_s=9.0) == 1
    assert owed.oldest(4, 1) is probe
    owed.close_oldest()
    owed.close_oldest()
    assert owed.forms() == {(4, 2), (4, 1)}, "of both an answer may still come"


def test_a_request_closed_without_an_answer_stays_in_doubt_until_it_comes() -> None:
    owed = Owed()
    first, probe = asked(owed, 4, 25, sent_s=10.0), asked(owed, 4, 1, sent_s=11.0)
    owed.close(probe)
    assert owed.doubts(4, 25, since_s=9.0) == 1
    assert owed.doubts(4, 25, since_s=10.0) == 0, "doubt ends with time"
    assert owed.doubts(4, 1, since_s=9.0) == 0
    assert owed.oldest(4, 25) is first
    owed.close(first)
    assert owed.doubts(4, 25, since_s=9.0) == 0
    with pytest.raises(LookupError):
        owed.oldest(4, 25)


def test_an_answer_of_a_repeated_form_belongs_to_the_oldest() -> None:
    owed = Owed()
    first, probe, again = asked(owed, 4, 25), asked(owed, 4, 1), asked(owed, 4, 25)
    assert owed.oldest(4, 25) is first
    owed.close(first)
    assert owed.oldest(4, 25) is again
    assert owed.oldest(4, None) is probe, "a refusal may answer any request of its function"


def test_no_order_of_losses_and_delays_passes_a_late_answer_off() -> None:
    """A device that answers in order, at most once, after any delay: only the present answer is believed."""
    seed = random.SystemRandom().randrange(10**9)
    draw = random.Random(seed)
    believed = 0
    for _ in range(300):
        owed, under_way = Owed(), deque[tuple[int, Request]]()
        lost_share, wanted = draw.random() * 0.3, draw.choice((1, 2, 4, 25))
        for step in range(60):
            count = owed.count_to_ask(4, wanted, 65536)
            present = asked(owed, 4, count)
            if draw.random() >= lost_share:
                under_way.append((step + draw.choice((0,) * 12 + (1, 2, 5, 9)), present))
            while under_way and under_way[0][0] <= step:
                true = under_way.popleft()[1]
                closed = owed.oldest(4, true.count)
                owed.close(closed)
                if closed is present:
                    assert true is present, f"seed {seed}"
                    believed += count == wanted
                    break
    assert believed > 1000, f"seed {seed}: hardly anything was believed"


def test_where_a_unit_refuses_unasked_the_answer_to_what_was_refused_may_still_come() -> None:
    owed = Owed()
    early, late = asked(owed, 4, 2, sent_s=1.0), asked(owed, 4, 2, sent_s=10.0)
    owed.refuse(early)
    owed.refuse(late)
    assert owed.doubts(4, 2, since_s=0.0) == 0, "a refusal is an answer, as long as none is one too many"
    owed.doubt_refusals(since_s=5.0)
    assert owed.doubts(4, 2, since_s=0.0) == 1
    assert owed.oldest(4, 2) is late
