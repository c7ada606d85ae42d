"""The daemon's clock: who may tell the time, what happens when another source speaks, what a kernel says."""

import ctypes
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.clock import FollowedClock, SystemClock, UntoldClock, clock_from_note
from monitor.clock.course import LET_GO, Course
from monitor.clock.kernel import Kernel, kernel_clock_is_set
from monitor.clock.steady import (
    BELIEVED_MS,
    CHIP,
    EARLIEST_MS,
    HOST,
    NEAR_MS,
    NETWORK,
    PERSON,
    RECEIVER,
    SteadyClock,
    Word,
    heard,
)
from monitor.records import parse_iso

T0 = parse_iso("2026-06-21T10:00:00Z")
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
SOURCES = (CHIP, HOST, RECEIVER, NETWORK, PERSON)

UNKNOWN = Course("this boot", T0)


def known(source=NETWORK):
    return heard(UNKNOWN, Word(source, T0 + 10_000, 10_000))


# --- the course ---


def test_the_first_word_is_believed_and_holds_for_the_whole_boot():
    course = known(CHIP)
    assert course.is_known
    assert course.utc_ms(0) == T0
    assert course.utc_ms(3 * DAY) == T0 + 3 * DAY


@pytest.mark.parametrize("year", ["1970-01-01", "2025-12-31"])
def test_a_time_that_cannot_be_is_no_word(year):
    assert heard(UNKNOWN, Word(NETWORK, parse_iso(f"{year}T00:00:00Z"), 0)) is UNKNOWN


def test_a_clock_that_was_behind_is_right_at_once():
    course = heard(known(), Word(NETWORK, T0 + HOUR + 10 * MINUTE, HOUR))
    assert course.utc_ms(HOUR) == T0 + HOUR + 10 * MINUTE


def test_a_clock_that_was_a_little_ahead_goes_slower_until_it_is_right():
    course = heard(known(), Word(NETWORK, T0 + HOUR - 10 * MINUTE, HOUR))
    assert course.utc_ms(HOUR) == T0 + HOUR
    assert course.utc_ms(2 * HOUR) == T0 + 2 * HOUR - HOUR // LET_GO
    end_ms = HOUR + 10 * MINUTE * LET_GO
    assert course.utc_ms(end_ms) == T0 + end_ms - 10 * MINUTE
    assert course.utc_ms(2 * end_ms) == T0 + 2 * end_ms - 10 * MINUTE


@pytest.mark.parametrize("source", [HOST, NETWORK])
@pytest.mark.parametrize("off_ms", [-HOUR, HOUR, 3652 * DAY, -DAY])
def test_one_source_cannot_take_back_what_an_equal_or_stronger_one_has_told(source, off_ms):
    course = heard(known(NETWORK), Word(source, T0 + HOUR + off_ms, HOUR))
    assert course.utc_ms(HOUR) == T0 + HOUR
    assert f"{source}'s time is" in course.disagrees
    agreed = heard(course, Word(source, T0 + 2 * HOUR, 2 * HOUR))
    assert agreed.disagrees == ""
    assert agreed.utc_ms(2 * HOUR) == T0 + 2 * HOUR


@pytest.mark.parametrize(
    ("before", "word"), [(CHIP, NETWORK), (HOST, NETWORK), (NETWORK, PERSON), (PERSON, PERSON)]
)
@pytest.mark.parametrize("off_ms", [-HOUR, HOUR, 3652 * DAY])
def test_a_stronger_source_and_a_person_are_believed_whatever_they_say(before, word, off_ms):
    course = heard(known(before), Word(word, T0 + HOUR + off_ms, HOUR))
    assert course.utc_ms(HOUR) == T0 + HOUR + off_ms
    assert course.source == word


def test_sources_that_agree_move_nothing():
    course = known(CHIP)
    again = heard(course, Word(NETWORK, T0 + HOUR + NEAR_MS, HOUR))
    assert again.utc_ms(HOUR) == T0 + HOUR
    assert again.source == NETWORK
    assert heard(again, Word(CHIP, T0 + HOUR, HOUR)) is again


words = st.builds(
    lambda source, off_ms, step_ms: (source, off_ms, step_ms),
    st.sampled_from(SOURCES),
    st.one_of(
        st.integers(-BELIEVED_MS, BELIEVED_MS),
        st.sampled_from([-HOUR, HOUR, -DAY, 3652 * DAY, -3652 * DAY]),
    ),
    st.integers(1, 2 * DAY),
)


@given(st.lists(words, max_size=12))
def test_stamps_never_come_twice_unless_the_clock_was_set_back(said):
    """Whatever is said: a later count has a later stamp, except at a set-back, which is told as a step."""
    course, count_ms, stamp_ms = UNKNOWN, 0, UNKNOWN.utc_ms(0)
    for source, off_ms, step_ms in said:
        count_ms += step_ms
        before_ms = course.utc_ms(count_ms)
        assert before_ms > stamp_ms
        after = heard(course, Word(source, T0 + count_ms + off_ms, count_ms))
        step_back_ms = before_ms - after.utc_ms(count_ms)
        assert step_back_ms <= 0 or step_back_ms > BELIEVED_MS or not course.is_known
        course, stamp_ms = after, after.utc_ms(count_ms)
        assert Course.from_note(course.note()) == course


# --- the clock of a daemon, on a kernel of its own ---


class Board(Kernel):
    """A computer's clocks as a test has them; what asks them is real."""

    def __init__(self, root, *, count_ms=20_000, system_ms=0, is_set=False, boot="this boot"):
        super().__init__(root, lambda: self.network)
        (root / "sys/firmware/devicetree/base").mkdir(parents=True, exist_ok=True)
        self.count, self.system, self.network, self.named = count_ms, system_ms, is_set, boot

    @property
    def boot(self):
        return self.named

    def count_ms(self):
        return self.count

    def system_ms(self):
        return self.system

    def put_chip(self, utc_ms):
        chip = self._root / "sys/class/rtc/rtc0/since_epoch"
        chip.parent.mkdir(parents=True, exist_ok=True)
        chip.write_text(f"{utc_ms // 1000}\n", encoding="ascii")


@pytest.mark.parametrize("system", ["1970-01-01", "2026-06-20", "2036-06-21"])
def test_a_board_that_nobody_told_the_time_does_not_know_it(tmp_path, system):
    board = Board(tmp_path, system_ms=parse_iso(f"{system}T00:00:00Z"))
    clock = SteadyClock.start(board, None, T0)
    assert not clock.is_known
    assert clock.error_s is None
    assert "nobody has told the time" in clock.doubt
    # the earliest that it can be: the newest reading is of before it was switched on
    assert clock.now_ms() == T0 + 1 + board.count
    assert SteadyClock.start(board, None, None).now_ms() == EARLIEST_MS + 1 + board.count


def test_the_network_tells_it(tmp_path):
    board = Board(tmp_path)
    clock = SteadyClock.start(board, None, T0)
    assert clock.look() is None
    board.system, board.network = T0 + DAY, True
    change = clock.look()
    assert (clock.now_ms(), clock.doubt) == (T0 + DAY, "")
    assert change.step_ms == DAY - board.count - 1
    assert clock.look() is None


@pytest.mark.parametrize(
    ("chip_ms", "is_believed"),
    [(T0 + DAY, True), (T0 - DAY, False), (0, False), (parse_iso("2032-01-01T00:00:00Z"), False)],
    ids=["a day on", "behind the newest reading", "1970", "far ahead"],
)
def test_a_chip_is_believed_where_it_can_be_right(tmp_path, chip_ms, is_believed):
    board = Board(tmp_path)
    board.put_chip(chip_ms)
    clock = SteadyClock.start(board, None, T0)
    assert clock.is_known == is_believed
    if is_believed:
        assert clock.now_ms() == chip_ms


@pytest.mark.parametrize("set_to", [-HOUR, HOUR, 3652 * DAY])
def test_setting_the_systems_clock_moves_nothing(tmp_path, set_to):
    board = Board(tmp_path, system_ms=T0 + DAY, is_set=True)
    clock = SteadyClock.start(board, None, T0)
    board.count += MINUTE
    board.system += MINUTE + set_to
    board.network = False  # whoever sets it by hand takes it from its better one (from memory)
    assert clock.look() is None
    assert (clock.now_ms(), clock.doubt) == (T0 + DAY + MINUTE, "")


def test_a_daemon_that_starts_again_goes_on_as_before(tmp_path):
    board = Board(tmp_path, system_ms=T0 + DAY, is_set=True)
    note = SteadyClock.start(board, None, T0).course.note()
    board.count, board.system, board.network = board.count + HOUR, 0, False
    assert SteadyClock.start(board, note, T0 + DAY).now_ms() == T0 + DAY + HOUR
    after_a_cut = replace_boot(board, tmp_path)
    assert not SteadyClock.start(after_a_cut, note, T0 + DAY + HOUR).is_known


def replace_boot(board, root):
    return Board(root, count_ms=9_000, system_ms=board.system, boot="the next boot")


def test_readers_of_the_store_go_by_the_daemons_clock(tmp_path):
    board = Board(tmp_path, system_ms=T0 + DAY, is_set=True)
    clock = SteadyClock.start(board, None, T0)
    board.system = 0
    reader = clock_from_note(clock.course.note(), board)
    assert isinstance(reader, FollowedClock)
    assert reader.now_ms() == clock.now_ms()
    elsewhere = clock_from_note(clock.course.note(), replace_boot(board, tmp_path))
    assert type(elsewhere) is SystemClock
    untold = clock_from_note(UNKNOWN.note(), replace_boot(board, tmp_path))
    assert isinstance(untold, UntoldClock)


@pytest.mark.parametrize(
    "note", ['{"boot": 1, "offset_ms": 2}', '{"boot": "x"}', '{"boot": "x", "at": 1}', "{"]
)
def test_a_spoilt_note_is_refused(note):
    with pytest.raises(ValueError, match=r"\w"):
        Course.from_note(note)


def test_how_wrong_it_may_be_grows(tmp_path):
    course = replace(known(CHIP))
    assert course.error_at_ms(10_000) == 300_000
    # a hundred parts in a million: 8.6 s a day
    assert course.error_at_ms(10_000 + DAY) - 300_000 == pytest.approx(8640, abs=1)


def test_a_source_that_goes_on_agreeing_keeps_the_clock_known_well(tmp_path):
    """A year of the network's word each hour, the crystal off by ten parts in a million."""
    board = Board(tmp_path, system_ms=T0 + DAY, is_set=True)
    clock = SteadyClock.start(board, None, T0)
    changes = 0
    for _ in range(24 * 365):
        board.count += HOUR
        board.system += HOUR + 36
        changes += clock.look() is not None
        off_ms = abs(clock.now_ms() - board.system)
        assert off_ms <= clock.error_s * 1000 <= 1000 + NEAR_MS + 1
    assert changes == pytest.approx(365 * 24 * 36 / NEAR_MS, rel=0.05), "only where it was off is it a change"


def test_a_weaker_word_makes_nothing_better_known():
    course = known(PERSON)
    assert course.error_at_ms(10_000) == 5_000
    assert heard(course, Word(CHIP, T0 + DAY, DAY)) == course
    agreed = heard(course, Word(NETWORK, T0 + DAY + 200, DAY))
    assert (agreed.source, agreed.utc_ms(DAY)) == (PERSON, T0 + DAY)
    assert agreed.error_at_ms(DAY) == 1_200


def test_what_is_still_ahead_counts_as_wrong():
    course = heard(known(), Word(NETWORK, T0 + HOUR - 10 * MINUTE, HOUR))
    assert course.error_at_ms(HOUR) == 1_000 + 10 * MINUTE
    # an hour later a hundredth of it has gone, and the crystal may have drifted by 0.36 s
    assert course.error_at_ms(2 * HOUR) == 1_000 + 10 * MINUTE - 36 * SECOND + 360


# --- what the computer says ---


@pytest.mark.parametrize(("flag", "is_set"), [(None, None), (False, False), (True, True)])
def test_where_the_kernel_may_not_be_asked_the_time_daemons_flag_tells(tmp_path, flag, is_set):
    if flag is not None:
        folder = tmp_path / "run/systemd/timesync"
        folder.mkdir(parents=True)
        if flag:
            (folder / "synchronized").touch()
    assert Kernel(tmp_path, lambda: None).is_set() is is_set


@pytest.mark.parametrize(
    ("machine", "chip", "tree", "is_guest"),
    [
        ("x86_64", True, False, False),
        ("x86_64", False, True, False),
        ("x86_64", False, False, True),
        ("aarch64", False, False, False),  # a board whose sandbox hides its device tree
    ],
)
def test_a_pc_with_neither_chip_nor_device_tree_is_a_guest(tmp_path, machine, chip, tree, is_guest):
    if chip:
        (tmp_path / "sys/class/rtc/rtc0").mkdir(parents=True)
    if tree:
        (tmp_path / "sys/firmware/devicetree/base").mkdir(parents=True)
    assert Kernel(tmp_path, machine=machine).is_guest() == is_guest


def test_a_boot_has_the_kernels_own_name():
    with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as handle:
        assert Kernel().boot == handle.read().strip().replace("-", "")


TIME_ERROR = 5
"""What adjtimex(2) returns while the clock is not synchronised (its manual page, from memory)."""


def test_the_kernels_own_answer_says_whether_the_clock_is_set():
    asked = ctypes.create_string_buffer(512)  # all zero: only asks
    answer = ctypes.CDLL(None).adjtimex(asked)
    expected = None if answer < 0 else answer != TIME_ERROR
    assert kernel_clock_is_set() == expected


@pytest.mark.parametrize("told", [None, "", "uninitialized\n", "abc\n", "ff\n"])
def test_a_computer_without_an_id_has_no_mark(tmp_path, told):
    """machine-id(5): 32 hexadecimal digits; empty or 'uninitialized' before the first boot."""
    if told is not None:
        (tmp_path / "etc").mkdir()
        (tmp_path / "etc/machine-id").write_text(told)
    assert Kernel(tmp_path).computer == ""


def test_a_computers_mark_is_its_own_and_tells_nothing_of_its_id(tmp_path):
    """machine-id(5): it is confidential; what is derived from it goes through a keyed hash."""
    marks = []
    for name, told in (("one", "0123456789abcdef" * 2), ("other", "0123456789abcdee" * 2)):
        (tmp_path / name / "etc").mkdir(parents=True)
        (tmp_path / name / "etc/machine-id").write_text(f"{told}\n")
        marks.append(Kernel(tmp_path / name).computer)
        assert marks[-1] == Kernel(tmp_path / name).computer
        assert not any(told[at : at + 4] in marks[-1] for at in range(28))
    assert marks[0] != marks[1]
    assert all(marks)
