"""Debian's time-series servers as processes on loopback, with data folders of their own, and a lossy relay.

influxdb 1.6.7 has no /api/v2/write and knows no token; nginx before it rewrites path and login as later
servers of the 1 line serve them by themselves. victoria-metrics serves it natively.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.ports import free_port
from tests.waiting import wait_for

NGINX = shutil.which("nginx") or "/usr/sbin/nginx"

INFLUX = """\
reporting-disabled = true
bind-address = "127.0.0.1:{inner}"
[meta]
  dir = "{folder}/meta"
  logging-enabled = false
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  auth-enabled = {auth}
  log-enabled = false
[monitor]
  store-enabled = false
"""

GATE = """\
daemon off;
master_process off;
error_log {folder}/gate.log warn;
pid {folder}/gate.pid;
{user}
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  client_max_body_size 4m;
  map $arg_precision $unit {{ default ns; us u; ms ms; s s; }}
  map $http_authorization $login {{ default ""; "~^Token (?<who>[^:]+):(?<word>.+)$" "&u=$who&p=$word"; }}
  limit_req_zone $binary_remote_addr zone=few:32k rate=2r/s;
  server {{
    listen 127.0.0.1:{port}{tls};
    location = /api/v2/write {{
      {extra}
      proxy_pass http://127.0.0.1:{behind}/write?db=$arg_bucket&precision=$unit$login;
    }}
    location = /query {{
      {extra}
      proxy_pass http://127.0.0.1:{behind}/query?$args$login;
    }}
  }}
}}
"""
SLOW_S = 0.3
BUSY = "add_header Retry-After 7 always; return 503;"
FEW = "limit_req zone=few; limit_req_status 429; add_header Retry-After 1 always;"


class Process:
    """A server process that `stop` ends and `start` starts again on the same port and data."""

    def __init__(self, command: list[str], port: int) -> None:
        self.command, self.port = command, port
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(self.command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for(self.answers)

    def answers(self) -> bool:
        assert self.process is None or self.process.poll() is None, f"{self.command[0]} has ended"
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, how: int = signal.SIGTERM) -> None:
        """End it and wait; SIGKILL leaves it no time to write anything."""
        if self.process is not None:
            self.process.send_signal(how)
            try:
                self.process.wait(timeout=60)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop(signal.SIGKILL)


class Influx(Process):
    """influxdb 1.6.7; asks for a password if told one. data is where it keeps everything."""

    def __init__(self, folder: Path, *, data: Path | None = None, auth: bool = False) -> None:
        port = free_port()
        config = folder / "influxdb.conf"
        config.write_text(
            INFLUX.format(
                folder=data or folder, port=port, inner=free_port(), auth="true" if auth else "false"
            )
        )
        super().__init__(["influxd", "run", "-config", str(config)], port)

    def ask(self, query: str, **more: str) -> Any:
        """The answer to an InfluxQL statement; an error in it fails."""
        asked = urllib.parse.urlencode({"q": query, "epoch": "ms", **more})
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/query?{asked}", method="POST")
        with urllib.request.urlopen(request, timeout=30) as answer:
            document = json.load(answer)
        assert "error" not in json.dumps(document), document
        return document["results"][0]

    def write(self, database: str, lines: str) -> None:
        """Lines past nginx and the mirror: what somebody else has written before."""
        url = f"http://127.0.0.1:{self.port}/write?db={database}&precision=ms"
        urllib.request.urlopen(urllib.request.Request(url, data=lines.encode()), timeout=30).close()

    def values(self, database: str) -> dict[tuple[int, str, str], float]:
        """All that it has of the mirror's measurement: values by time, device and field."""
        return {
            (time_ms, device, name): value
            for time_ms, device, name, value in self._rows(database, "nightbank", "device")
        }

    def days(self, database: str) -> dict[tuple[int, str, str], float]:
        """All that it has of days' statistics: figures by the day's begin, quantity and name."""
        return {
            (time_ms, quantity, name): value
            for time_ms, quantity, name, value in self._rows(database, "nightbank_day", "quantity")
        }

    def _rows(self, database: str, measurement: str, tag: str) -> Iterator[tuple[int, str, str, float]]:
        answer = self.ask(f'SELECT * FROM "{measurement}" GROUP BY *', db=database)
        for series in answer.get("series", ()):
            names = series["columns"][1:]
            for time_ms, *values in series["values"]:
                for name, value in zip(names, values, strict=True):
                    if value is not None:
                        yield time_ms, series["tags"][tag], name, value


class Gate(Process):
    """nginx before an influxdb; `open_with` starts it again with further directives."""

    def __init__(self, folder: Path, behind: int, *, certificate: Path | None = None) -> None:
        """certificate is a PEM file that has the key, too."""
        self._folder, self._behind = folder, behind
        pem = certificate
        self._tls = "" if pem is None else f" ssl; ssl_certificate {pem}; ssl_certificate_key {pem}"
        port = free_port()
        super().__init__([NGINX, "-c", str(folder / "gate.conf"), "-e", str(folder / "gate.log")], port)
        self._write("")

    def _write(self, extra: str) -> None:
        user = "user root;" if os.geteuid() == 0 else ""
        text = GATE.format(
            folder=self._folder, port=self.port, behind=self._behind, extra=extra, user=user, tls=self._tls
        )
        (self._folder / "gate.conf").write_text(text)

    def open_with(self, extra: str = "") -> None:
        self.stop()
        self._write(extra)
        self.start()

    @property
    def url(self) -> str:
        return f"{'https' if self._tls else 'http'}://127.0.0.1:{self.port}"


class Victoria(Process):
    """victoria-metrics."""

    def __init__(self, folder: Path) -> None:
        port = free_port()
        command = ["victoria-metrics", f"-storageDataPath={folder}", f"-httpListenAddr=127.0.0.1:{port}"]
        # readings of last year are wanted, too; the smallest memory
        super().__init__([*command, "-retentionPeriod=10y", "-memory.allowedPercent=5"], port)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def values(self) -> list[tuple[int, str, str, float]]:
        """All that it has: time, device, name and value, duplicates too."""
        with suppress(urllib.error.HTTPError):
            urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=30).close()
        asked = urllib.parse.urlencode({"match[]": '{__name__=~"nightbank_.*"}'})
        found = []
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{asked}", timeout=30) as answer:
            for line in answer:
                series = json.loads(line)
                name = series["metric"]["__name__"].removeprefix("nightbank_")
                for time_ms, value in zip(series["timestamps"], series["values"], strict=True):
                    found.append((time_ms, series["metric"]["device"], name, value))
        return found


class Relay:
    """Carries requests to a server and answers back, unless told to be 'slow', to 'hang', to 'cut' (the
    request arrives, its answer never does) or to 'refuse' (the connection is closed at once)."""

    def __init__(self, behind: int) -> None:
        self._behind = behind
        self.mode = "carry"
        self.holds = 0  # parts that it keeps back at present
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._lock = threading.Lock()
        self._ended = threading.Event()
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def close(self) -> None:
        self._ended.set()
        self._listener.close()

    def _serve(self) -> None:
        while not self._ended.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(client,), daemon=True).start()

    def _carry(self, client: socket.socket) -> None:
        with closing(client), suppress(OSError):
            if self.mode == "refuse":
                return
            with closing(socket.create_connection(("127.0.0.1", self._behind))) as server:
                while data := client.recv(65536):
                    with self._held():
                        while self.mode == "hang":
                            if self._ended.wait(0.05):
                                return
                        server.sendall(data)
                    if not self._pass_answers(client, server):
                        return

    @contextmanager
    def _held(self) -> Iterator[None]:
        """A part is under way."""
        with self._lock:
            self.holds += 1
        try:
            yield
        finally:
            with self._lock:
                self.holds -= 1

    def _pass_answers(self, client: socket.socket, server: socket.socket) -> bool:
        """Answers that come, and more of the request, until the line is quiet for a moment."""
        import select

        while True:
            ready, _, _ = select.select([client, server], [], [], 5)
            if not ready:
                return True
            for end in ready:
                data = end.recv(65536)
                if not data or (end is server and self.mode == "cut"):
                    return False
                with self._held():
                    if self.mode == "slow":
                        self._ended.wait(SLOW_S)
                    (client if end is server else server).sendall(data)
