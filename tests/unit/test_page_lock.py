"""Sessions, one-time tokens and the limit on wrong PINs (its numbers are our choice, with reasons there)."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.lock import Lock, State, wait_text
from dashboard.sessions import LASTS_S, MOST_FORMS, MOST_SESSIONS, Sessions
from dashboard.tries import FREE, FREE_IN_ALL, CannotCount, Tries
from monitor.pin import forget_pin, pin_path, set_pin

PIN = "739204"
SALT = b"salt"


class Watch:
    """Seconds that pass when told."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture
def sessions(watch: Watch) -> Sessions:
    return Sessions(watch)


def test_a_session_is_open_until_its_time_is_over(sessions: Sessions, watch: Watch) -> None:
    token = sessions.begin(SALT)
    watch.now_s = LASTS_S - 1
    assert sessions.is_open(token, SALT)
    watch.now_s = LASTS_S
    assert not sessions.is_open(token, SALT)


def test_a_session_ends_when_told_and_with_its_pin(sessions: Sessions) -> None:
    token, other = sessions.begin(SALT), sessions.begin(SALT)
    sessions.end(token)
    assert not sessions.is_open(token, SALT)
    assert sessions.is_open(other, SALT)
    assert not sessions.is_open(other, b"of another PIN")
    assert not sessions.is_open(other, None)  # no PIN is set any more


def test_nobody_can_bring_a_session(sessions: Sessions) -> None:
    for brought in (None, "", "chosen", "\ud800"):
        assert not sessions.is_open(brought, SALT)
        assert sessions.issue(brought, "log", 0) == ""
    assert len({sessions.begin(SALT) for _ in range(10)}) == 10


def test_there_are_never_more_than_so_many_sessions(sessions: Sessions) -> None:
    tokens = [sessions.begin(SALT) for _ in range(MOST_SESSIONS + 3)]
    assert [sessions.is_open(token, SALT) for token in tokens] == [False] * 3 + [True] * MOST_SESSIONS


def test_a_forms_token_is_good_once_for_its_session_and_form(sessions: Sessions) -> None:
    session, other = sessions.begin(SALT), sessions.begin(SALT)
    token = sessions.issue(session, "log", 17)
    assert sessions.use(other, SALT, "log", token) is None
    assert sessions.use(session, SALT, "log", "none") is None
    assert sessions.use(session, SALT, "log", token) == 17
    assert sessions.use(session, SALT, "log", token) is None  # sent twice
    wrong_form = sessions.issue(session, "log", 17)
    assert sessions.use(session, SALT, "edit 3", wrong_form) is None
    assert sessions.use(session, SALT, "log", wrong_form) is None  # a try at another form voids it


def test_only_so_many_forms_wait(sessions: Sessions) -> None:
    session = sessions.begin(SALT)
    tokens = [sessions.issue(session, "log", place) for place in range(MOST_FORMS + 1)]
    assert sessions.use(session, SALT, "log", tokens[0]) is None
    assert sessions.use(session, SALT, "log", tokens[1]) == 1


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "tries"


def test_some_tries_are_free_then_waits_double_to_an_hour(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    waits = []
    for _ in range(FREE + 9):
        assert tries.begin("10.0.0.7") == 0
        waits.append(tries.wait_s("10.0.0.7"))
        watch.now_s += waits[-1]
    assert waits[: FREE - 1] == [0.0] * (FREE - 1)
    assert waits[FREE - 1 :] == [30, 60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]


def test_a_try_within_the_wait_is_none_and_does_not_lengthen_it(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    for _ in range(FREE):
        tries.begin("10.0.0.7")
    watch.now_s = 10
    assert tries.begin("10.0.0.7") == 20
    assert tries.begin("10.0.0.7") == 20
    watch.now_s = 30
    assert tries.begin("10.0.0.7") == 0


def test_many_addresses_together_have_a_limit_too(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    for place in range(FREE_IN_ALL):
        assert tries.begin(f"10.0.1.{place}") == 0
    assert tries.begin("10.0.2.1") == 5
    made = 0
    for _ in range(24 * 3600):
        watch.now_s += 1
        made += tries.begin(f"10.{made % 250}.3.{made // 250}") == 0
    assert made <= 144 + 8  # ten minutes each at last; the first waits are shorter


def test_an_ipv6_household_counts_as_one_address(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    for place in range(FREE):
        tries.begin(f"2001:db8:0:7::{place + 1}")
    assert tries.wait_s("2001:db8:0:7:ffff::1") == 30
    assert tries.wait_s("2001:db8:0:8::1") == 0
    tries.begin("::ffff:10.0.0.9")
    for _ in range(FREE - 1):
        tries.begin("10.0.0.9")
    assert tries.wait_s("10.0.0.9") == 30


def test_the_right_pin_frees_its_address_and_not_the_others(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    for address in ("10.0.0.7", "10.0.0.8"):
        for _ in range(FREE - 1):
            tries.begin(address)
    tries.begin("10.0.0.7")
    watch.now_s = 30
    tries.begin("10.0.0.7")
    tries.right("10.0.0.7")
    assert tries.wait_s("10.0.0.7") == 0
    tries.begin("10.0.0.8")
    assert tries.wait_s("10.0.0.8") == 30


def test_a_restart_begins_the_wait_anew_and_forgets_nothing(file: Path, watch: Watch) -> None:
    tries = Tries(file, watch)
    for _ in range(FREE + 1):
        watch.now_s += 30
        tries.begin("10.0.0.7")
    watch.now_s = 0.0  # another process counts from another moment
    assert Tries(file, watch).wait_s("10.0.0.7") == 60


@pytest.mark.parametrize("text", ["", "[]", '{"in all": "many"}', '{"in all": null}', "\x00"])
def test_a_damaged_count_opens_no_door(file: Path, watch: Watch, text: str) -> None:
    file.write_text(text, encoding="ascii")
    assert Tries(file, watch).wait_s("10.0.0.7") == 5


def test_where_tries_cannot_be_counted_none_is_made(tmp_path: Path, watch: Watch) -> None:
    tries = Tries(tmp_path / "no folder" / "tries", watch)
    with pytest.raises(CannotCount, match="cannot be written"):
        tries.begin("10.0.0.7")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "nightbank.db"


def test_without_a_pin_nothing_opens(store: Path) -> None:
    lock = Lock(store)
    assert lock.state(None) is State.NO_PIN
    assert lock.unlock("", "10.0.0.7", None).token == ""


def test_the_right_pin_opens_and_another_ends_the_session(store: Path) -> None:
    set_pin(pin_path(store), PIN)
    lock = Lock(store)
    assert lock.state(None) is State.LOCKED
    assert lock.unlock("739205", "10.0.0.7", None).status == 403
    token = lock.unlock(PIN, "10.0.0.7", None).token
    assert lock.state(token) is State.OPEN
    again = lock.unlock(PIN, "10.0.0.7", token).token
    assert again not in ("", token)
    assert lock.state(token) is State.LOCKED  # the former session of the same browser
    set_pin(pin_path(store), "another-pin")
    assert lock.state(again) is State.LOCKED
    set_pin(pin_path(store), PIN)
    assert lock.state(again) is State.LOCKED  # the same PIN set anew is another one
    forget_pin(pin_path(store))
    assert lock.state(again) is State.NO_PIN


def test_a_pin_that_others_may_read_opens_nothing(store: Path) -> None:
    set_pin(pin_path(store), PIN)
    pin_path(store).chmod(0o644)
    lock = Lock(store)
    assert lock.state(None) is State.NO_PIN
    assert lock.unlock(PIN, "10.0.0.7", None).token == ""


def test_the_right_pin_is_refused_while_the_wait_runs(store: Path) -> None:
    set_pin(pin_path(store), PIN)
    lock = Lock(store)
    for _ in range(FREE):
        assert lock.unlock("739205", "10.0.0.7", None).token == ""
    refused = lock.unlock(PIN, "10.0.0.7", None)
    assert (refused.token, refused.status) == ("", 429)
    assert 0 < refused.wait_s <= 30
    assert lock.unlock(PIN, "10.0.0.8", None).token  # another phone


def test_a_wait_is_told_rounded_up() -> None:
    assert wait_text(29.2) == "After wrong PINs the next try is in 30 s."
    assert wait_text(121) == "After wrong PINs the next try is in 3 min."
