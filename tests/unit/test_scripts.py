"""The joined script: remarks leave it, nothing else does."""

from pathlib import Path

import pytest

import dashboard
from dashboard.scripts import unremarked

FOLDER = Path(dashboard.__file__).parent
OURS = sorted([*FOLDER.glob("assets/*.js"), *FOLDER.glob("library/regenerator*.js")])


def test_remarks_go_and_what_only_looks_like_one_stays():
    script = b"""/* What it does,
   in two lines. */
const page = "http://192.0.2.7/"; // here
  // a line of its own
const a = 8 /* two */ / 2;
"""
    assert unremarked(script) == (b'const page = "http://192.0.2.7/"; // here\nconst a = 8 /* two */ / 2;\n')


def test_a_licence_stays():
    runtime = (FOLDER / "library" / "regenerator-runtime-0.14.1.js").read_bytes()
    assert b"Copyright" in unremarked(runtime)
    assert len(unremarked(runtime)) < 0.8 * len(runtime)


@pytest.mark.parametrize("path", OURS, ids=lambda path: path.name)
def test_no_script_of_ours_has_a_text_of_several_lines(path):
    """Only in such a text could a line be taken for a remark by mistake."""
    lines = unremarked(path.read_bytes()).splitlines()
    assert [line for line in lines if line.count(b"`") % 2] == []
