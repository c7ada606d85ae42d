"""The dead man's beat: a sign of life to an address, so that the other end knows when it stops.

It is sent only while the daemon's main loop goes round and polling goes on: silence is the message.
"""

from __future__ import annotations

import logging
import threading

from monitor.errors import NoticeError
from monitor.notices.secrets import Secrets
from monitor.site.channel_tables import NoticesEntry

log = logging.getLogger("nightbank")


class Beat:
    """Asks an address (GET) every beat_every_min."""

    def __init__(self, entry: NoticesEntry, secrets: Secrets) -> None:
        # HTTP and TLS: 1.5 MB, only for sites that have use for it
        from monitor.notices.channels.hook import ask

        self._request = ask
        self._url, self._secret, self._secrets = entry.beat_url, entry.beat_secret, secrets
        self._thread: threading.Thread | None = None
        self._failing = False

    def send(self) -> None:
        """Begin one, unless the last is still under way. Returns at once."""
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._ask, name="beat", daemon=True)
            self._thread.start()

    def _ask(self) -> None:
        try:
            self._request("GET", self._url or self._secrets.get(self._secret or ""))
        except NoticeError as error:
            if not self._failing:
                log.warning("the sign of life did not get out: %s", self._secrets.scrub(str(error)))
            self._failing = True
        else:
            if self._failing:
                log.info("the sign of life gets out again")
            self._failing = False
