"""Everything that the apprise library reaches, through a short-lived process (`apprise_process`).

The library takes 20 MB and knows a hundred services; the daemon holds none of it. Address and texts go to the
process through its standard input, so that no list of processes shows them.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence

from monitor.errors import NoticeError
from monitor.notices.secrets import Secrets
from monitor.notices.words import marked
from monitor.records import Notice
from monitor.site.channel_tables import ChannelEntry

COMMAND = (sys.executable, "-m", "monitor.notices.apprise_process")

LONGEST_S = 60.0
"""A process that has not ended by then hangs and is killed (our choice: a small Pi loads it in seconds)."""


class ServicesChannel:
    """A channel of kind apprise."""

    def __init__(self, entry: ChannelEntry, secrets: Secrets, command: Sequence[str] = COMMAND) -> None:
        self._secret, self._secrets, self._command = entry.secret or "", secrets, command

    def send(self, notice: Notice) -> None:
        address = self._secrets.get(self._secret)
        request = {
            "address": address,
            "title": notice.title,
            "text": marked(notice),
            "priority": notice.priority,
        }
        try:
            done = subprocess.run(
                self._command,
                input=json.dumps(request),
                capture_output=True,
                text=True,
                encoding="utf-8",
                timeout=LONGEST_S,
                check=False,
            )
        except OSError as error:
            raise NoticeError(f"the process for it cannot be started ({error.strerror})") from None
        except subprocess.TimeoutExpired:
            text = f"the service gave no answer within {LONGEST_S:.0f} s"
            raise NoticeError(text, may_have_arrived=True) from None
        try:
            answer = json.loads(done.stdout.splitlines()[-1])
            problem, may_have_arrived = answer["problem"], bool(answer["may_have_arrived"])
        except (IndexError, KeyError, TypeError, ValueError):
            text = f"the process for it ended with status {done.returncode} and no answer"
            raise NoticeError(text, may_have_arrived=True) from None
        if problem is not None:
            raise NoticeError(str(problem), may_have_arrived=may_have_arrived)

    def close(self) -> None:
        """Nothing is held open."""
