"""What ends a process that goes on until it is stopped: signal(7), nohup(1)."""

import os
import signal

import pytest

from monitor.stopping import stop_signals


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_each_of_them_sets_the_event_and_the_former_handler_comes_back(number):
    found = signal.signal(number, signal.default_int_handler)  # the tests may run under nohup(1)
    try:
        with stop_signals() as stop:
            os.kill(os.getpid(), number)
            assert stop.wait(10)
        assert signal.getsignal(number) == signal.default_int_handler
    finally:
        signal.signal(number, found)


def test_a_hang_up_that_is_ignored_stays_ignored():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stop_signals() as stop:
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGTERM)  # comes after it
            assert stop.wait(10)
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)
