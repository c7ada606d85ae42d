"""One module for each kind of channel. What a library needs is imported where a site has such a channel.

    services    everything that the apprise library reaches, in a short-lived process of its own
    mqtt        a broker: notices, retained states, last will
    mail        e-mail over TLS
    hook        a plain HTTP address
    pin         a buzzer or lamp on a pin of the computer

Two kinds of work: a `Channel` takes notices, a `Display` shows how things stand; mqtt does both. The page is
a display too, but reads the store by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from monitor.notices.secrets import Secrets
from monitor.notices.words import marked
from monitor.records import AlarmState, Notice, iso_utc
from monitor.site.channel_tables import ChannelEntry
from monitor.site.model import Site


class Channel(Protocol):
    """A way on which notices leave."""

    def send(self, notice: Notice) -> None:
        """Hand a notice over and wait for the answer. Called in a worker thread, once at a time.

        Raises NoticeError where it did not certainly arrive.
        """

    def close(self) -> None:
        """Let go of what is held open; may be called twice."""


@dataclass(frozen=True, slots=True)
class Picture:
    """How things stand. every_s is when the next picture comes at the latest: where none comes, the daemon
    has stopped or hangs. values are the newest good ones with their times, absent where there are none."""

    at_ms: int
    every_s: float
    alarms: tuple[AlarmState, ...]
    values: Mapping[str, tuple[float, int]]


class Display(Protocol):
    """A channel that shows how things stand now."""

    def show(self, picture: Picture) -> None:
        """Show it; returns at once and never raises. Called in the daemon's main thread."""

    def close(self) -> None:
        """Let go of what is held open; may be called twice."""


class Built(NamedTuple):
    """What an entry of the site file became: something that takes notices, that shows, or both."""

    channel: Channel | None = None
    display: Display | None = None


def build_channel(entry: ChannelEntry, site: Site, secrets: Secrets, *, presence: bool = True) -> Built:
    """The channel of an entry; nothing is sent yet. presence: whether it speaks for the daemon.

    Raises ImportError where its library is missing.
    """
    if entry.kind == "apprise":
        from monitor.notices.channels.services import ServicesChannel

        return Built(ServicesChannel(entry, secrets))
    if entry.kind == "mqtt":
        from monitor.notices.channels.mqtt import MqttChannel

        broker = MqttChannel(entry, site.site.name, secrets, presence=presence)
        return Built(broker, broker)
    if entry.kind == "email":
        from monitor.notices.channels.mail import MailChannel

        return Built(MailChannel(entry, site.site.name, secrets))
    if entry.kind == "hook":
        from monitor.notices.channels.hook import HookChannel

        return Built(HookChannel(entry, site.site.name, secrets))
    from monitor.notices.channels.pin import PinDisplay

    return Built(display=PinDisplay(entry))


def document_of(notice: Notice, site: str) -> dict[str, Any]:
    """A notice for other programs. id stays the same over all tries, so that a second copy can be known."""
    return {
        "id": f"{notice.created_ms}-{notice.id}",
        "site": site,
        "kind": notice.kind,
        "about": notice.about,
        "priority": notice.priority,
        "title": notice.title,
        "text": marked(notice),
        "created": iso_utc(notice.created_ms),
        "maybe_twice": notice.maybe_twice,
    }
