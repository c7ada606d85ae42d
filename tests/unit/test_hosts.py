"""By which names the page is answered. The foreign ones are those a page on the internet could use."""

import pytest

from dashboard.hosts import is_own

NAMES = frozenset({"hut", "hide.lan"})


@pytest.mark.parametrize(
    "host",
    [
        "192.168.1.20",
        "192.168.1.20:8480",
        "[fe80::1]:8480",
        "[::1]",
        "localhost:8480",
        "LOCALHOST",
        "hut.local:8480",
        "Hut.Local.",
        "hut:8480",
        "hide.lan",
    ],
)
def test_names_that_no_one_outside_can_give_are_answered(host):
    assert is_own(host, NAMES)


@pytest.mark.parametrize(
    "host",
    [
        "example.com",
        "example.com:8480",
        "hut.example.com",
        "192.168.1.20.example.com",
        "localhost.example.com",
        "hut.local.example.com",
        "notlocal",
        "local",
        "user@localhost",
        "localhost:8480:1",
        "localhost/x",
        "[hut]:8480",
        "::1",
        "localhost, example.com",
        "hut\u2024local",
        "",
        None,
    ],
)
def test_every_other_name_is_refused(host):
    assert not is_own(host, NAMES)
