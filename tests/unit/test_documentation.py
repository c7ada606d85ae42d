"""What the manuals show must work: their examples are loaded, their commands exist."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.alarms.rules import rules_of
from monitor.cli import main
from monitor.devices.profile_file import load_profile
from monitor.site.load import load_site, with_defaults

ROOT = Path(__file__).resolve().parents[2]
PROFILES = ROOT / "monitor/devices/profiles/README.md"
README = ROOT / "README.md"


def blocks(page, language):
    return re.findall(rf"```{language}\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize(
    "text", blocks(PROFILES, "toml"), ids=["registers", "sunspec", "text", "sentence", "time"]
)
def test_the_profile_examples_load(tmp_path, text):
    (tmp_path / "example.toml").write_text(text, encoding="utf-8")
    profile = load_profile(tmp_path / "example.toml")
    assert "battery_voltage_V" in profile.quantities or profile.time.places == (1, 9)


def test_the_readmes_tables_fit_a_site_file(tmp_path, site_text_without_devices):
    examples = "".join(blocks(README, "toml"))
    (tmp_path / "site.toml").write_text(site_text_without_devices + examples, encoding="utf-8")
    site, _ = with_defaults(load_site(tmp_path / "site.toml"))
    assert [device.name for device in site.devices] == ["shunt", "charger"]
    rules = {rule.name: rule for rule in rules_of(site)}
    assert (rules["Low voltage"].set_point, rules["Cold shed"].set_point) == (12.0, -5)
    assert "No full charge" not in rules


@pytest.fixture
def site_text_without_devices():
    text = (ROOT / "monitor/demo_site.toml").read_text(encoding="utf-8")
    return text[: text.index("[[devices]]")]


def test_the_readmes_record_is_estimated_row_by_row(tmp_path):
    (record,) = blocks(README, "csv")
    header = re.search(r"one comes out: `(time,.*?)`", README.read_text(encoding="utf-8")).group(1)
    done = CliRunner().invoke(
        main, ["estimate", "--bank", str(ROOT / "monitor/demo_site.toml")], input=record
    )
    assert done.exit_code == 0, done.output
    said, *rows = done.stdout.splitlines()
    assert said == header
    assert [row.split(",")[0] for row in rows] == [row.split(",")[0] for row in record.splitlines()[1:]]


def test_every_command_that_the_readme_names_exists():
    named = set(re.findall(r"^nightbank (\w+)", "\n".join(blocks(README, "sh")), re.MULTILINE))
    assert {"site", "monitor", "page", "now", "export", "import", "rebuild", "estimate"} <= named
    for command in named:
        assert CliRunner().invoke(main, [command, "--help"]).exit_code == 0, command


@pytest.mark.parametrize(
    "command",
    [
        "demo", "monitor", "page", "now", "export", "import", "estimate", "rebuild", "notify", "pin", "log",
        "mirror", "fleet simulate", "site check", "site new", "find", "scan",
    ],
)  # fmt: skip
def test_every_commands_help_has_an_example(command):
    said = CliRunner().invoke(main, [*command.split(), "--help"])
    assert said.exit_code == 0
    assert f"nightbank {command} " in said.output.split("Example", 1)[1]
