"""Two sites of one name that send to one bucket are told of it, instead of being mixed in silence."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from monitor.cli import main
from monitor.store.embedded import open_reader
from tests.interop.series_servers import Gate
from tests.interop.sites_world import a_site

WORDS = "Another computer sends to the same bucket under this site's name"


def once(file: Path) -> None:
    sent = CliRunner().invoke(main, ["mirror", str(file), "once"])
    assert sent.exit_code == 0, sent.output


def told(file: Path) -> list[str]:
    with open_reader(file.with_name("nightbank.db")) as reader:
        return [event.text for event in reader.events(0, 2**50) if event.kind == "mirror"]


def test_a_second_site_of_the_same_name_is_told_once(gate: Gate, tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
    first = a_site(tmp_path / "a", "Twin", gate.url)
    once(first)
    assert told(first) == []
    second = a_site(tmp_path / "b", "Twin", gate.url, more='\n[[loads]]\nname = "lamp"\npower_W = 5\n')
    for _ in range(2):
        once(first)
        assert [text.startswith(WORDS) for text in told(first)] == [True]
    assert told(second) == []


def test_a_site_file_that_has_changed_is_no_other_site(gate: Gate, tmp_path: Path) -> None:
    file = a_site(tmp_path, "Twin", gate.url)
    file.write_text(file.read_text(encoding="utf-8") + "\n# another word\n", encoding="utf-8")
    once(file)
    once(file)
    assert told(file) == []
