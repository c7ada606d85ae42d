"""A visitor without a browser: whatever headers and bodies it likes, from whatever local address."""

from __future__ import annotations

import http.client
import re
import socket
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

FORM = "application/x-www-form-urlencoded"
TOKEN = re.compile(r'name="form_token" value="([^"]+)"')


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: http.client.HTTPMessage
    text: str

    @property
    def tokens(self) -> list[str]:
        """The one-time tokens of the forms in it."""
        return TOKEN.findall(self.text)


HUNG_UP = Answer(0, http.client.HTTPMessage(), "")
"""The server closed the line while a body that is too large was still being sent."""


class Visitor:
    """Keeps the cookie it was given. address is where it asks from (all of 127.0.0.0/8 is this computer)."""

    def __init__(self, port: int, address: str = "127.0.0.1") -> None:
        self.port, self._address = port, address
        self.cookie = ""

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
    ) -> Answer:
        """One request. headers go over those that a browser would send."""
        sent = {"Host": f"127.0.0.1:{self.port}", "Accept": "text/html"}
        if self.cookie:
            sent["Cookie"] = self.cookie
        sent |= headers or {}
        source = (self._address, 0)
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20, source_address=source)
        with closing(connection):
            try:
                connection.request(method, path, body, sent)
                response = connection.getresponse()
            except ConnectionError:
                return HUNG_UP
            answer = Answer(response.status, response.headers, response.read().decode("utf-8", "replace"))
        given = answer.headers.get("Set-Cookie")
        if given:
            self.cookie = given.partition(";")[0]
        return answer

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, headers=headers)

    def send(self, path: str, fields: dict[str, str], **headers: str) -> Answer:
        """A form as a browser sends it from the page itself; a header named None is left out."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        usual = {"Content-Type": FORM, "Origin": f"http://127.0.0.1:{self.port}"} | named
        return self.ask(
            "POST", path, urlencode(fields).encode(), {k: v for k, v in usual.items() if v is not None}
        )

    def unlock(self, pin: str) -> Answer:
        return self.send("/unlock", {"pin": pin, "back": "/alarms"})

    def token(self, path: str = "/alarms") -> str:
        """The token of the first form of a page that is not the lock's."""
        found = self.get(path).text
        forms: list[tuple[str, str]] = re.findall(
            r'<form action="([^"]+)".*?name="form_token" value="([^"]+)"', found
        )
        return next(token for action, token in forms if action != "/lock")


def raw(port: int, request: bytes, wait_s: float = 5.0) -> bytes:
    """What the server says to bytes that need not be HTTP."""
    with closing(socket.create_connection(("127.0.0.1", port), timeout=wait_s)) as line:
        found = b""
        with suppress(OSError):  # it may close the door while we still talk
            line.sendall(request)
            line.shutdown(socket.SHUT_WR)
        with suppress(OSError):
            while piece := line.recv(65536):
                found += piece
        return found


def tables(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all tables of a store."""
    with closing(sqlite3.connect(store)) as ask:
        names = [name for (name,) in ask.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        return {name: ask.execute(f"SELECT * FROM {name}").fetchall() for name in sorted(names)}
