"""The table of a site file that says where readings are copied to: [[mirrors]]."""

from __future__ import annotations

from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from monitor.site.channel_tables import Address, SecretName
from monitor.site.table import Table, told

Sent = Literal["measured", "derived", "estimated", "days"]


def _server(url: str) -> str:
    parts = urlsplit(url)
    if parts.query or parts.fragment or parts.path.rstrip("/").endswith(("/write", "/query")):
        raise told(
            "is more than the server's own address; write it without /api/v2/write and what follows it, "
            'like "https://hub.example:8086"'
        )
    return url.rstrip("/")


def _bucket(name: str) -> str:
    if "/" in name or name.startswith("_") or not name.isprintable():
        raise told(
            f"{name!r} is not a name that every server takes; write it without slash (no retention policy in "
            'it) and not beginning with _, like "nightbank"'
        )
    return name


def _some_once(names: tuple[str, ...]) -> tuple[str, ...]:
    if not names or len(set(names)) < len(names):
        raise told('must name something, and nothing twice, like ["measured", "days"]')
    return names


class MirrorEntry(Table):
    """[[mirrors]]; a time-series server that takes line protocol at /api/v2/write.

    secret is the name of the token in the secrets file or among systemd's credentials. ca is the path
    (relative to the site file) of the certificates to trust, for a server that signs its own.

    send names what is copied: what devices gave ('measured', imported readings too), what follows from it
    ('derived'), what the estimator says ('estimated'), the statistics of each finished day of all these
    ('days'; alone: of what was measured and derived). New readings go every every_s; what has waited goes at
    most lines_per_s a second.
    """

    name: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$")
    url: Annotated[Address, AfterValidator(_server)]
    bucket: Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_bucket)]
    org: str = Field(default="", max_length=64)
    secret: SecretName | None = None
    ca: str | None = Field(default=None, min_length=1)
    send: Annotated[tuple[Sent, ...], Field(strict=False), AfterValidator(_some_once)] = ("measured",)
    every_s: float = Field(default=60, ge=1, le=3600)
    lines_per_s: float = Field(default=500, ge=1, le=100_000)
