"""The edge for writing: line protocol to one server through influxdb-client.

Nothing else imports influxdb-client, and this module is imported only where something is written to a server.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import urllib3
from influxdb_client import InfluxDBClient, WritePrecision
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from monitor.errors import NoticeError, ServerError, Trouble
from monitor.notices.secrets import Secrets
from monitor.served.lines import is_request
from monitor.served.trouble import Teller, Told, credentials, words_of
from monitor.site.server_table import ServerKeys
from monitor.store.connect import ONLY_REQUESTS, is_sealed

TIMEOUT_S = 30.0
"""For one request, connecting and answering together (our choice: a batch over a poor mobile link)."""


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
        self._teller = Teller(keys.url, secrets, timeout_s, whose)
        self._folder = folder
        self._client: InfluxDBClient | None = None

    def write(self, lines: Sequence[str], *, in_ns: bool = False) -> None:
        """Hand lines over, with times in ms or in ns.

        Raises ServerError; then some may have arrived all the same. A sealed process may hand over requests
        alone.
        """
        if is_sealed() and not all(is_request(line) for line in lines):
            raise ServerError(ONLY_REQUESTS, Trouble.DENIED)
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
                token, ca = credentials(self._keys, self._secrets, self._folder, self._whose)
            except NoticeError as error:
                raise ServerError(str(error), Trouble.DENIED) from error
            self._client = InfluxDBClient(
                self._keys.url,
                token,
                org=self._keys.org,
                timeout=round(self._timeout_s * 1000),
                enable_gzip=True,
                ssl_ca_cert=ca,
            )
        return self._client

    def _told(self, error: Exception) -> ServerError:
        told = self._in_words(error)
        return ServerError(told.text, told.trouble, told.wait_s)

    def _in_words(self, error: Exception) -> Told:
        if isinstance(error, ApiException) and error.status:
            said = words_of(error.body) or str(error.reason or "")
            return self._teller.status(int(error.status), said, (error.headers or {}).get("Retry-After"))
        if isinstance(error, ApiException):
            return self._teller.handshake(str(error.reason))
        return self._teller.connection(error)
