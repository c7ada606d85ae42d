"""What the rooms say of themselves: each names all of its modules, and no other."""

import ast
import re
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parents[2]
MONITOR = ROOT / "monitor"
ROOMS = sorted(
    page.parent
    for whole in ("monitor", "dashboard", "simulator")
    for page in ROOT.glob(f"{whole}/**/__init__.py")
)


def said_by(room):
    return ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""


def parts_of(room):
    """The modules and rooms that lie directly in a room."""
    modules = {file.stem for file in room.glob("*.py")} - {"__init__", "__main__"}
    return modules | {page.parent.name for page in room.glob("*/__init__.py")}


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: str(room.relative_to(ROOT)))
def test_a_room_names_all_that_lies_in_it(room):
    said = said_by(room)
    missing = [name for name in sorted(parts_of(room)) if not re.search(rf"\b{name}\b", said)]
    # a command's module bears the command's name, which the list of commands tells
    assert room.name == "commands" or not missing, f"not named: {', '.join(missing)}"


def listed_by(room):
    """The lines of a room's list, each with the names that stand before what they are."""
    lines = re.findall(r"(?m)^    ([a-z_]+(?:, [a-z_]+)*) {2,}", said_by(room))
    return [line.split(", ") for line in lines]


def test_the_whole_names_no_room_that_is_not_there():
    named = {name for names in listed_by(MONITOR) for name in names}
    assert named <= parts_of(MONITOR), named - parts_of(MONITOR)
    assert parts_of(MONITOR) <= named, parts_of(MONITOR) - named


def test_a_module_of_the_page_imports_only_those_below_it_in_the_list():
    graph = grimp.build_graph("dashboard", cache_dir=None)
    place = {name: at for at, names in enumerate(listed_by(ROOT / "dashboard")) for name in names}
    upwards = [
        f"{importer} -> {imported}"
        for importer in graph.modules - {"dashboard"}
        for imported in graph.find_modules_directly_imported_by(importer) - {"dashboard.pages.base"}
        if (above := importer.split(".")[1]) != (below := imported.split(".")[1])
        and place[below] <= place[above]
    ]
    assert upwards == []
