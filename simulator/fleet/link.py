"""The edge: lines to a server through influxdb-client, questions to it in InfluxQL, errors in plain words.

influxdb-client and urllib3 are imported where a server is spoken to, so that the command line stays light.
What a status means: RFC 9110, 429 RFC 6585; that a server of the 1 line says 400 of single lines was seen.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode, urlsplit

from simulator.fleet.plan import FleetError

TIMEOUT_S = 30.0
"""For one request (our choice, as the mirrors have it)."""

QUERY_TIMEOUT_S = 120.0
"""For one question (our choice: a server that has just been loaded still packs what it got)."""

LONGEST_WORDS = 300
"""So much of what a server says is told (our choice)."""

_CONTENT = (400, 413, 422)
_TRY_AGAIN = (408, 429)
_ADVICE = {
    401: "look at the token",
    403: "look at what the token allows",
    404: "look at --url, --bucket and --org, and make the bucket first where there is none",
}


class Away(Exception):
    """The server takes nothing now, and the same may be sent again; wait_s is what it asks for, or None."""

    def __init__(self, words: str, wait_s: float | None = None) -> None:
        super().__init__(words)
        self.wait_s = wait_s


class NotTaken(Exception):
    """The server will not have these lines; the text has its words."""


@dataclass(frozen=True, slots=True)
class Target:
    """A server's own address, the bucket (1 line: database) and organisation, and the token, '' for none."""

    url: str
    bucket: str
    org: str = ""
    token: str = ""

    @property
    def host(self) -> str:
        return urlsplit(self.url).netloc

    def clean(self, text: str) -> str:
        """A server's words in one line, without the token."""
        text = " ".join(text.split())[:LONGEST_WORDS]
        return text.replace(self.token, "(token)") if self.token else text

    def denied(self, status: int, words: str) -> FleetError:
        """What a status of 300 to 499 amounts to."""
        advice = _ADVICE.get(status, "look at --url")
        return FleetError(f"{self.host}: refuses us ({status} {self.clean(words)}); {advice}")


class Link:
    """Writes to one server. Not for several threads."""

    def __init__(self, target: Target) -> None:
        from influxdb_client import InfluxDBClient, WritePrecision
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._target = target
        self._precision = WritePrecision.MS
        self._client = InfluxDBClient(
            target.url, target.token, org=target.org, timeout=round(TIMEOUT_S * 1000), enable_gzip=True
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, text: str) -> None:
        """Hand lines over, times in ms. Raises Away, NotTaken, FleetError; some may have arrived then."""
        import urllib3
        from influxdb_client.rest import ApiException

        target = self._target
        try:
            self._api.write(target.bucket, target.org, text, write_precision=self._precision)
        except ApiException as error:
            raise self._answered(error) from None
        except (urllib3.exceptions.HTTPError, OSError, UnicodeError) as error:
            raise Away(unreached(target, error)) from None

    def close(self) -> None:
        self._client.close()

    def _answered(self, error: Any) -> Exception:
        target, status = self._target, int(error.status or 0)
        words = target.clean(_said(error.body) or str(error.reason or ""))
        if status in _CONTENT:
            return NotTaken(words or f"status {status}")
        if 300 <= status < 500 and status not in _TRY_AGAIN:
            return target.denied(status, words)
        asked = str((error.headers or {}).get("Retry-After", ""))
        return Away(
            f"{target.host}: takes nothing now ({status or 'no answer'} {words})",
            float(asked) if asked.isdecimal() else None,
        )


def unreached(target: Target, error: Exception) -> str:
    """Why no answer came, in plain words."""
    import urllib3

    if isinstance(error, urllib3.exceptions.MaxRetryError) and error.reason is not None:
        error = error.reason
    if isinstance(error, urllib3.exceptions.NewConnectionError):
        return f"{target.host}: cannot be reached (no connection)"
    if isinstance(error, urllib3.exceptions.TimeoutError):
        return f"{target.host}: gives no answer in time"
    if isinstance(error, urllib3.exceptions.SSLError):
        return f"{target.host}: no secure connection ({target.clean(str(error))}); look at its certificate"
    return f"{target.host}: the connection broke off ({type(error).__name__})"


class Questions:
    """Asks one server in InfluxQL at GET /query."""

    def __init__(self, target: Target) -> None:
        import urllib3

        self._target = target
        self._headers = {"Authorization": f"Token {target.token}"} if target.token else {}
        self._pool = urllib3.PoolManager(timeout=QUERY_TIMEOUT_S, retries=urllib3.Retry(3, backoff_factor=1))

    def ask(self, query: str) -> list[dict[str, Any]]:
        """The series of an answer, times in ms. Raises FleetError."""
        import urllib3

        target = self._target
        asked = urlencode({"db": target.bucket, "epoch": "ms", "q": query})
        try:
            answer = self._pool.request("GET", f"{target.url}/query?{asked}", headers=self._headers)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise FleetError(unreached(target, error)) from None
        said = answer.data.decode("utf-8", "replace")
        if answer.status >= 500:
            words = target.clean(_said(said))
            raise FleetError(
                f"{target.host}: gives no answer now ({answer.status} {words}); what was sent is sent, "
                "and is read back when the same is started once more"
            )
        if answer.status != 200:
            raise target.denied(answer.status, _said(said))
        try:
            result = json.loads(said)["results"][0]
            if "error" in result:
                raise FleetError(f"{target.host}: {target.clean(str(result['error']))}; look at --bucket")
            series: list[dict[str, Any]] = result.get("series", [])
        except (ValueError, LookupError, TypeError, AttributeError):
            raise self.no_answer() from None
        return series

    def no_answer(self) -> FleetError:
        """What came was no answer to what was asked."""
        return FleetError(
            f"{self._target.host}: gives no InfluxQL answer at /query, so nothing can be read back; send "
            "without --check and count on the server itself"
        )


def _said(body: str | bytes | None) -> str:
    """A server's message, '' where it sends a page for browsers."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else body or ""
    try:
        document = json.loads(text)
        return str(document.get("message") or document.get("error") or "")
    except (ValueError, AttributeError):
        return "" if text.lstrip().startswith("<") else text
