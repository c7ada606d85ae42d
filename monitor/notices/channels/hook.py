"""A plain HTTP address: the notice as a JSON document by POST. Any 2xx answer counts as delivered."""

from __future__ import annotations

import http.client
import json
import threading
from base64 import b64encode
from urllib.parse import SplitResult, unquote, urlsplit

from monitor.errors import NoticeError
from monitor.notices.channels import document_of
from monitor.notices.secrets import Secrets
from monitor.records import Notice
from monitor.site.channel_tables import ChannelEntry

TIMEOUT_S = 10.0
"""Without a byte for so long the other end is not there (our choice)."""

LONGEST_S = 30.0
"""An answer that takes longer altogether is cut off (our choice)."""

TRY_LATER = (408, 425, 429)
"""Statuses that say 'not now' of the whole address, beside 5xx (RFC 9110, 15.5.9; RFC 8470; RFC 6585)."""

UNKNOWN = (502, 504)
"""Statuses of a gateway that does not know what became of the request (RFC 9110, 15.6.3 and 15.6.5)."""


class HookChannel:
    """A channel of kind hook."""

    def __init__(self, entry: ChannelEntry, site: str, secrets: Secrets) -> None:
        self._url, self._secret, self._secrets, self._site = entry.url, entry.secret, secrets, site

    def send(self, notice: Notice) -> None:
        address = self._url or self._secrets.get(self._secret or "")
        body = json.dumps(document_of(notice, self._site), ensure_ascii=False).encode("utf-8")
        ask("POST", address, body)

    def close(self) -> None:
        """Nothing is held open."""


def ask(method: str, address: str, body: bytes | None = None) -> None:
    """One request, its body JSON where it has one. Raises NoticeError for anything but a 2xx answer."""
    connection, parts = _connection(address)
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    headers = {"User-Agent": "nightbank"} | ({"Content-Type": "application/json"} if body is not None else {})
    if parts.username:
        user = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
        headers["Authorization"] = f"Basic {b64encode(user.encode('utf-8')).decode('ascii')}"
    connected = False
    cutting = threading.Timer(LONGEST_S, _cut, (connection,))
    cutting.daemon = True
    cutting.start()
    try:
        connection.connect()
        connected = True
        connection.request(method, target, body, headers)
        status = connection.getresponse().status
    except (OSError, ValueError, http.client.HTTPException) as error:
        raise NoticeError(_told(parts, error, connected), may_have_arrived=connected) from None
    finally:
        cutting.cancel()
        connection.close()
    if not 200 <= status < 300:
        later = status >= 500 or status in TRY_LATER
        reason = http.client.responses.get(status, "")
        text = f"{parts.hostname} answers {status} {reason}".rstrip()
        raise NoticeError(text, refused=not later, may_have_arrived=status in UNKNOWN)


def _connection(address: str) -> tuple[http.client.HTTPConnection, SplitResult]:
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        parts, port = SplitResult("", "", "", "", ""), None
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise NoticeError("its secret is no address that begins with http:// or https://; correct the secret")
    kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
    return kind(parts.hostname, port, timeout=TIMEOUT_S), parts


def _told(parts: SplitResult, error: Exception, connected: bool) -> str:
    why = getattr(error, "strerror", None) or str(error) or type(error).__name__
    if connected:
        return f"{parts.hostname} was reached but gave no usable answer ({why})"
    return f"{parts.hostname} cannot be reached ({why})"


def _cut(connection: http.client.HTTPConnection) -> None:
    """End a request that drags on: whoever waits for its answer gets an error."""
    import socket
    from contextlib import suppress

    with suppress(OSError, AttributeError):
        connection.sock.shutdown(socket.SHUT_RDWR)
