"""The log stays short whatever fails, and tells what it left out.

How much may come is our own choice (monitor/log_lines.py); what is checked is that it holds for days.
"""

from __future__ import annotations

import logging
import random
import re

import pytest

from monitor.device_news import TOLD_AT_ONCE, TOLD_EACH_S, DeviceNews
from monitor.log_lines import (
    ALIKE_AT_ONCE,
    ALIKE_EACH_S,
    LINES_AT_ONCE,
    LINES_EACH_S,
    TOO_MANY,
    Allowance,
    FewLines,
)
from monitor.records import DeviceHealth

HOUR_S = 3600
EACH_S = 5
SPAN_S = 48 * HOUR_S


class Log:
    """A logger over FewLines whose clock the test sets."""

    def __init__(self, capsys):
        self.now_s = 0.0
        self._capsys = capsys
        handler = FewLines(lambda: self.now_s)
        handler.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
        self.logger = logging.Logger("nightbank")
        self.logger.addHandler(handler)

    def lines(self):
        """What was written since the last look."""
        return self._capsys.readouterr().err.splitlines()


@pytest.fixture
def log(capsys):
    return Log(capsys)


def test_what_is_said_once_is_written_as_it_is(log):
    log.logger.warning("charger: %s", "no answer")
    assert log.lines() == ["WARNING charger: no answer"]


def test_a_device_that_fails_each_five_seconds_writes_four_lines_an_hour(log):
    rng = random.Random(1)
    for second in range(0, SPAN_S, EACH_S):
        log.now_s = second
        log.logger.warning("/dev/ttyUSB0, unit 1: a damaged answer of %d bytes", rng.randrange(5, 300))
    lines = log.lines()
    assert len(lines) <= ALIKE_AT_ONCE + SPAN_S / ALIKE_EACH_S
    left_out = sum(int(found[1]) for line in lines if (found := re.search(r"\((\d+) more like this", line)))
    told = len(lines) + left_out
    assert (SPAN_S - ALIKE_EACH_S) / EACH_S <= told <= SPAN_S / EACH_S  # all but the newest


def test_another_fault_is_written_at_once_beside_one_that_is_left_out(log):
    for _ in range(50):
        log.logger.warning("charger: no answer")
    log.lines()
    log.logger.warning("shunt: no answer")
    assert log.lines() == ["WARNING shunt: no answer"]


def test_the_last_of_those_that_come_at_once_says_that_more_are_left_out(log):
    for _ in range(ALIKE_AT_ONCE + 5):
        log.logger.error("the disk is full")
    *earlier, last = log.lines()
    assert earlier == ["ERROR the disk is full"] * (ALIKE_AT_ONCE - 1)
    assert last == "ERROR the disk is full (of more like this one each 15 min is told)"


def test_lines_that_all_differ_are_bounded_together(log):
    for second in range(24 * HOUR_S):
        log.now_s = second
        log.logger.warning("%s", "".join(chr(97 + int(digit)) for digit in str(second)))
    lines = log.lines()
    told = [line for line in lines if line != TOO_MANY and not line.endswith("were left out")]
    assert len(told) <= LINES_AT_ONCE + 24 * HOUR_S / LINES_EACH_S
    assert TOO_MANY in lines
    log.now_s += HOUR_S
    log.logger.warning("calm again")
    said, calm = log.lines()
    assert re.fullmatch(r"WARNING \d+ lines were left out", said)
    assert calm == "WARNING calm again"


def test_a_traceback_counts_with_all_its_lines(log):
    def fail(depth):
        return 1 / 0 if depth == 0 else fail(depth - 1)

    for number in range(500):
        try:
            fail(30)
        except ZeroDivisionError:
            log.logger.exception("%s", chr(19968 + number))
    assert len(log.lines()) <= 2 * LINES_AT_ONCE


def test_what_is_larger_than_all_that_may_come_at_once_still_comes_and_is_paid_for():
    allowance = Allowance(3, 10.0, 0.0)
    assert allowance.take(0.0, count=9)
    assert not allowance.take(60.0)
    assert allowance.take(80.0)


def health(state):
    return DeviceHealth("charger", "/dev/ttyUSB0 9600 baud", state, 0, None, None, 1, {}, "no answer", None)


def test_a_plug_that_wobbles_for_a_day_is_told_of_now_and_then_with_the_count():
    news = DeviceNews(None, 0.0)
    told = [
        text
        for second in range(24 * HOUR_S)
        if (text := news.text(health("answering" if second % 2 else "silent"), float(second)))
    ]
    assert len(told) <= TOLD_AT_ONCE + 24 * HOUR_S / TOLD_EACH_S
    counted = sum(int(found[1]) if (found := re.search(r": (\d+) changes", text)) else 1 for text in told)
    assert 24 * HOUR_S - 2 * TOLD_EACH_S <= counted <= 24 * HOUR_S


def test_how_it_ends_is_told_in_the_end():
    news = DeviceNews(health("answering"), 0.0)
    for second in range(100):
        news.text(health("answering" if second % 2 else "silent"), float(second))
    told = [news.text(health("silent"), 100.0 + second) for second in range(2 * HOUR_S)]
    assert [text[:27] for text in told if text] == ["silent on /dev/ttyUSB0 9600"]


def test_changes_that_are_rare_are_told_as_they_come():
    news = DeviceNews(health("answering"), 0.0)
    for hour in range(1, 50):
        state = ("answering", "silent")[hour % 2]
        assert news.text(health(state), hour * HOUR_S / 2).startswith(f"{state} on")
