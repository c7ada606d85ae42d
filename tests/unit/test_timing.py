"""Times on the serial line, against the standard's own numbers and hand-worked sums."""

from __future__ import annotations

import pytest

from monitor.devices.timing import LineTiming, reply_characters


@pytest.mark.parametrize(
    ("baud", "t3_5_ms"),
    # MBS (Modbus over Serial Line V1.02) 2.5.1.1: 3.5 characters of 11 bits, worked by hand for each speed.
    [
        (1200, 32.083),
        (2400, 16.042),
        (4800, 8.021),
        (9600, 4.010),
        (19200, 2.005),
    ],
)
def test_silences_of_the_standard_character(baud: int, t3_5_ms: float) -> None:
    timing = LineTiming(baud, "even", 1)
    assert timing.t3_5_s * 1e3 == pytest.approx(t3_5_ms, abs=0.001)


@pytest.mark.parametrize("baud", [38400, 57600, 115200])
def test_silences_are_fixed_above_19200(baud: int) -> None:
    # MBS 2.5.1.1: "fixed values ... 1.750 ms for t3.5" above 19200 bit/s
    assert LineTiming(baud).t3_5_s == 1.750e-3


@pytest.mark.parametrize(
    ("parity", "stop_bits", "bits"),
    # MBS 2.5.1: start + 8 data + parity + stop = 11; no parity asks for two stop bits.
    # 8N1: common practice, no source.
    [("even", 1, 11), ("odd", 1, 11), ("none", 2, 11), ("none", 1, 10), ("even", 2, 12)],
)
def test_bits_of_a_character(parity: str, stop_bits: int, bits: int) -> None:
    assert LineTiming(9600, parity, stop_bits).bits_per_character == bits


def test_frame_of_eight_characters_at_9600() -> None:
    # 8 x 11 / 9600 = 9.17 ms, 8 x 10 / 9600 = 8.33 ms, 255 x 11 / 9600 = 292.2 ms; worked by hand
    standard, short = LineTiming(9600, "even"), LineTiming(9600, "none", 1)
    assert standard.frame_s(8) * 1e3 == pytest.approx(9.17, abs=0.005)
    assert short.frame_s(8) * 1e3 == pytest.approx(8.33, abs=0.005)
    assert standard.frame_s(255) * 1e3 == pytest.approx(292.2, abs=0.05)


def test_silence_is_never_shorter_than_a_standard_device_waits_for() -> None:
    assert LineTiming(9600, "none", 1).t3_5_s == LineTiming(9600, "even", 1).t3_5_s


@pytest.mark.parametrize(("baud", "limit_ms"), [(9600, 85.2), (19200, 45.1), (115200, 14.5)])
def test_wire_limit_of_one_read_of_25_registers(baud: int, limit_ms: float) -> None:
    # (13 + 2 x 25) characters x 11 / baud + 2 x t3.5 + 5 ms of turnaround, worked by hand
    assert LineTiming(baud, "even").wire_limit_s(25, 0.005) * 1e3 == pytest.approx(limit_ms, abs=0.05)


def test_an_answer_on_time_is_never_called_early() -> None:
    for baud in (1200, 9600, 19200, 115200):
        timing = LineTiming(baud)
        for count in (1, 25, 125):
            answer = reply_characters(count)
            least = timing.frame_s(8 + answer) / 1.02  # MBS 2.5.1: a receiver must bear a 2 % faster sender
            assert timing.earliest_completion_s(answer) < least
            assert timing.earliest_completion_s(answer) > 0.9 * least
        assert timing.earliest_first_character_s() < timing.frame_s(9) / 1.02


@pytest.mark.parametrize(
    ("arguments", "advice"),
    [((0,), "bit/s"), ((9600, "mark"), "none, even, odd"), ((9600, "none", 3), "give 1 or 2")],
)
def test_impossible_format_is_refused_with_advice(arguments: tuple[int], advice: str) -> None:
    with pytest.raises(ValueError, match=advice):
        LineTiming(*arguments)
