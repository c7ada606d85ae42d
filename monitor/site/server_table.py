"""The keys of a site file by which a time-series server is reached."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from monitor.site.channel_tables import Address, SecretName
from monitor.site.table import Table, told


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


class ServerKeys(Table):
    """A time-series server that takes line protocol at /api/v2/write.

    secret is the name of the token in the secrets file or among systemd's credentials. ca is the path
    (relative to the site file) of the certificates to trust, for a server that signs its own.
    """

    url: Annotated[Address, AfterValidator(_server)]
    bucket: Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_bucket)]
    org: str = Field(default="", max_length=64)
    secret: SecretName | None = None
    ca: str | None = Field(default=None, min_length=1)
