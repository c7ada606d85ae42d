"""What an installation is made of: the list is whole, the bill follows its standard, damage is found.

Judges: CycloneDX's own schema as its Python library carries it; pip, which installs and notes the files.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
import sys
import zipfile
from importlib.metadata import distribution
from pathlib import Path

import pytest
from click.testing import CliRunner
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

from monitor.cli import main
from monitor.installed import files_of, inside, inside_wrong, packages

PROJECT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def bill():
    told = CliRunner().invoke(main, ["installed", "--cyclonedx"])
    assert told.exit_code == 0, told.output
    return json.loads(told.stdout)


def test_the_bill_follows_the_schema_of_its_standard(bill):
    judge = JsonStrictValidator(SchemaVersion.V1_5)
    assert judge.validate_str(json.dumps(bill)) is None
    assert judge.validate_str(json.dumps(bill | {"components": [{"type": "part"}]})) is not None


def test_the_bill_with_the_tests_own_packages_follows_it_too():
    told = CliRunner().invoke(main, ["installed", "--cyclonedx", "--extra", "test"])
    assert JsonStrictValidator(SchemaVersion.V1_5).validate_str(told.stdout) is None
    refs = [each["bom-ref"] for each in json.loads(told.stdout)["components"]]
    assert "pkg:pypi/pytest" in {ref.split("@")[0] for ref in refs}
    assert len(refs) == len(set(refs))


RUNNING = """
import sys
from importlib.metadata import packages_distributions
import dashboard.server, monitor.cli, monitor.devices.tcp, monitor.mirror, monitor.notices.apprise_process
import monitor.notices.channels.mqtt, monitor.notices.channels.pin, monitor.served.server, monitor.service
import monitor.sun.almanac
of = packages_distributions()
print(*{each for name in sys.modules for each in of.get(name, ())}, sep="\\n")
"""


def test_whatever_the_processes_import_is_in_the_bill(bill):
    running = subprocess.run([sys.executable, "-c", RUNNING], capture_output=True, text=True, check=True)
    loaded = {re.sub(r"[-_.]+", "-", name).lower() for name in running.stdout.split()}
    assert {"dash", "numpy", "pymodbus", "scipy", "urllib3"} <= loaded
    # by pandas, plotly and requests where they are there; here the tests bring them
    taken_along = {"pyarrow", "pillow", "pysocks"}
    assert loaded - taken_along - {"nightbank"} <= {each["name"] for each in bill["components"]}


def test_pip_tells_the_same_versions(bill):
    command = [sys.executable, "-m", "pip", "list", "--format=json", "--disable-pip-version-check"]
    listed = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    versions = {re.sub(r"[-_.]+", "-", each["name"]).lower(): each["version"] for each in listed}
    packages = [each for each in bill["components"] if each["bom-ref"].startswith("pkg:pypi/")]
    assert len(packages) > 40
    assert {each["name"]: each["version"] for each in packages}.items() <= versions.items()


def test_every_package_of_the_bill_is_reached_from_ours(bill):
    on = {each["ref"]: each["dependsOn"] for each in bill["dependencies"]}
    reached, waiting = set(), [bill["metadata"]["component"]["bom-ref"]]
    while waiting:
        ref = waiting.pop()
        if ref not in reached:
            reached.add(ref)
            waiting += on.get(ref, [])
    system = {each["bom-ref"] for each in bill["components"] if each["type"] == "platform"}
    assert {each["bom-ref"] for each in bill["components"]} - system <= reached


def test_the_list_says_each_licence_or_that_it_is_not_told():
    lines = CliRunner().invoke(main, ["installed"]).stdout.splitlines()
    by_name = {line.split()[0]: line.split(maxsplit=2)[2] for line in lines if line.startswith("  ")}
    assert by_name["numpy"] == (distribution("numpy").metadata["License-Expression"] or "BSD License")
    assert by_name["nightbank"] == "MIT"
    assert "Apache-2.0" in by_name["pysunspec2"]


def test_files_of_others_are_those_that_the_library_s_manual_names():
    manual = (PROJECT / "dashboard/library/README.md").read_text(encoding="utf-8")
    there = {path.name for path in (PROJECT / "dashboard/library").glob("*.js")}
    named = {path.name: (part, path) for part in inside() if (path := Path(part.path)).suffix == ".js"}
    assert named.keys() == there
    for name, (part, _) in named.items():
        assert f"{part.sha256}  {name}" in manual
        assert f"npm package {part.name} {part.version}" in manual
    assert [inside_wrong(part) for part in inside()] == [None] * len(inside())


def wheel(folder: Path, name: str, version: str, requires: tuple[str, ...] = ()) -> Path:
    """A small wheel (Python packaging authority, 'Binary distribution format')."""
    info = f"{name}-{version}.dist-info"
    lines = ["Metadata-Version: 2.1", f"Name: {name}", f"Version: {version}"]
    held = {
        f"{name}.py": b"voltage_V = 12.5\n",
        f"{info}/METADATA": "\n".join(
            [*lines, "License: MIT", *(f"Requires-Dist: {each}" for each in requires), ""]
        ).encode(),
        f"{info}/WHEEL": b"Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = [
        f"{path},sha256={base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b'=').decode()},{len(data)}"
        for path, data in held.items()
    ]
    path = folder / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as into:
        for each, data in held.items():
            into.writestr(each, data)
        into.writestr(f"{info}/RECORD", "\n".join([*record, f"{info}/RECORD,,", ""]))
    return path


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder into which pip has installed two packages; the first wants more than is there."""
    tmp_path = tmp_path_factory.mktemp("wheels")
    wheels = [
        wheel(tmp_path, "hide", "1.0", ("marsh>=2", "reed", 'heath; python_version < "3"')),
        wheel(tmp_path, "marsh", "1.5"),
    ]
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target"]
    subprocess.run([*command, tmp_path / "there", *wheels], check=True, capture_output=True)
    return tmp_path / "there"


def test_what_does_not_fit_together_is_told(place):
    hide, marsh = packages(path=[str(place)], root="hide")
    assert hide.wrong == ("needs marsh >=2, installed is 1.5", "needs reed, which is not installed")
    assert (marsh.name, marsh.version, marsh.wrong) == ("marsh", "1.5", ())


def test_a_file_that_changed_or_went_is_told(place):
    hide, marsh = packages(path=[str(place)], root="hide")
    assert files_of(marsh.distribution).wrong == ()
    assert files_of(marsh.distribution).count >= 3
    (place / "marsh.py").write_text("voltage_V = 13.5\n")
    (place / "hide.py").unlink()
    assert files_of(marsh.distribution).wrong == ("marsh.py: is not as it was installed",)
    assert files_of(hide.distribution).wrong == ("hide.py: cannot be read",)


def test_the_check_of_this_installation_says_what_it_cannot_tell():
    told = CliRunner().invoke(main, ["installed", "--check"])
    assert (told.exit_code, "nothing wrong" in told.stdout) == (0, True), told.output
    assert "Not checked, since it takes a network" in told.stdout


def test_wrong_use_is_told():
    assert CliRunner().invoke(main, ["installed", "--cyclonedx", "--check"]).exit_code == 2
    refused = CliRunner().invoke(main, ["installed", "--extra", "fur"])
    assert refused.exit_code == 2
    assert "parquet" in refused.stderr
