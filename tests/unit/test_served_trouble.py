"""What is wrong with a server is put into words of which a person can make something."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import Trouble
from monitor.notices.secrets import Secrets
from monitor.served.trouble import Teller, words_of

TELLER = Teller("https://hub.example:8086", Secrets(Path("none")), 5.0, "the mirror's")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        # as nginx 1.22 answers a request without TLS on a port that wants it
        (
            "<html>\r\n<head><title>400 The plain HTTP request was sent to HTTPS port</title></head>\r\n",
            "400 The plain HTTP request was sent to HTTPS port",
        ),
        ("<!doctype html><TITLE>Sign in &amp; go</TITLE>", "Sign in & go"),
        ("<html>no title</html>", ""),
        ('{"error": "database not found"}', "database not found"),
        ("[" * 100_000, "[" * 100_000),
        (None, ""),
    ],
)
def test_a_servers_own_words_are_found(body: str | None, words: str) -> None:
    assert words_of(body) == words


@pytest.mark.parametrize(
    ("why", "advice"),
    [
        # OpenSSL's words: for a server that speaks no TLS (versions before and after 3.2), and X.509's
        ("[SSL: WRONG_VERSION_NUMBER] wrong version number", "look at how the mirror's url begins"),
        ("[SSL: RECORD_LAYER_FAILURE] record layer failure", "look at how the mirror's url begins"),
        ("certificate verify failed: certificate is not yet valid", "look at this computer's clock"),
        ("certificate verify failed: certificate has expired", "look at this computer's clock"),
        (
            "certificate verify failed: self-signed certificate",
            "look at its certificate and at the mirror's ca",
        ),
    ],
)
def test_a_handshake_that_failed_says_where_to_look(why: str, advice: str) -> None:
    told = TELLER.handshake(why)
    assert told.trouble is Trouble.UNREACHABLE
    assert advice in told.text
