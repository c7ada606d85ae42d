"""What the rooms of monitor/ say of themselves: each names all of its modules, and no other."""

import ast
import re
from pathlib import Path

import pytest

MONITOR = Path(__file__).resolve().parents[2] / "monitor"
ROOMS = sorted(page.parent for page in MONITOR.rglob("__init__.py"))


def said_by(room):
    return ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""


def parts_of(room):
    """The modules and rooms that lie directly in a room."""
    modules = {file.stem for file in room.glob("*.py")} - {"__init__", "__main__"}
    return modules | {page.parent.name for page in room.glob("*/__init__.py")}


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: str(room.relative_to(MONITOR.parent)))
def test_a_room_names_all_that_lies_in_it(room):
    said = said_by(room)
    missing = [name for name in sorted(parts_of(room)) if not re.search(rf"\b{name}\b", said)]
    # a command's module bears the command's name, which the list of commands tells
    assert room.name == "commands" or not missing, f"not named: {', '.join(missing)}"


def test_the_whole_names_no_room_that_is_not_there():
    listed = re.findall(r"(?m)^    ([a-z_]+(?:, [a-z_]+)*) {2,}", said_by(MONITOR))
    named = {name for line in listed for name in line.split(", ")}
    assert named <= parts_of(MONITOR), named - parts_of(MONITOR)
    assert parts_of(MONITOR) <= named, parts_of(MONITOR) - named
