"""The limit on wrong PINs: waits that grow, for each address and for all together.

What counts is kept in a file, since a limit that a restart resets is none. A restart begins the wait anew:
no clock has to be right for it, and a computer without a clock chip can restart as it likes.

The numbers are our choice. Three slips of a thumb cost nothing. An address then waits half a minute, a
minute, two ... an hour between tries; all together are free for 20 and then wait up to ten minutes, so that
many addresses get no further than 144 tries a day and 20 for each time that somebody gives the right PIN: for
half of a million PINs some years. The price is that somebody in the network can keep the page locked; whoever
is unlocked stays so, and `nightbank alarms` works.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address, ip_network
from pathlib import Path

log = logging.getLogger("nightbank.page")

FREE, FIRST_WAIT_S, LONGEST_WAIT_S = 3, 30.0, 3600.0
FREE_IN_ALL, FIRST_WAIT_IN_ALL_S, LONGEST_WAIT_IN_ALL_S = 20, 5.0, 600.0

MOST_ADDRESSES = 64
"""So many addresses are told apart; the one with the fewest wrong tries is forgotten (our choice)."""

IN_ALL = "in all"


class CannotCount(Exception):
    """The count of wrong tries cannot be kept; the text says why. No PIN may be tried then."""


@dataclass(slots=True)
class _Count:
    wrong: int
    since_s: float


def tries_path(store: Path) -> Path:
    """Where the wrong tries at a store's page are counted."""
    return store.with_name(store.name + ".pin-tries")


class Tries:
    """Counts wrong PINs. All threads share it."""

    def __init__(self, file: Path, elapsed_s: Callable[[], float]) -> None:
        """elapsed_s counts seconds and never jumps. Wrong tries before this start count, from now on."""
        self._file, self._elapsed_s = file, elapsed_s
        self._lock = threading.Lock()
        now_s = elapsed_s()
        self._counts = OrderedDict((name, _Count(wrong, now_s)) for name, wrong in _kept(file).items())

    def wait_s(self, address: str) -> float:
        """How long a browser at an address must wait before its next try; 0: it may try now."""
        with self._lock:
            return self._wait_s(household(address))

    def begin(self, address: str) -> float:
        """Begin a try, unless its wait still runs (the seconds left are given back).

        It counts as wrong until `right` says otherwise, and is on the disk before it is judged, so that no
        crash makes it free. Raises CannotCount.
        """
        name = household(address)
        with self._lock:
            left_s = self._wait_s(name)
            if left_s > 0:
                return left_s
            for each in (name, IN_ALL):
                wrong = self._counts[each].wrong if each in self._counts else 0
                self._counts[each] = _Count(wrong + 1, self._elapsed_s())
            self._bound()
            self._keep()
        return 0.0

    def right(self, address: str) -> None:
        """The try was right: its address is free again, and all together; other addresses' counts stay."""
        with self._lock:
            for each in (household(address), IN_ALL):
                self._counts.pop(each, None)
            try:
                self._keep()
            except CannotCount as error:
                log.warning("%s", error)  # the higher count stays: the safe side

    def _wait_s(self, name: str) -> float:
        now_s = self._elapsed_s()
        waits = [
            _left_s(self._counts.get(name), FREE, FIRST_WAIT_S, LONGEST_WAIT_S, now_s),
            _left_s(self._counts.get(IN_ALL), FREE_IN_ALL, FIRST_WAIT_IN_ALL_S, LONGEST_WAIT_IN_ALL_S, now_s),
        ]
        return max(waits)

    def _bound(self) -> None:
        while len(self._counts) > MOST_ADDRESSES + 1:
            del self._counts[min(self._counts.keys() - {IN_ALL}, key=lambda name: self._counts[name].wrong)]

    def _keep(self) -> None:
        text = json.dumps({name: each.wrong for name, each in self._counts.items()})
        fresh = self._file.with_name(f"{self._file.name}.new")
        try:
            handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
            with os.fdopen(handle, "w", encoding="ascii") as opened:
                opened.write(text)
                opened.flush()
                os.fsync(opened.fileno())
            fresh.replace(self._file)
        except OSError as error:
            raise CannotCount(
                f"{self._file}: cannot be written ({error.strerror}), so that wrong PINs cannot be counted;"
                " no PIN is taken until it can"
            ) from error


def _left_s(count: _Count | None, free: int, first_s: float, longest_s: float, now_s: float) -> float:
    """What is left of the wait after so many wrong tries."""
    if count is None or count.wrong < free:
        return 0.0
    doublings = min(count.wrong - free, 30)
    return max(0.0, count.since_s + min(longest_s, first_s * 2.0**doublings) - now_s)


def household(address: str) -> str:
    """What counts as one address: an IPv6 network of 64 bits is one household's."""
    try:
        found = ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(found, IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ip_network((int(found), 64), strict=False))
    return str(found)


def _kept(file: Path) -> dict[str, int]:
    """The counts in the file. One that cannot be read counts as the limit: no damage may open a door."""
    try:
        document = json.loads(file.read_text(encoding="ascii"))
        return {str(name): max(0, int(wrong)) for name, wrong in document.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError, AttributeError) as error:
        log.warning("%s: cannot be read (%s); wrong PINs count from the limit on", file, error)
        return {IN_ALL: FREE_IN_ALL}
