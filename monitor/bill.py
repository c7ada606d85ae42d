"""What this installation is made of as a software bill of materials in CycloneDX's JSON, version 1.5.

Source: the CycloneDX specification 1.5 (ECMA-424 is its successor); package URLs by the purl specification,
type pypi: the name in small letters with dashes.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from monitor.installed import OWN, Inside, Licence, Package

SPEC_VERSION = "1.5"


def bill(
    packages: Sequence[Package],
    inside: Sequence[Inside],
    system: Sequence[tuple[str, str]],
    at: datetime,
) -> dict[str, Any]:
    """The document, as data for JSON. packages hold our own.

    The same parts have the same serial number, so that two bills can be told apart by it.
    """
    own = next(each for each in packages if each.name == OWN)
    others = [_of_package(each, "library") for each in packages if each is not own]
    others += [_of_file(each) for each in inside]
    others += [_of_system(name, version) for name, version in system]
    needs = {
        _address(each): [_address(other) for other in packages if other.name in each.needs]
        for each in packages
    }
    needs[_address(own)] += [_place(each) for each in inside]
    dependencies = [{"ref": ref, "dependsOn": on} for ref, on in needs.items()]
    main = _of_package(own, "application")
    content = json.dumps([main, others, dependencies], sort_keys=True)
    return {
        "bomFormat": "CycloneDX",
        "specVersion": SPEC_VERSION,
        "serialNumber": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, content)}",
        "version": 1,
        "metadata": {
            "timestamp": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "tools": {"components": [{"type": "application", "name": OWN, "version": own.version}]},
            "component": main,
        },
        "components": others,
        "dependencies": dependencies,
    }


def _address(package: Package) -> str:
    return f"pkg:pypi/{package.name}@{package.version}"


def _place(part: Inside) -> str:
    """How a file is named in the bill: the package that it comes from may be there by itself, too."""
    return f"{OWN}:{part.path}"


def _of_package(package: Package, kind: str) -> dict[str, Any]:
    return {
        "type": kind,
        "bom-ref": _address(package),
        "name": package.name,
        "version": package.version,
        "purl": _address(package),
        **_licences(package.licence),
    }


def _of_file(part: Inside) -> dict[str, Any]:
    return {
        "type": "library",
        "bom-ref": _place(part),
        "name": part.name,
        "version": part.version,
        "purl": part.address,
        "properties": [{"name": f"{OWN}:carried in", "value": part.path}],
        **_licences(part.licence),
    }


def _of_system(name: str, version: str) -> dict[str, Any]:
    return {"type": "platform", "bom-ref": f"system:{name}", "name": name, "version": version}


def _licences(licence: Licence | None) -> dict[str, Any]:
    if licence is None:
        return {}
    return {
        "licenses": [{"expression": licence.text} if licence.spdx else {"license": {"name": licence.text}}]
    }
