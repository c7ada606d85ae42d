"""Whatever a time-series server says beside its data: a wait of seconds or none, and words.

What it says in its data is twisted in tests/interop/test_served_nonsense.py, over a real server.
"""

from __future__ import annotations

import json

from hypothesis import example, given
from hypothesis import strategies as st

from monitor.served.trouble import retry_after_s, words_of
from tests.fuzz.drawn import fuzzed

DATES = st.builds(
    lambda date, zone: f"{date} {zone}",
    st.sampled_from(["Fri, 31 Dec 9999 23:59:59", "Mon, 01 Jan 0001 00:00:00", "Fri, 99 Foo 20xx", "12", ""]),
    st.sampled_from(["GMT", "+2400", "-9999", "+99999999999", "", ":"]),
)
BODIES = st.text(max_size=60) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["message", "error", "x"]), inner),
).map(json.dumps)


@fuzzed(300)
@given(text=st.text(max_size=40) | DATES)
@example(text="0\x1f")
@example(text=" \u0663 ")
@example(text="9" * 5000)
def test_a_server_that_asks_to_be_left_alone_is_understood_or_not(text: str) -> None:
    wait_s = retry_after_s(text)
    assert wait_s is None or wait_s >= 0


@fuzzed(200)
@given(body=BODIES)
@example(body="[" * 100_000)
@example(body="<title>&#99999999;</title>")
def test_what_a_server_says_becomes_words(body: str) -> None:
    assert isinstance(words_of(f"{body}"), str)
