"""The file that describes a page of many sites: which server they are on, where the page is served.

    [server]
    url = "https://hub.example:8086"
    bucket = "nightbank"
    secret = "hub"

    [page]
    port = 8481

    [[sites]]
    name = "Marsh hide"
    page = "http://192.0.2.10:8480"

All but [server] may be left out: the sites are those that the server knows.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field, ValidationError

from monitor.errors import SiteError
from monitor.site.channel_tables import Address
from monitor.site.faults import problems_from
from monitor.site.load import by_line, used_twice
from monitor.site.model import HostName
from monitor.site.server_table import ServerKeys
from monitor.site.table import Table
from monitor.toml_lines import load_toml


class SitesPage(Table):
    """[page]; where the page of all sites is served, one port above the usual one of a site's own page.

    names are further names by which phones ask for it. reading_needs_pin: nothing is shown before the PIN was
    typed (`nightbank sites FILE pin`), which is kept beside `path`, relative to this file's folder.
    """

    host: str = "0.0.0.0"
    port: int = Field(default=8481, ge=1024, le=65535)
    names: Annotated[tuple[HostName, ...], Field(strict=False)] = ()
    reading_needs_pin: bool = False
    path: str = Field(default="sites", min_length=1)


class SiteEntry(Table):
    """[[sites]]; the address of a site's own pages, where there are some. name is the site's own."""

    name: str = Field(min_length=1, max_length=60)
    page: Annotated[Address, AfterValidator(lambda url: url.rstrip("/"))]


class SitesFile(Table):
    """The whole file. secrets is the path of the secrets file, relative to this one's folder."""

    server: ServerKeys
    secrets: str = "secrets.toml"
    page: SitesPage = SitesPage()
    sites: Annotated[tuple[SiteEntry, ...], Field(strict=False)] = ()


def load_sites(path: Path) -> SitesFile:
    """The page of many sites that a file describes. Raises SiteError with a Problem for each fault."""
    data, lines = load_toml(path)
    problems = list(used_twice(data, "sites", lines))
    found: SitesFile | None = None
    try:
        found = SitesFile.model_validate(data)
    except ValidationError as fault:
        problems += problems_from(fault.errors(), data, lines, SitesFile)
    if found is None or problems:
        raise SiteError(str(path), tuple(sorted(problems, key=by_line)))
    return found
