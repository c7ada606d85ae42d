"""What the manuals show must work: examples are loaded, commands exist, links lead somewhere."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.alarms.rules import rules_of
from monitor.cli import main
from monitor.devices.profile_file import load_profile
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site

ROOT = Path(__file__).resolve().parents[2]
PROFILES = ROOT / "monitor/devices/profiles/README.md"
ROOMS = ("dashboard", "monitor", "systemd")
MANUALS = [ROOT / "README.md", *(page for room in ROOMS for page in ROOT.glob(f"{room}/**/README.md"))]
"""What a user reads; PAGES is all of it."""
PAGES = [*ROOT.glob("*.md"), *(page for room in (*ROOMS, "tests") for page in ROOT.glob(f"{room}/**/*.md"))]


def blocks(page, language):
    return re.findall(rf"```{language}\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)


def anchors(page):
    """The names by which headings are linked: small letters, hyphens for blanks, nothing else (as common
    renderers of Markdown make them; no standard)."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if not target.startswith("http"):
            file, _, anchor = target.partition("#")
            there = page.parent / file if file else page
            assert there.exists(), target
            assert not anchor or anchor in anchors(there / "README.md" if there.is_dir() else there), target


@pytest.mark.parametrize(
    "text", blocks(PROFILES, "toml"), ids=["registers", "sunspec", "text", "sentence", "time"]
)
def test_the_profile_examples_load(tmp_path, text):
    (tmp_path / "example.toml").write_text(text, encoding="utf-8")
    profile = load_profile(tmp_path / "example.toml")
    assert "battery_voltage_V" in profile.quantities or profile.time.places == (1, 9)


def with_example(text, example):
    """A site file with the tables of an example; keys of a table that is there already join it."""
    for table in re.split(r"(?m)^(?= *\[)", example):
        header, _, keys = table.strip().partition("\n")
        there = re.search(rf"(?m)^{re.escape(header)}( .*)?$", text) if header[:2] != "[[" else None
        text = f"{text[: there.end()]}\n{keys}{text[there.end() :]}" if there else f"{text}\n{table}"
    return text


def test_the_manuals_tables_fit_a_site_file(tmp_path, site_text_without_devices):
    text = site_text_without_devices
    for page in MANUALS:
        for example in blocks(page, "toml") if page != PROFILES else ():
            text = with_example(text, example)
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    site, _ = with_defaults(load_site(tmp_path / "site.toml"))
    assert [device.name for device in site.devices] == ["shunt", "charger"]
    rules = {rule.name: rule for rule in rules_of(site)}
    assert (rules["Low voltage"].set_point, rules["Cold shed"].set_point) == (12.0, -5)
    assert "No full charge" not in rules


@pytest.fixture
def site_text_without_devices():
    text = (ROOT / "monitor/demo_site.toml").read_text(encoding="utf-8")
    return text[: text.index("[[devices]]")]


def test_the_manuals_record_is_estimated_row_by_row(tmp_path):
    page = ROOT / "monitor/bank/README.md"
    (record,) = blocks(page, "csv")
    header = re.search(r"one comes out: `(time,.*?)`", page.read_text(encoding="utf-8")).group(1)
    done = CliRunner().invoke(
        main, ["estimate", "--bank", str(ROOT / "monitor/demo_site.toml")], input=record
    )
    assert done.exit_code == 0, done.output
    said, *rows = done.stdout.splitlines()
    assert said == header
    assert [row.split(",")[0] for row in rows] == [row.split(",")[0] for row in record.splitlines()[1:]]


def test_the_site_files_page_has_every_table():
    page = (ROOT / "monitor/site/README.md").read_text(encoding="utf-8")
    assert [name for name in Site.model_fields if f"[{name}]" not in page] == []
