"""The tables of a site file that say how notices leave: [notices] and [[channels]].

A site file is copied, shown and kept with others, so no password may stand in it: it names a secret, and
`monitor.notices.secrets` finds that in systemd's credentials or in a file of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Literal
from urllib.parse import parse_qsl, urlsplit

from pydantic import AfterValidator, Field

from monitor.site.hours import parse_hours, parse_time
from monitor.site.table import Table, told

Kind = Literal["apprise", "mqtt", "email", "hook", "pin"]
Priority = Literal["low", "medium", "high", "urgent"]

PRIORITIES: tuple[Priority, ...] = ("low", "medium", "high", "urgent")
"""From the least to the highest."""

GIVES_AWAY = re.compile(r"(?i)pass|pwd|token|secret|api_?key|^key$|^auth")
"""Names of query values in an address that are passwords by another name (our choice)."""

_SECRET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,60}")


def _secret_name(name: str) -> str:
    if not _SECRET_NAME.fullmatch(name):  # never shown: it may be the secret itself
        raise told(
            "must be the name of a secret (letters, digits, - _ .), never the secret itself; write the "
            "secret under that name in the secrets file"
        )
    return name


def _address(url: str) -> str:
    """An http address that holds no password. What is refused is not shown."""
    try:
        parts = urlsplit(url)
        there = parts.scheme in ("http", "https") and parts.hostname
    except ValueError:
        there = None
    if not there:
        raise told('is no address; write it like "https://192.0.2.10/notice"')
    if parts.password or parts.username or any(GIVES_AWAY.search(key) for key, _ in parse_qsl(parts.query)):
        raise told(
            "holds a password, which must not stand in the site file; write the whole address into the "
            "secrets file under a name and give that name instead"
        )
    return url


def _host(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_.:%-]+", name):
        raise told('must be a name or number of a computer alone, such as "192.0.2.20"')
    return name


def _mail_address(text: str) -> str:
    if not re.fullmatch(r"[^@\s<>,;]+@[^@\s<>,;]+", text):
        raise told(f'{text!r} is no e-mail address; write it like "me@mail.example"')
    return text


def _topic(text: str) -> str:
    if not text or re.search(r"[#+\s\0]", text) or text.startswith("/") or text.endswith("/"):
        raise told(f"{text!r} cannot begin topics; take words between single slashes, without # + or spaces")
    return text


def _parsed_by(parse: Callable[[str], object]) -> Callable[[str], str]:
    def check(text: str) -> str:
        try:
            parse(text)
        except ValueError as error:
            raise told(str(error)) from None
        return text

    return check


SecretName = Annotated[str, AfterValidator(_secret_name)]
Address = Annotated[str, AfterValidator(_address)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
HoursText = Annotated[str, AfterValidator(_parsed_by(parse_hours))]
TimeText = Annotated[str, AfterValidator(_parsed_by(parse_time))]


class NoticesEntry(Table):
    """[notices]; how notices behave on all channels.

    quiet_hours hold back all but what is urgent. evening_at is a local time; without it the evening summary
    comes an hour before sunset. An urgent notice repeats every repeat_every_min until it is acknowledged.
    secrets is the path (relative to the site file) of a TOML file of names and secrets that only its owner
    may read. A sign of life goes to beat_url, or to the address that is the secret beat_secret, and to every
    MQTT broker, every beat_every_min.
    """

    quiet_hours: HoursText | None = None
    evening_summary: bool = False
    evening_at: TimeText | None = None
    morning_summary: bool = False
    repeat_every_min: float = Field(default=15, ge=1, le=240)
    secrets: str = "secrets.toml"
    beat_url: Address | None = None
    beat_secret: SecretName | None = None
    beat_every_min: float = Field(default=5, ge=1, le=1440)


class ChannelEntry(Table):
    """[[channels]]; one way to a person. Which keys a kind needs and takes is in `channel_check.KEYS`.

    The secret is a password for mqtt and email, and the whole address for apprise and hook. pin is the number
    after GPIO in the pin's name.
    """

    name: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$")
    kind: Kind
    least_priority: Priority = "medium"
    secret: SecretName | None = None
    url: Address | None = None
    host: Annotated[str, AfterValidator(_host)] | None = None
    port: int | None = Field(default=None, ge=1, le=65535)
    security: Literal["tls", "starttls", "none"] | None = None
    user: str | None = Field(default=None, min_length=1)
    sender: MailAddress | None = None
    to: Annotated[tuple[MailAddress, ...], Field(strict=False)] = ()
    prefix: Annotated[str, AfterValidator(_topic)] = "nightbank"
    pin: int | None = Field(default=None, ge=0, le=27)
    active_high: bool = True
