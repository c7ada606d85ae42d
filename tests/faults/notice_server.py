"""A plain HTTP server that takes notices, fails, hangs, breaks off or is not there, as it is told."""

from __future__ import annotations

import json
import ssl
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True)
class Arrival:
    """A document that came, when (by the driven clock), and whether the sender got an answer."""

    at_ms: int
    answered: bool
    document: dict[str, Any]


class NoticeServer:
    """On a port of its own that stays the same. mode: 'ok', 'fail' (503), 'refuse' (400), 'hang' (takes the
    request and never answers), 'break' (takes it and breaks off), 'down' (nothing listens)."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        """Speaks TLS where a context is given."""
        self._context = context
        self.now_ms = 0
        self.arrivals: list[Arrival] = []
        self.requests = 0
        self.mode = "ok"
        self._ends = threading.Event()
        self._server = self._open(0)
        self.port = self._server.server_address[1]
        self._serve()

    def set(self, mode: str) -> None:
        if (mode == "down") != (self.mode == "down"):
            if mode == "down":
                self._close()
            else:
                self._server = self._open(self.port)
                self._serve()
        self.mode = mode

    def close(self) -> None:
        self._ends.set()
        if self.mode != "down":
            self._close()

    def ids(self) -> list[str]:
        """The ids of what came and was taken, in order."""
        return [arrival.document["id"] for arrival in self.arrivals]

    def _open(self, port: int) -> ThreadingHTTPServer:
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                outer.answer(self)

            def do_GET(self) -> None:
                outer.requests += 1
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Silent."""

        server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        server.daemon_threads = True
        if self._context is not None:
            server.socket = self._context.wrap_socket(server.socket, server_side=True)
        return server

    def _serve(self) -> None:
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def _close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def answer(self, handler: BaseHTTPRequestHandler) -> None:
        mode = self.mode
        document = json.loads(handler.rfile.read(int(handler.headers["Content-Length"])))
        self.requests += 1
        if mode in ("ok", "hang", "break"):
            self.arrivals.append(Arrival(self.now_ms, mode == "ok", document))
        if mode == "hang":
            self._ends.wait(60)
        if mode in ("hang", "break"):
            handler.close_connection = True
            return
        handler.send_response({"ok": 200, "fail": 503, "refuse": 400}[mode])
        handler.end_headers()
