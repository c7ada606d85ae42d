"""What this installation is made of: packages, files of others that ours carry, and the system's parts.

All is read from what lies on the disk: the metadata and the list of files (RECORD) that an installer leaves
beside each package (the Python packaging authority's 'Core metadata' and 'Recording installed projects'), and
`inside.toml`. Nothing is asked of a network.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import platform
import re
import sqlite3
import ssl
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.metadata import Distribution, distributions
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

OWN = "nightbank"

LONGEST_LICENCE = 80
"""Some packages write the whole text into the field for the licence's name: longer is none (our choice)."""

CLASSIFIER = "License :: "


@dataclass(frozen=True, slots=True)
class Licence:
    """What a package says of its licence: an SPDX expression, or a name in words of its own."""

    text: str
    spdx: bool


@dataclass(frozen=True, slots=True)
class Package:
    """An installed package, the installed ones that it needs, and what is wrong with what it needs."""

    name: str
    version: str
    licence: Licence | None
    needs: tuple[str, ...]
    wrong: tuple[str, ...]
    distribution: Distribution


@dataclass(frozen=True, slots=True)
class Inside:
    """A file of others in one of our packages; path is relative to them, address a package URL."""

    name: str
    version: str
    licence: Licence
    address: str
    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Files:
    """The files of a package that carry a checksum: how many, and those that are not as installed."""

    count: int
    wrong: tuple[str, ...]


def packages(extras: Iterable[str] = (), path: list[str] | None = None, root: str = OWN) -> list[Package]:
    """The root package with extras of its and all that it needs here, by name.

    path is where packages are looked for, sys.path by default.
    """
    there: dict[str, Distribution] = {}
    for each in distributions() if path is None else distributions(path=path):
        there.setdefault(canonicalize_name(each.name), each)  # the first on the path is the one imported
    wanted: dict[str, set[str]] = {root: set(extras)}
    waiting = [root] if root in there else []
    while waiting:
        name = waiting.pop()
        for needed in _needed(there[name], wanted[name]):
            key = canonicalize_name(needed.name)
            new = key not in wanted or not needed.extras <= wanted[key]
            wanted.setdefault(key, set()).update(needed.extras)
            if new and key in there:
                waiting.append(key)
    return [_package(there[name], wanted[name], there) for name in sorted(wanted) if name in there]


def own_extras() -> tuple[str, ...]:
    """The extras that our own package offers."""
    found = next((each for each in distributions() if canonicalize_name(each.name) == OWN), None)
    return () if found is None else tuple(_field(found, "Provides-Extra"))


def _needed(distribution: Distribution, extras: set[str]) -> Iterator[Requirement]:
    """What a package requires in this environment, with extras."""
    for text in distribution.requires or ():
        needed = Requirement(text)
        marker = needed.marker
        if marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            yield needed


def _package(distribution: Distribution, extras: set[str], there: dict[str, Distribution]) -> Package:
    needs, wrong = set(), []
    for needed in _needed(distribution, extras):
        key = canonicalize_name(needed.name)
        found = there.get(key)
        if found is None:
            wrong.append(f"needs {needed.name}, which is not installed")
            continue
        needs.add(str(key))
        if not needed.specifier.contains(found.version, prereleases=True):
            wrong.append(f"needs {needed.name} {needed.specifier}, installed is {found.version}")
    return Package(
        canonicalize_name(distribution.name),
        distribution.version,
        licence_of(distribution),
        tuple(sorted(needs)),
        tuple(wrong),
        distribution,
    )


def licence_of(distribution: Distribution) -> Licence | None:
    """The licence as the package's metadata say it: as an expression, by classifiers, or in a word."""
    expression = _field(distribution, "License-Expression")
    if expression:
        return Licence(expression[0], spdx=True)
    said = [each for each in _field(distribution, "Classifier") if each.startswith(CLASSIFIER)]
    names = [each.rsplit(" :: ", 1)[-1] for each in said if each != "License :: OSI Approved"]
    text = " / ".join(names) or " ".join(" ".join(_field(distribution, "License")).split())
    return Licence(text, spdx=False) if 0 < len(text) <= LONGEST_LICENCE and text != "UNKNOWN" else None


def _field(distribution: Distribution, name: str) -> list[str]:
    return list(distribution.metadata.get_all(name) or ())


def files_of(distribution: Distribution) -> Files:
    """Compare a package's files with the checksums that its installer noted.

    What Python compiled is left out: it is made anew from its source, also where a package brings it.
    """
    count, wrong = 0, []
    # The note itself is read: Distribution.files leaves out what is missing (since Python 3.12).
    for name, noted, _ in csv.reader((distribution.read_text("RECORD") or "").splitlines()):
        if not noted or name.endswith(".pyc"):
            continue
        count += 1
        kind, _, value = noted.partition("=")
        try:
            with Path(str(distribution.locate_file(name))).open("rb") as file:
                found = hashlib.file_digest(file, kind).digest()
        except OSError:
            wrong.append(f"{name}: cannot be read")
            continue
        if base64.urlsafe_b64encode(found).rstrip(b"=").decode() != value:
            wrong.append(f"{name}: is not as it was installed")
    return Files(count, tuple(wrong))


def inside() -> list[Inside]:
    """The files of others in our packages, of `inside.toml`."""
    table = tomllib.loads(files("monitor").joinpath("inside.toml").read_text(encoding="utf-8"))
    return [
        Inside(
            part["name"],
            part["version"],
            Licence(part["licence"], spdx=True),
            part["address"],
            part["path"],
            part["sha256"],
        )
        for part in table["part"]
    ]


def inside_wrong(part: Inside) -> str | None:
    """What is wrong with a file of others, None where it is the one of `inside.toml`."""
    package, _, rest = part.path.partition("/")
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        return f"{part.path}: the package {package} is not installed"
    try:
        held = Path(spec.submodule_search_locations[0], rest).read_bytes()
    except OSError:
        return f"{part.path}: cannot be read"
    return None if hashlib.sha256(held).hexdigest() == part.sha256 else f"{part.path}: is not as it was"


def of_the_system() -> list[tuple[str, str]]:
    """What the system brings and keeps up to date, with versions: (name, version)."""
    crypto = re.match(r"(\S+) (\S+)", ssl.OPENSSL_VERSION)
    found = [("python", platform.python_version()), ("sqlite", sqlite3.sqlite_version)]
    return found if crypto is None else [*found, (crypto[1].lower(), crypto[2])]
