"""What the fuzz tests share: how much is drawn, and good things with something wrong put into them.

FUZZ_TIMES=100 bash tests/run tests/fuzz   draws a hundred times as much as CI does. What was found is kept as
an @example beside its strategy, so that it is tried in every run.
"""

from __future__ import annotations

import os
import re

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

TIMES = int(os.environ.get("FUZZ_TIMES", "1"))


def fuzzed(examples: int) -> settings:
    """The settings of one fuzz test: what must not hang is counted, not timed."""
    return settings(
        max_examples=examples * TIMES,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


PIECES = st.one_of(
    st.binary(max_size=12),
    st.sampled_from(
        [
            b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n", b'"', b"'", b"[", b"]", b"{", b"}",
            b",", b";",
            b"=", b"*", b"-", b".", b"0", b"1e308", b"-1e308", b"1e-320", b"1e999", b"nan", b"-inf",
            b"Infinity",
            b"null", b"true", b"[[", b"9" * 30, b"9" * 5000, b"[" * 3000, b"-0", b"1_0", "\u0663".encode(),
            b"0x10", b"65536", b"-32769", b"1970-01-01T00:00:00Z", b"9999-12-31T23:59:59+14:00",
        ]
    ),
)  # fmt: skip
"""What is put in the place of something."""


@st.composite
def spoilt(draw: st.DrawFn, good: bytes) -> bytes:
    """A good file with one to four places cut out, filled in or exchanged, at times no such file at all."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=200) | PIECES)
    data = good
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(PIECES) + data[at + draw(st.integers(0, 40)) :]
    return data


@st.composite
def with_values(draw: st.DrawFn, good: str) -> bytes:
    """A TOML text in which one or two values are others, so that most files are still read."""
    lines = good.split("\n")
    places = [at for at, line in enumerate(lines) if " = " in line]
    for at in draw(st.lists(st.sampled_from(places), min_size=1, max_size=2)):
        key, _, value = lines[at].partition(" = ")
        alike = NUMBERS if re.match(r"-?\d", value) else TOML_VALUES
        lines[at] = f"{key} = {draw(st.one_of(alike, alike, TOML_VALUES))}"
    return "\n".join(lines).encode("utf-8", "surrogatepass")


@st.composite
def with_digits(draw: st.DrawFn, good: str) -> bytes:
    """A text in which a few digits are others, so that its form stays what it was."""
    data = bytearray(good.encode())
    places = [at for at, code in enumerate(data) if 48 <= code < 58]
    for at in draw(st.lists(st.sampled_from(places), min_size=1, max_size=4)):
        data[at] = draw(st.integers(48, 57))
    return bytes(data)


@st.composite
def with_numbers(draw: st.DrawFn, good: str) -> bytes:
    """A TOML text in which one or two numbers are others."""
    lines = good.split("\n")
    places = [at for at, line in enumerate(lines) if re.search(r" = -?\d", line)]
    for at in draw(st.lists(st.sampled_from(places), min_size=1, max_size=2)) if places else ():
        lines[at] = f"{lines[at].partition(' = ')[0]} = {draw(NUMBERS)}"
    return "\n".join(lines).encode()


NUMBERS = st.one_of(
    st.integers(-3, 130).map(str),
    st.integers(-70_000, 70_000).map(str),
    st.floats(-100, 100).map(repr),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
)

TOML_VALUES = st.one_of(
    NUMBERS,
    st.sampled_from(
        [
            "0", "1", "-1", "1e300", "-1e300", "1e-300", "5e-324", "nan", "inf", "true", "[]", "{}",
            '""', '"x"', '";"', '"*"', '"="', '"\\u0000"', '"\\u00e9"', '"$"', "2026-11-25", "[1, 2]",
            "[-1e308, 1e308]",
            '"none"', '"xor"', '"crc16"', '"pairs"', '"columns"', '"u16"', '"s16"', '"u32"', '"f32"',
            '"u8hi"', '"high_first"', '"low_first"', '"W"', '"kW"', '"°F"', '"K"', '"%"',
            '{ 1 = "bulk" }', '{ "0" = "other" }',
            '{ "99999999999999999999" = "bulk" }', "[0.0, 1.0]", '"modbus"', '"text"', '"sunspec"',
            '"charge_stage"',
        ]
    ),
    st.text(max_size=8).map(
        lambda text: '"' + "".join(c for c in text if c.isprintable() and c not in '"\\') + '"'
    ),
)  # fmt: skip
