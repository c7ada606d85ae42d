"""Order and length tell whose answer came, for any device that answers in the order it is asked."""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Iterator

import pytest

from monitor.devices.owed import REMEMBERED, Owed, Request


def asked(owed: Owed, function: int, count: int, sent_s: float = 0.0) -> Request:
    request = Request(function, count, sent_s)
    owed.add(request)
    return request


def count_to_ask(owed: Owed, function: int, count: int, room: int) -> int:
    """As the link asks where nothing has been answered yet: what is wanted, or a probe at its address."""
    return owed.probe_count(function, count, room) if owed.may_be_mistaken(function, count) else count


def test_nothing_owed_asks_for_what_is_wanted() -> None:
    assert count_to_ask(Owed(), 4, 25, 65536) == 25


def test_a_missing_answer_makes_the_next_question_a_shorter_probe() -> None:
    owed = Owed()
    asked(owed, 4, 25)
    assert count_to_ask(owed, 4, 25, 65536) == 1
    asked(owed, 4, 1)
    assert count_to_ask(owed, 4, 25, 65536) == 2
    assert count_to_ask(owed, 3, 25, 65536) == 25, "an answer of another function cannot be mistaken"


def test_one_register_is_probed_with_two_where_there_are_two() -> None:
    owed = Owed()
    asked(owed, 3, 1)
    assert count_to_ask(owed, 3, 1, 2) == 2
    assert count_to_ask(owed, 3, 1, 1) == 1, "the very last register has no neighbour to probe with"


def test_a_probe_has_a_length_that_nothing_is_waited_for_with() -> None:
    """So its answer settles all that came before, even where hardly anything was asked for."""
    owed = Owed()
    for expected in (1, 3, 4):
        asked(owed, 4, 2)
        assert count_to_ask(owed, 4, 2, 65536) == expected
        asked(owed, 4, expected)
    assert count_to_ask(owed, 4, 2, 2) == 1, "behind the last register is none"
    owed.close(owed.oldest(4, 4))
    assert count_to_ask(owed, 4, 2, 65536) == 2


def test_an_answer_closes_its_request_and_all_before() -> None:
    owed = Owed()
    asked(owed, 4, 25)
    probe = asked(owed, 4, 1)
    assert owed.oldest(4, 1) is probe
    owed.close(probe)
    assert owed.functions() == set()
    assert count_to_ask(owed, 4, 25, 65536) == 25


def test_a_sound_answer_to_nothing_that_was_asked_closes_the_oldest_request_and_leaves_it_in_doubt() -> None:
    owed = Owed()
    asked(owed, 4, 2, sent_s=10.0)
    probe = asked(owed, 4, 1, sent_s=11.0)
    owed.close_oldest()
    assert count_to_ask(owed, 4, 2, 65536) == 2
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


def test_a_refused_request_stays_open_and_is_asked_past() -> None:
    """What was refused is mostly not there; only an answer of its form shows that one may be under way."""
    owed = Owed()
    refused, present = asked(owed, 4, 2), asked(owed, 4, 2)
    owed.refuse(refused)
    assert owed.oldest(4, None) is present, "no request is refused twice"
    owed.refuse(present)
    assert owed.functions() == set()
    assert not owed.may_be_mistaken(4, 2)
    wanted = asked(owed, 4, 2)
    assert owed.oldest(4, 2) is refused
    owed.close(refused)
    assert owed.may_be_mistaken(4, 2), "the answer to the wanted one may still come: a probe is due"
    probe = asked(owed, 4, 1)
    owed.close(owed.oldest(4, 1))
    assert owed.forms() == {(4, 2)}
    assert owed.doubts(4, 2, since_s=-1.0) == 1, "the wanted one; what was refused and overtaken is done"
    assert owed.oldest(4, 2) is wanted
    assert owed.oldest(4, 2) is not probe


def test_a_silent_time_out_closes_all_and_leaves_in_doubt_what_nothing_came_to() -> None:
    owed = Owed()
    asked(owed, 4, 25)
    owed.refuse(asked(owed, 4, 10))
    owed.close_all()
    assert owed.forms() == {(4, 25)}
    assert not owed.may_be_mistaken(4, 25)


def test_no_more_requests_are_remembered_than_stated() -> None:
    owed = Owed()
    for count in range(1, REMEMBERED + 2):
        owed.refuse(asked(owed, 4, count))
    assert owed.forms() == {(4, count) for count in range(2, REMEMBERED + 2)}


def answered(
    draw: random.Random, lost: float, refused: float, delays: tuple[int, ...]
) -> Iterator[bool | None]:
    """300 lines of 60 requests each to a device that answers in order and at most once, after any delay or
    not at all, and refuses at any time: None for a refusal, else whether an answer was believed and to what
    was wanted. What is believed is the answer to the present request.
    """
    for _ in range(300):
        owed, under_way = Owed(), deque[tuple[int, Request]]()
        lost_share, refused_share, wanted = (
            draw.random() * lost,
            draw.random() * refused,
            draw.choice((1, 2, 4, 25)),
        )
        for step in range(60):
            count = count_to_ask(owed, 4, wanted, 65536)
            present = asked(owed, 4, count)
            if draw.random() >= lost_share:
                under_way.append((step + draw.choice(delays), present))
            if draw.random() < refused_share:
                owed.refuse(owed.oldest(4, None))
                yield None
                continue
            while under_way and under_way[0][0] <= step:
                true = under_way.popleft()[1]
                closed = owed.oldest(4, true.count)
                owed.close(closed)
                if closed is present:
                    assert true is present
                    yield count == wanted
                    break


@pytest.mark.parametrize(
    ("lost", "refused", "delays", "least"),
    [(0.3, 0.0, (0,) * 12 + (1, 2, 5, 9), 1000), (0.6, 0.6, (0,) * 8 + (1, 2, 5), 500)],
    ids=["losses and delays", "refusals that nobody asked for"],
)
def test_nothing_that_a_device_does_passes_a_late_answer_off(
    lost: float, refused: float, delays: tuple[int, ...], least: int, seed: int
) -> None:
    told = Counter(answered(random.Random(seed), lost, refused, delays))
    assert told[True] > least, "hardly anything was believed"
    assert (told[None] > 1000) is (refused > 0)
