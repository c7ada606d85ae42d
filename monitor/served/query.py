"""The edge for questions: InfluxQL through GET /query, answers streamed, errors in plain words.

    {"results":[{"statement_id":0,"series":[{"tags":{"device":"shunt"},"columns":["time","count"],
    "values":[[1764028800000,9]]}]}]}

Such a document is one line; a chunked answer has several, each with the next rows. An error may stand inside
an answer of status 200, what was never written is an empty result, and names and values in a statement are
quoted. Source: the documentation of InfluxDB's 1 line, from memory; `tests/interop` asks a real 1.6.7.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, NoReturn, ParamSpec, Protocol, TypeVar
from urllib.parse import urlencode

import urllib3

from monitor.errors import NoticeError, ServerError, Trouble
from monitor.notices.secrets import Secrets
from monitor.served.trouble import Teller, Told, credentials, words_of
from monitor.site.server_table import ServerKeys
from monitor.store.connect import ONLY_REQUESTS, is_sealed

TIMEOUT_S = 10.0
"""For an answer to begin, and between its parts (our choice: a page waits for it)."""

CONNECT_S = 3.0
"""For a connection (our choice: one lost packet on a local network is sent again after one second)."""

ROWS_AT_ONCE = 5000
"""Rows in a part of an answer (our choice: some hundred kilobytes)."""

MOST_BYTES = 64 * 1024 * 1024
"""No document of an answer is longer (our choice: a hundred times as long as any that was seen, and what the
smallest Pi can still hold); whoever sends more would fill the memory."""

LONGEST_WAITS = 4.0
"""So many time-outs are waited for one document in all (our choice): a server that sends a little now and
then would else hold the daemon for ever."""

_PART_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Rows:
    """Some rows of one of an answer's series: its tags, the columns' names, and values by column."""

    tags: dict[str, str]
    columns: Sequence[str]
    values: Sequence[Sequence[Any]]


class Asking(Protocol):
    """Whatever asks a server."""

    _asker: Asker


P = ParamSpec("P")
T = TypeVar("T")
A = TypeVar("A", bound=Asking)


@contextmanager
def understood(host: str) -> Iterator[None]:
    """Tell of an answer that is not what was asked for, whatever breaks on it, as a ServerError."""
    try:
        yield
    except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError) as error:
        raise ServerError(
            f"{host}: what it has of this site is not as Nightbank writes it ({type(error).__name__}:"
            f" {str(error)[:100]}); look at who else writes there, and at whether Nightbank is as new here as"
            " where it writes",
            Trouble.DENIED,
        ) from error


def understands(method: Callable[Concatenate[A, P], T]) -> Callable[Concatenate[A, P], T]:
    """A method that makes something of answers, within `understood`. Not for one that yields."""

    @wraps(method)
    def within(self: A, /, *args: P.args, **kwargs: P.kwargs) -> T:
        with understood(self._asker.host):
            return method(self, *args, **kwargs)

    return within


def quoted(text: str) -> str:
    """A value in a statement."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n") + "'"


class Asker:
    """Asks one server about one database. Threads may share one."""

    def __init__(
        self,
        keys: ServerKeys,
        secrets: Secrets,
        folder: Path,
        *,
        whose: str = "the store's",
        timeout_s: float = TIMEOUT_S,
        rest_s: float = 0.0,
    ) -> None:
        """folder is the site file's; whose says whose keys they are, in the words of errors. rest_s is
        how long a server that did not answer is left alone: questions then get the same error at once."""
        self._keys, self._secrets, self._folder, self._whose = keys, secrets, folder, whose
        self._timeout_s = timeout_s
        self._teller = Teller(keys.url, secrets, timeout_s, whose)
        self._rest_s = rest_s
        self._resting: tuple[float, ServerError] | None = None
        self._pool: urllib3.PoolManager | None = None
        self._headers: dict[str, str] = {}

    @property
    def host(self) -> str:
        """Whom it asks."""
        return self._teller.host

    def wake(self) -> None:
        """Ask again even if the server is to be left alone."""
        self._resting = None

    def close(self) -> None:
        """Close the connections; may be called twice."""
        if self._pool is not None:
            self._pool.clear()
            self._pool = None

    def ask(self, statement: str, rows_at_once: int = ROWS_AT_ONCE) -> Iterator[Rows]:
        """The rows of an answer as they come, times in ms; rows_at_once of them are held in memory. Raises
        ServerError, also midway."""
        fields = {"db": self._keys.bucket, "q": statement, "epoch": "ms", "chunked": "true"}
        yield from self._answer("GET", {**fields, "chunk_size": str(rows_at_once)})

    def tell(self, statement: str) -> None:
        """Have a statement carried out that changes something, in no sealed process. Raises ServerError."""
        if is_sealed():
            raise ServerError(f"{self._teller.host}: {ONLY_REQUESTS}", Trouble.DENIED)
        for _ in self._answer("POST", {"db": self._keys.bucket, "q": statement}):
            pass

    def _answer(self, method: str, fields: dict[str, str]) -> Iterator[Rows]:
        with self._told():
            self._leave_alone()
            asked = urlencode(fields)
            response = self._opened().request(
                method,
                self._keys.url + ("/query" if method == "POST" else f"/query?{asked}"),
                body=asked if method == "POST" else None,
                headers=self._headers,
                preload_content=False,
            )
            try:
                if response.status != 200:
                    said = words_of(
                        response.read(_PART_BYTES, decode_content=True).decode("utf-8", "replace")
                    )
                    if response.status == 400:
                        self._raise(self._said(said or "status 400"))
                    self._raise(
                        self._teller.status(
                            response.status,
                            said or response.reason or "",
                            response.headers.get("Retry-After"),
                        )
                    )
                is_partial: bool | None = None
                for line in self._lines_of(response):
                    for rows, goes_on in self._rows(line):
                        is_partial = goes_on
                        yield from rows
                if is_partial is None:
                    self._raise(self._no_influxql())
                if is_partial:
                    raise ServerError(
                        f"{self._teller.host}: its answer was cut short; allow it more rows in one answer",
                        Trouble.DENIED,
                    )
            except BaseException:  # also a reader that wants no more of it
                response.close()
                raise

    def _rows(self, line: bytes) -> Iterator[tuple[list[Rows], bool]]:
        """What a document says, result by result, and whether more is to follow."""
        try:
            document = json.loads(line)
            if "error" in document:
                self._raise(self._said(str(document["error"])))
            for result in document["results"]:
                if "error" in result:
                    self._raise(self._said(str(result["error"])))
                yield (
                    [_rows_of(each) for each in result.get("series", ())],
                    bool(result.get("partial")),
                )
        except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
            self._raise(self._no_influxql())

    def _lines_of(self, response: urllib3.BaseHTTPResponse) -> Iterator[bytes]:
        """An answer's documents, one after another."""
        left: list[bytes] = []
        size, waited_s = 0, 0.0
        parts = response.stream(_PART_BYTES, decode_content=True)
        while True:
            since_s = time.monotonic()
            part = next(parts, None)
            waited_s += time.monotonic() - since_s
            if part is None:
                break
            *ended, rest = part.split(b"\n")
            for line in ended:
                line, left, size, waited_s = b"".join([*left, line]), [], 0, 0.0
                if line.strip():
                    yield line
            left.append(rest)
            size += len(rest)
            if size > MOST_BYTES:
                raise ServerError(
                    f"{self._teller.host}: sends more than {MOST_BYTES // 1024**2} MB without an end;"
                    f" look at {self._whose} url",
                    Trouble.DENIED,
                )
            if waited_s > LONGEST_WAITS * self._timeout_s:
                raise urllib3.exceptions.TimeoutError
        last = b"".join(left)
        if last.strip():
            yield last

    def _no_influxql(self) -> Told:
        return Told(
            f"{self._teller.host}: this server answers no questions in InfluxQL, so it cannot hold a"
            " store, though it may take the readings of a mirror; take a server of the InfluxDB 1.8, 2"
            f" or 3 line, or look at {self._whose} url",
            Trouble.DENIED,
        )

    def _said(self, error: str) -> Told:
        """An error inside an answer."""
        words = self._teller.clean(error)
        if "not found" in words and "database" in words:
            advice = f"make it on the server, or look at {self._whose} bucket"
            return Told(f"{self._teller.host}: {words}; {advice}", Trouble.DENIED)
        if "timeout" in words or "timed out" in words:
            return Told(f"{self._teller.host}: had no time to answer ({words})", Trouble.BUSY)
        return Told(f"{self._teller.host}: cannot answer ({words})", Trouble.DENIED)

    def _raise(self, told: Told) -> NoReturn:
        raise ServerError(told.text, told.trouble, told.wait_s)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (urllib3.exceptions.HTTPError, OSError) as error:
            told = self._teller.connection(error)
            advice = "" if told.advises else f"; see whether the server runs, and look at {self._whose} url"
            away = ServerError(told.text + advice, told.trouble, told.wait_s)
            self._resting = time.monotonic(), away
            raise away from None
        except ServerError as error:
            if error.trouble is Trouble.DENIED:
                self.close()  # the secret is read again
            raise

    def _leave_alone(self) -> None:
        """Raise the last error once more while a server that did not answer is left alone."""
        if self._resting is not None:
            since_s, error = self._resting
            if time.monotonic() - since_s < self._rest_s:
                raise ServerError(str(error), error.trouble, error.wait_s)
            self._resting = None

    def _opened(self) -> urllib3.PoolManager:
        if self._pool is None:
            try:
                token, ca = credentials(self._keys, self._secrets, self._folder, self._whose)
            except NoticeError as error:
                raise ServerError(str(error), Trouble.DENIED) from error
            self._headers = {
                "Accept-Encoding": "gzip",
                "Content-Type": "application/x-www-form-urlencoded",
            }
            if token:
                self._headers["Authorization"] = f"Token {token}"
            self._pool = urllib3.PoolManager(
                num_pools=1,
                maxsize=4,
                retries=False,
                timeout=urllib3.Timeout(connect=min(CONNECT_S, self._timeout_s), read=self._timeout_s),
                ca_certs=ca,
            )
        return self._pool


def _rows_of(series: dict[str, Any]) -> Rows:
    if series["columns"][0] not in ("time", "key"):  # readings, or the names of sites
        raise ValueError("no rows of a measurement")
    columns, values = series["columns"], series.get("values") or ()
    if not all(type(row) is list and len(row) == len(columns) for row in values):
        raise ValueError("rows of another length")
    return Rows(series.get("tags") or {}, columns, values)
