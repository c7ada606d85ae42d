"""What a site file names that the services of `systemd/` could not reach. Reads no file's content.

Of systemd.exec(5): ProtectHome= hides the homes, ProtectSystem=strict leaves a service its StateDirectory=.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from monitor.errors import Problem
from monitor.site.model import Site
from monitor.toml_lines import TomlLines, TomlPath, dotted

SERVICE_SITES = Path("/etc/nightbank")
"""Where the units look for a site file."""

SERVICE_STATE = Path("/var/lib/nightbank")
"""The only place where they may write, each site into its own folder."""

HOMES = tuple(map(Path, ("/home", "/root", "/run/user")))
"""What ProtectHome= hides."""


def is_of_a_service(file: Path) -> bool:
    """Whether a site file lies where the units look for one."""
    return file.absolute().parent == SERVICE_SITES


def store_of_a_service(file: Path) -> Path:
    """Where the service of a site file keeps its readings."""
    return SERVICE_STATE / file.stem / "nightbank.db"


def service_problems(site: Site, file: Path, lines: TomlLines) -> Iterator[Problem]:
    """What the services could not write or read, of a site file of theirs; of another nothing."""
    if not is_of_a_service(file):
        return
    usual = store_of_a_service(file)
    if usual.parent not in (file.absolute().parent / site.store.path).parents:
        text = f'the services may write nowhere but in {usual.parent}; write path = "{usual}"'
        yield _problem(("store", "path"), text, lines)
    for path, name in _named_files(site):
        there = (file.absolute().parent / name).resolve()
        if any(home in there.parents for home in HOMES):
            text = f"{there} lies in a home, which the services do not see; put it beside the site file"
            yield _problem(path, text, lines)


def _named_files(site: Site) -> Iterator[tuple[TomlPath, str]]:
    """Each file that a site file names, with its key; also names of shipped profiles."""
    for index, device in enumerate(site.devices):
        yield ("devices", index, "profile"), device.profile
    if site.site.typical_year is not None:
        yield ("site", "typical_year"), site.site.typical_year
    yield ("notices", "secrets"), site.notices.secrets
    for index, mirror in enumerate(site.mirrors):
        if mirror.ca is not None:
            yield ("mirrors", index, "ca"), mirror.ca
    if site.store.server is not None and site.store.server.ca is not None:
        yield ("store", "server", "ca"), site.store.server.ca


def _problem(path: TomlPath, text: str, lines: TomlLines) -> Problem:
    return Problem(dotted(path), lines.nearest_line(path), text)
