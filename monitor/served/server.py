"""The edge: line protocol to one server through influxdb-client, and its errors in plain words.

Nothing else imports influxdb-client, and this module is imported only where something is written to a server.
What a server's status means: RFC 9110 (400 to 404, 413, 429 in RFC 6585, 502, 503, Retry-After); that 400
and 422 are about the points was seen on InfluxDB 1.6 (400) and is from memory for the 2 line (422).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from urllib.parse import urlsplit

import urllib3
from influxdb_client import InfluxDBClient, WritePrecision
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from monitor.errors import MirrorError, NoticeError, Trouble
from monitor.notices.secrets import Secrets
from monitor.site.server_table import ServerKeys

TIMEOUT_S = 30.0
"""For one request, connecting and answering together (our choice: a batch over a poor mobile link)."""

LONGEST_WORDS = 300
"""So much of what a server says is kept (our choice)."""

_CONTENT = (400, 413, 422)
_BUSY = (429, 503)
_ADVICE = {
    401: "look at {whose} secret",
    403: "look at what {whose} secret allows",
    404: "look at {whose} url, bucket and org",
}


class Server:
    """One server. Not for several threads."""

    def __init__(
        self,
        keys: ServerKeys,
        secrets: Secrets,
        timeout_s: float = TIMEOUT_S,
        folder: Path = Path(),
        *,
        whose: str = "the mirror's",
    ) -> None:
        """folder is the site file's, where the keys' certificates are looked for; whose says whose keys
        they are, in the words of errors."""
        self._keys, self._whose = keys, whose
        self._secrets, self._timeout_s = secrets, timeout_s
        self._ca = None if keys.ca is None else folder / keys.ca
        self._client: InfluxDBClient | None = None

    def write(self, lines: Sequence[str], *, in_ns: bool = False) -> None:
        """Hand lines over, with times in ms or in ns.

        Raises MirrorError; then some may have arrived all the same.
        """
        try:
            api = self._opened().write_api(write_options=SYNCHRONOUS)
            text = "\n".join(lines)
            unit = WritePrecision.NS if in_ns else WritePrecision.MS
            api.write(self._keys.bucket, self._keys.org, text, write_precision=unit)
        except (InfluxDBError, urllib3.exceptions.HTTPError, OSError, UnicodeError) as error:
            self.close()  # the secret is read again, the connection made anew
            raise self._told(error) from None

    def close(self) -> None:
        """Close the connection; may be called twice."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _opened(self) -> InfluxDBClient:
        if self._client is None:
            try:
                token = self._secrets.get(self._keys.secret) if self._keys.secret else ""
            except NoticeError as error:
                raise MirrorError(str(error), Trouble.DENIED) from error
            if self._ca is not None and not self._ca.is_file():
                raise MirrorError(
                    f"{self._ca}: there is no such file; look at {self._whose} ca", Trouble.DENIED
                )
            self._client = InfluxDBClient(
                self._keys.url,
                token,
                org=self._keys.org,
                timeout=round(self._timeout_s * 1000),
                enable_gzip=True,
                ssl_ca_cert=None if self._ca is None else str(self._ca),
            )
        return self._client

    def _told(self, error: Exception) -> MirrorError:
        host = urlsplit(self._keys.url).netloc
        if isinstance(error, urllib3.exceptions.MaxRetryError) and error.reason is not None:
            error = error.reason
        if isinstance(error, ApiException) and error.status:
            return self._answered(error, host)
        if isinstance(error, ApiException):  # a handshake that failed
            why = self._clean(str(error.reason))
            text = f"{host}: no secure connection ({why}); look at its certificate and at {self._whose} ca"
        elif isinstance(error, urllib3.exceptions.NewConnectionError):
            text = f"{host}: cannot be reached (no connection)"
        elif isinstance(error, urllib3.exceptions.TimeoutError):
            text = f"{host}: no answer within {self._timeout_s:g} s"
        else:
            text = f"{host}: the connection broke off ({type(error).__name__})"
        return MirrorError(text, Trouble.UNREACHABLE)

    def _answered(self, error: ApiException, host: str) -> MirrorError:
        status = int(error.status)
        words = self._clean(_words(error.body) or str(error.reason or ""))
        if status in _CONTENT:
            return MirrorError(words or f"status {status}", Trouble.CONTENT)
        if status in _BUSY:
            wait_s = retry_after_s((error.headers or {}).get("Retry-After"))
            return MirrorError(f"{host}: asks to come back later ({status} {words})", Trouble.BUSY, wait_s)
        if 300 <= status < 500 and status != 408:
            advice = _ADVICE.get(status, "look at {whose} url").format(whose=self._whose)
            return MirrorError(f"{host}: refuses us ({status} {words}); {advice}", Trouble.DENIED)
        return MirrorError(f"{host}: is in trouble itself ({status} {words})", Trouble.UNREACHABLE)

    def _clean(self, text: str) -> str:
        """One line without what is secret."""
        return self._secrets.scrub(" ".join(text.split()))[:LONGEST_WORDS]


def _words(body: str | None) -> str:
    """What a server says: the message of its JSON, else its text; '' where it sends a page for browsers."""
    try:
        said = json.loads(body or "")
        return str(said.get("message") or said.get("error") or "")
    except (ValueError, AttributeError):
        return "" if (body or "").lstrip().startswith("<") else body or ""


def retry_after_s(text: str | None, now: datetime | None = None) -> float | None:
    """Seconds that a Retry-After header asks for (RFC 9110, 10.2.3), None where it says nothing usable."""
    if text is None:
        return None
    if text.strip().isdecimal():
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - (now or datetime.now(UTC))).total_seconds())
