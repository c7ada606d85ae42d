"""Places of the program drawn by a seed, each with a name that outlives what becomes of other lines."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass

from tests.mutants.changes import Spot, spots
from tests.mutants.copies import TREE


@dataclass(frozen=True)
class Place:
    """Where one change is made. key tells it from all others of the tree, digest what the file is like."""

    file: str
    spot: Spot
    key: str
    digest: str


def places_in(file: str, source: str) -> list[Place]:
    """All places of a module. Equal lines are told apart by their order."""
    lines, seen = source.splitlines(), Counter[str]()
    digest = hashlib.sha256(source.encode("utf-8")).hexdigest()
    found = []
    for spot in spots(source):
        text = " ".join(line.strip() for line in lines[spot.first_line - 1 : spot.last_line])
        found.append(Place(file, spot, f"{file}: {text} ({seen[text]})", digest))
        seen[text] += 1
    return found


def drawn(room: str, count: int, seed: int) -> list[Place]:
    """So many places of a room, each as likely as any other."""
    files = sorted((TREE / "monitor" / room).glob("*.py"))
    every = [
        place for file in files for place in places_in(str(file.relative_to(TREE)), file.read_text("utf-8"))
    ]
    every.sort(key=lambda place: hashlib.sha256(f"{seed} {place.key}".encode()).digest())
    return sorted(every[:count], key=lambda place: (place.file, place.spot.first_line, place.key))
