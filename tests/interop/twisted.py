"""A server that answers otherwise than a real one behind it: nonsense, or its real answer twisted."""

from __future__ import annotations

import json
import random
import threading
import urllib.error
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

JUNK: tuple[Any, ...] = (
    None, True, -1, 0, 1e308, 2**70, "x", "", [], {}, [[]], "é\ud83d", float("nan"), "12.5", "{", "[]",
)  # fmt: skip
"""What takes the place of a part of an answer."""

OTHER: dict[str, tuple[int, dict[str, str], bytes]] = {
    "nothing": (200, {}, b""),
    "a page for browsers": (200, {}, b"<html><title>Welcome</title></html>"),
    "its own trouble": (500, {}, b"<html>oops</html>"),
    "no content": (204, {}, b""),
    "elsewhere": (302, {"Location": "file:///etc/hostname"}, b""),
    "not as it is packed": (200, {"Content-Encoding": "gzip"}, b"plain"),
    "a deep list": (200, {}, b"[" * 100_000),
    "a deep refusal": (400, {}, b"[" * 100_000),
    "a long number": (200, {}, b'{"results":[' + b"9" * 20_000 + b"]}"),
    "an error that is no text": (200, {}, b'{"results":[{"error":{"a":[1]}}]}'),
    "come back in an age": (429, {"Retry-After": "9" * 5000}, b""),
    "come back on no day": (503, {"Retry-After": "Fri, 99 Foo 20xx"}, b""),
}
"""Status, headers and body of answers that have nothing to do with the question."""


class _Quiet(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that has gone is no news."""


class Twisted:
    """Passes requests on to a real server. how says what comes back: 'real', one of OTHER, 'twisted' (a part
    of it is another), 'torn' (it ends in the middle, as if that were its end), 'cut' (less than promised)."""

    def __init__(self, behind: str, rng: random.Random) -> None:
        self._rng, self.how = rng, "real"
        twisted = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                length = int(self.headers.get("Content-Length") or 0)
                asked = urllib.request.Request(
                    behind + self.path, data=self.rfile.read(length) or None, method=self.command
                )
                for name in ("Authorization", "Content-Type", "Content-Encoding"):
                    if name in self.headers:
                        asked.add_header(name, self.headers[name])
                try:
                    with urllib.request.urlopen(asked, timeout=30) as answer:
                        status, body = answer.status, answer.read()
                except urllib.error.HTTPError as error:
                    status, body = error.code, error.read()
                status, headers, body = twisted._made_of(status, body)
                self.send_response(status)
                for name, value in ({"Content-Length": str(len(body))} | headers).items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(body)
                self.close_connection = self.close_connection or "X-Cut" in headers

            do_POST = do_GET

            def log_message(self, *_: object) -> None:
                """Keep quiet."""

        self._server = _Quiet(("127.0.0.1", 0), Handler)
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def _made_of(self, status: int, body: bytes) -> tuple[int, dict[str, str], bytes]:
        if self.how in OTHER:
            return OTHER[self.how]
        if self.how == "torn":
            return status, {}, body[: self._rng.randrange(len(body) + 1)]
        if self.how == "cut":
            return status, {"Content-Length": str(len(body) + 9), "X-Cut": "1"}, body
        if self.how == "twisted" and body.strip():
            documents = [json.loads(line) for line in body.splitlines() if line.strip()]
            at = self._rng.randrange(len(documents))
            documents[at] = self._twist(documents[at])
            return status, {}, b"\n".join(json.dumps(each).encode() for each in documents)
        return status, {}, body

    def _twist(self, document: Any) -> Any:
        """A document with one part of it left out, added, named otherwise or exchanged; within a record's
        document, too."""
        places: list[tuple[Any, Any]] = []

        def walk(part: Any) -> None:
            for key in part if isinstance(part, dict) else range(len(part)) if isinstance(part, list) else ():
                places.append((part, key))
                walk(part[key])

        walk(document)
        if not places:
            return self._rng.choice(JUNK)
        part, key = self._rng.choice(places)
        if isinstance(part[key], str) and part[key][:1] in ("{", "["):
            part[key] = json.dumps(self._twist(json.loads(part[key])))
            return document
        kind = self._rng.randrange(4)
        if kind == 0:
            del part[key]
        elif kind == 1 and isinstance(part, list):
            part.insert(key, self._rng.choice(JUNK))
        elif kind == 1:
            part[f"{key}x"] = part.pop(key)
        else:
            part[key] = self._rng.choice(JUNK)
        return document
