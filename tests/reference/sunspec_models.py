"""Makes `monitor/devices/sunspec/models.json` from the model definitions that pysunspec2 carries.

    python -m tests.reference.sunspec_models            # write the file anew
    python -m tests.reference.sunspec_models --check    # exit status 1 where it would differ

The definitions are the SunSpec Alliance's, Apache License 2.0; the file says so. Kept are the models that
concern a small battery system, with names, types, sizes, scale factors, units and groups; of the other
standard models the label alone. Makers' private models (64000 and above) and the test models are left out.
"""

from __future__ import annotations

import json
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import sunspec2.device

TARGET = Path(__file__).parents[2] / "monitor/devices/sunspec/models.json"
KEPT: tuple[int, ...] = (
    1,
    101,
    102,
    103,
    111,
    112,
    113,
    160,
    201,
    202,
    203,
    204,
    211,
    212,
    213,
    214,
    401,
    402,
    403,
    404,
    501,
    502,
)
KEPT += (713, 714, 802, 803, 804, 805, 806, 807, 808, 809)
STANDARD_BELOW = 63000

Table = dict[str, Any]


def group(found: Table) -> Table:
    points = [
        [point["name"], point["type"], point["size"], point.get("sf"), point.get("units", "")]
        for point in found.get("points", [])
    ]
    made: Table = {"name": found["name"], "points": points}
    if "count" in found:
        made["count"] = found["count"]
    if found.get("groups"):
        made["groups"] = [group(inner) for inner in found["groups"]]
    return made


def definitions() -> Table:
    """What the file holds."""
    folder = Path(sunspec2.device.models_dir) / "json"
    numbers = sorted(int(path.stem.removeprefix("model_")) for path in folder.glob("model_*.json"))
    models: Table = {}
    for number in (one for one in numbers if one < STANDARD_BELOW):
        found = json.loads((folder / f"model_{number}.json").read_text(encoding="utf-8"))["group"]
        models[str(number)] = {"label": found.get("label", "")} | (
            {"group": group(found)} if number in KEPT else {}
        )
    return {
        "about": "SunSpec model definitions of the SunSpec Alliance as carried by its library pysunspec2, "
        "shortened by tests/reference/sunspec_models.py; Apache License 2.0, see models.LICENSE.",
        "pysunspec2": version("pysunspec2"),
        "points": ["name", "type", "size", "scale factor", "units"],
        "models": models,
    }


def text() -> str:
    """The file's content: a model a line."""
    made = definitions()
    models = made.pop("models")
    head = json.dumps(made, indent=1)[:-2]
    lines = ",\n".join(
        f'"{number}": {json.dumps(model, separators=(",", ":"))}' for number, model in models.items()
    )
    return f'{head},\n "models": {{\n{lines}\n}}\n}}\n'


if __name__ == "__main__":
    if "--check" in sys.argv[1:]:
        sys.exit(TARGET.read_text(encoding="utf-8") != text())
    TARGET.write_text(text(), encoding="utf-8")
