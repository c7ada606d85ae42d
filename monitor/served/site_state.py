"""What the records of one site say of its present, for a page of many sites. Pure."""

from __future__ import annotations

import json
import tomllib
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from pydantic import ValidationError

from monitor.clock import CLOCK_NOTE, clock_from_note
from monitor.errors import NightbankError, StoreError
from monitor.records import AlarmState, Heartbeat, Quality, Reading
from monitor.served.lines import tag_text
from monitor.site.load import site_of
from monitor.site.mirror_table import SENDING_S
from monitor.site.model import RESERVED_SOURCES, Site
from monitor.store.documents import ChannelEnds, alarm_of, channels_of
from monitor.store.heartbeat import NOTE as HEARTBEAT_NOTE
from monitor.store.heartbeat import heartbeat_of
from monitor.store.queries import in_rank_order, newest

READINGS_ONLY = 'only readings are sent from it; with send = ["all"] in its mirror more would be known here'
NO_FILE = "nothing is known of its bank and devices: its site record is missing"
BROKEN = "its records cannot be read ({why})"

Documents = Mapping[tuple[str, str], str]
"""Documents of one site by kind and key."""


@dataclass(frozen=True, slots=True)
class SiteState:
    """What a server knows of one site's present.

    site is None where that is too little to tell more than when its devices were heard; fault says why.
    lag_s is how late a copy may be, None where the server is the site's own store. latest are its newest
    readings, the best device's first, last_good the good ones of the quantities whose newest is not good.
    alarms are those that are not normal. heard is when each device was last read. clock is the note as it
    stands.
    """

    name: str
    site: Site | None = None
    fault: str = READINGS_ONLY
    lag_s: float | None = None
    latest: tuple[Reading, ...] = ()
    last_good: Mapping[str, Reading] = field(default_factory=dict)
    heartbeat: Heartbeat | None = None
    alarms: tuple[AlarmState, ...] = ()
    heard: Mapping[str, int] = field(default_factory=dict)
    clock: str | None = None
    packed_outlook: bytes | None = None

    @property
    def outlook(self) -> Mapping[str, Any] | None:
        """The newest outlook's document. Raises StoreError where it cannot be read."""
        if self.packed_outlook is None:
            return None
        try:
            found: Mapping[str, Any] = json.loads(json.loads(zlib.decompress(self.packed_outlook)))
        except (ValueError, TypeError) as error:
            raise StoreError(f"the outlook of {self.name} cannot be read") from error
        return found


def state_of(name: str, about: Documents, present: Documents, packed_outlook: bytes | None) -> SiteState:
    """The state of a site with records: about are those that say what it is, present those of now. What
    cannot be read is told as the state's fault."""
    try:
        return _state(name, about, present, packed_outlook)
    except NightbankError as error:
        return SiteState(name, fault=BROKEN.format(why=error))
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        return SiteState(name, fault=BROKEN.format(why=type(error).__name__))


def _state(name: str, about: Documents, present: Documents, packed_outlook: bytes | None) -> SiteState:
    record = json.loads(about.get(("site", "-"), "{}"))
    names: list[str] = json.loads(about.get(("rank", "-"), "[]"))
    ends = _ends(present, names)
    heard: dict[str, int] = {}
    for each in ends:
        if each.device not in RESERVED_SOURCES:
            heard[each.device] = max(heard.get(each.device, each.last.time_ms), each.last.time_ms)
    if "file" not in record:
        return SiteState(name, fault=NO_FILE, heard=heard)
    site = _described(str(record["file"]), name)
    clock = _note(present, CLOCK_NOTE)
    clock_from_note(clock)  # whoever looks may rely on it
    ranks = {device: rank for rank, device in enumerate(names)}
    return SiteState(
        name,
        site,
        fault="",
        lag_s=site.copy_lag_s if record.get("origin") == "mirror" else None,
        latest=tuple(in_rank_order((each.last for each in ends), ranks)),
        last_good=_last_good(ends, ranks),
        heartbeat=None if (beat := _note(present, HEARTBEAT_NOTE)) is None else heartbeat_of(beat),
        alarms=tuple(alarm_of(text) for (kind, _), text in present.items() if kind == "alarm"),
        heard=heard,
        clock=clock,
        packed_outlook=packed_outlook,
    )


@lru_cache(maxsize=8)
def copy_lag_s(text: str) -> float:
    """How late the copy of a site may be, by its file's text; the least where that cannot be used."""
    try:
        return _described(text, "the copy").copy_lag_s
    except NightbankError:
        return SENDING_S


def _ends(present: Documents, names: Iterable[str]) -> list[ChannelEnds]:
    """Where the channels end. Devices have the names of the site file."""
    named = {tag_text(name): name for name in names}
    return [
        each
        for (kind, device), document in present.items()
        if kind == "channel"
        for each in channels_of(document, named.get(device, device))
    ]


def _described(text: str, name: str) -> Site:
    """The site that a file's text describes. Raises SiteError.

    Its daemon runs with it, so that it is looked at key by key, for the line of a fault, only where it cannot
    be used here.
    """
    try:
        return Site.model_validate(tomllib.loads(text))
    except (ValueError, ValidationError):
        return site_of(text, f"the site file of {name}")


def _last_good(ends: Sequence[ChannelEnds], ranks: dict[str, int]) -> dict[str, Reading]:
    doubtful = {each.quantity for each in ends if each.last.quality is not Quality.GOOD}
    found = {
        quantity: newest(
            [each.good for each in ends if each.quantity == quantity and each.good is not None], ranks
        )
        for quantity in doubtful
    }
    return {quantity: reading for quantity, reading in found.items() if reading is not None}


def _note(present: Documents, key: str) -> str | None:
    document = present.get(("note", key))
    return None if document is None else str(json.loads(document))
