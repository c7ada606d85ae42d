"""A refusal does not say what it answers. One that nobody asked for must not let a wrong value through.

The unit here refuses before it was asked, and then answers every request truly, in order: what the standard
forbids and a bridge with two masters behind it can bring about. Its answers wait until the next request has
come, so that each is just in time to be taken for the answer to that one; no clock and no load is needed.
"""

from __future__ import annotations

import os
import struct
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from monitor.devices.rtu import RtuLink
from monitor.errors import DeviceError, Refused
from tests.faults.peer import UNIT, exception, reply, words

BAUD = 460800
ANSWER_S = 0.004
"""Rest before each frame: longer than the silence between frames (1.75 ms) and than any frame here takes,
since an answer that is sooner than the wire allows is not believed anyway."""

Behaviour = Callable[[int, bytes, list[bytes]], list[bytes]]
"""The frames to send upon the n-th request, given its true answer and those that still wait."""


@contextmanager
def unit(behaviour: Behaviour) -> Iterator[tuple[RtuLink, list[bytes]]]:
    """A link to a unit that behaves so, and the requests that it got."""
    master, slave = os.openpty()
    tty.setraw(slave)
    ended, requests, waiting = threading.Event(), list[bytes](), list[bytes]()

    def serve() -> None:
        held = b""
        while len(held := held + os.read(master, 256)) and not ended.is_set():
            while len(held) >= 8:
                frame, held = held[:8], held[8:]
                requests.append(frame)
                _, function, address, count = struct.unpack(">BBHH", frame[:6])
                true = reply(UNIT, function, words(address, count, len(requests)))
                for out in behaviour(len(requests), true, waiting):
                    ended.wait(ANSWER_S)
                    os.write(master, out)

    thread = threading.Thread(target=serve)
    thread.start()
    link = RtuLink(os.ttyname(slave), baud=BAUD, timeout_s=0.3)
    try:
        yield link, requests
    finally:
        link.close()
        ended.set()
        os.write(slave, b"the end.")
        thread.join()
        os.close(master)
        os.close(slave)


def refuses_first(refused: set[int], answer_after: int) -> Behaviour:
    """Refuses these requests at once; the true answers wait until more than `answer_after` have come."""

    def behave(number: int, true: bytes, waiting: list[bytes]) -> list[bytes]:
        waiting.append(true)
        out = [exception(UNIT, 4, 2)] if number in refused else []
        if number > answer_after:
            out += waiting
            waiting.clear()
        return out

    return behave


def values_and_errors(link: RtuLink, requests: list[bytes], addresses: list[int]) -> list[bool | str]:
    """For each read in turn whether the value was true for what was asked last, or the kind of error."""
    came: list[bool | str] = []
    for address in addresses:
        try:
            values = link.read(UNIT, 4, address, 2)
        except DeviceError as error:
            came.append(error.kind)
        else:
            # A probe may have been asked behind it: true is what one of the requests for it was answered.
            wanted = struct.pack(">BBHH", UNIT, 4, address, 2)
            asked = [n for n, frame in enumerate(requests, 1) if frame.startswith(wanted)]
            came.append(values in {words(address, 2, number) for number in asked})
    return came


@pytest.mark.parametrize("unasked", [1, 2, 3, 5])
def test_the_true_answer_behind_an_unasked_refusal_is_not_taken_for_the_next_one(unasked: int) -> None:
    with unit(refuses_first(set(range(1, unasked + 1)), unasked)) as (link, requests):
        came = values_and_errors(link, requests, [0x100 * n for n in range(unasked + 2)])
    assert came == [*[Refused.kind] * unasked, True, True]


def test_it_is_not_either_where_the_next_request_and_its_check_are_refused() -> None:
    with unit(refuses_first({1, 3, 4}, 1)) as (link, requests):
        came = values_and_errors(link, requests, [0x100 * n for n in range(6)])
    assert False not in came
    assert came[-1] is True, "it is read again once the refusals have ended"


def test_a_unit_that_gives_single_registers_only_is_read_though_it_refuses_every_probe() -> None:
    """A full time-out of silence behind a refused probe tells as much as an answer would."""

    def behave(number: int, true: bytes, waiting: list[bytes]) -> list[bytes]:
        return [exception(UNIT, 4, 2) if number == 1 or true[2] != 2 else true]

    with unit(behave) as (link, requests):
        with pytest.raises(Refused):
            link.read(UNIT, 4, 0x100, 1)
        came = link.read(UNIT, 4, 0x200, 1)
    wanted = [n for n, frame in enumerate(requests, 1) if frame[2:6] == b"\x02\x00\x00\x01"]
    assert came in {words(0x200, 1, number) for number in wanted}
