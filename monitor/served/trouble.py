"""What is wrong with a server, in plain words: what urllib3's errors and a status mean.

What a server's status means: RFC 9110 (400 to 404, 413, 429 in RFC 6585, 502, 503, Retry-After); that 400
and 422 are about the points was seen on InfluxDB 1.6 (400) and is from memory for the 2 line (422).
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from html import unescape
from pathlib import Path
from urllib.parse import urlsplit

import urllib3

from monitor.errors import NoticeError, Trouble
from monitor.notices.secrets import Secrets
from monitor.site.server_table import ServerKeys

LONGEST_WORDS = 300
"""So much of what a server says is kept (our choice)."""

_TITLE = re.compile(r"<title>([^<]*)</title>", re.IGNORECASE)

_CONTENT = (400, 413, 422)
_BUSY = (429, 503)
_ADVICE = {
    401: "look at {whose} secret",
    403: "look at what {whose} secret allows",
    404: "look at {whose} url, bucket and org",
}


@dataclass(frozen=True, slots=True)
class Told:
    """What is wrong, and how long the server asks to be left alone (None where it does not say); advises
    says that the text says what to do, too."""

    text: str
    trouble: Trouble
    wait_s: float | None = None
    advises: bool = False


class Teller:
    """Puts one server's troubles into words; whose says whose keys they are ("the mirror's")."""

    def __init__(self, url: str, secrets: Secrets, timeout_s: float, whose: str) -> None:
        self.host = urlsplit(url).netloc
        self._secrets, self._timeout_s, self._whose = secrets, timeout_s, whose

    def connection(self, error: Exception) -> Told:
        """A request that got no answer."""
        if isinstance(error, urllib3.exceptions.MaxRetryError) and error.reason is not None:
            error = error.reason
        if isinstance(error, urllib3.exceptions.SSLError):
            return self.handshake(str(error))
        if isinstance(error, urllib3.exceptions.NameResolutionError):
            return Told(
                f"{self.host}: no computer of this name is known here; look at {self._whose} url, and at this"
                " network's name server",
                Trouble.UNREACHABLE,
                advises=True,
            )
        if isinstance(error, urllib3.exceptions.NewConnectionError):
            text = f"{self.host}: cannot be reached (no connection)"
        elif isinstance(error, urllib3.exceptions.TimeoutError):
            text = f"{self.host}: no answer within {self._timeout_s:g} s"
        else:
            text = f"{self.host}: the connection broke off ({type(error).__name__})"
        return Told(text, Trouble.UNREACHABLE)

    def handshake(self, why: str) -> Told:
        """A handshake that failed."""
        if "WRONG_VERSION" in why or "RECORD_LAYER" in why or "record layer" in why:
            advice = f"it seems to speak http alone: look at how {self._whose} url begins"
        elif "not yet valid" in why or "expired" in why:
            advice = "look at this computer's clock and at the server's certificate"
        else:
            advice = f"look at its certificate and at {self._whose} ca"
        text = f"{self.host}: no secure connection ({self.clean(why)}); {advice}"
        return Told(text, Trouble.UNREACHABLE, advises=True)

    def status(self, status: int, said: str, retry_after: str | None) -> Told:
        """An answer whose status tells of trouble; said are the server's words."""
        words = self.clean(said)
        if status in _CONTENT:
            return Told(words or f"status {status}", Trouble.CONTENT)
        if status in _BUSY:
            wait_s = retry_after_s(retry_after)
            return Told(f"{self.host}: asks to come back later ({status} {words})", Trouble.BUSY, wait_s)
        if 300 <= status < 500 and status != 408:
            advice = _ADVICE.get(status, "look at {whose} url").format(whose=self._whose)
            return Told(f"{self.host}: refuses us ({status} {words}); {advice}", Trouble.DENIED)
        return Told(f"{self.host}: is in trouble itself ({status} {words})", Trouble.UNREACHABLE)

    def clean(self, text: str) -> str:
        """One line without what is secret."""
        return self._secrets.scrub(" ".join(text.split()))[:LONGEST_WORDS]


def credentials(keys: ServerKeys, secrets: Secrets, folder: Path, whose: str) -> tuple[str, str | None]:
    """The token ('' where none is wanted) and the path of the certificates to trust (None: the system's).

    folder is the site file's. Raises NoticeError with what to do where one of them is not there.
    """
    ca = None if keys.ca is None else folder / keys.ca
    if ca is not None and not ca.is_file():
        raise NoticeError(f"{ca}: there is no such file; look at {whose} ca")
    return secrets.get(keys.secret) if keys.secret else "", None if ca is None else str(ca)


def words_of(body: str | None) -> str:
    """What a server says: the message of its JSON, the title of a page for browsers, else its text."""
    text = body or ""
    try:
        said = json.loads(text)
        return str(said.get("message") or said.get("error") or "")
    except (ValueError, AttributeError, RecursionError):
        if not text.lstrip().startswith("<"):
            return text
        title = _TITLE.search(text)
        return "" if title is None else unescape(title[1])


def retry_after_s(text: str | None, now: datetime | None = None) -> float | None:
    """Seconds that a Retry-After header asks for (RFC 9110, 10.2.3), None where it says nothing usable."""
    if text is None:
        return None
    if (seconds := text.strip()).isdecimal():
        return float(seconds)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - (now or datetime.now(UTC))).total_seconds())
