"""The file of a page of many sites: what it needs, and how a fault is told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.errors import SiteError
from monitor.site.sites_file import load_sites

SERVER = '[server]\nurl = "https://hub.example:8086"\nbucket = "nightbank"\n'
HIDE = '[[sites]]\nname = "Marsh hide"\npage = "http://192.0.2.10:8480/"\n'


def loaded(tmp_path: Path, text: str):
    (tmp_path / "sites.toml").write_text(text, encoding="utf-8")
    return load_sites(tmp_path / "sites.toml")


def test_the_server_alone_is_enough(tmp_path: Path) -> None:
    found = loaded(tmp_path, SERVER)
    assert (found.server.bucket, found.page.port, found.sites) == ("nightbank", 8481, ())


def test_a_sites_own_pages_stand_beside_its_name(tmp_path: Path) -> None:
    found = loaded(tmp_path, SERVER + HIDE)
    assert [(each.name, each.page) for each in found.sites] == [("Marsh hide", "http://192.0.2.10:8480")]


def test_the_manuals_file_is_one(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "monitor/mirror/README.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"```ini\n(.*?)```", page, re.DOTALL)
    found = loaded(tmp_path, text)
    assert [each.name for each in found.sites] == ["Marsh hide"]
    assert found.page.reading_needs_pin


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("", "server", "the table [server] is missing; it needs url, bucket"),
        ('[server]\nbucket = "a"\n', "server.url", "add a line 'url = ...' to [server]"),
        (SERVER + "[page]\nport = 80\n", "page.port", "below the smallest allowed value 1024"),
        (SERVER + "[pages]\nport = 8481\n", "pages", "did you mean 'page'?"),
        (SERVER + '[page]\nhostname = "a"\n', "page.hostname", "did you mean 'host'?"),
        (SERVER + '[[sites]]\nname = "A"\n', "sites[0].page", "add a line 'page = ...' to [[sites]]"),
        (SERVER + '[[sites]]\nname = "A"\npage = "hide"\n', "sites[0].page", "is no address"),
        (SERVER + HIDE + HIDE, "sites[1].name", "is used already on line 5"),
    ],
)
def test_a_fault_is_told_with_key_and_advice(tmp_path: Path, text: str, key: str, words: str) -> None:
    with pytest.raises(SiteError) as caught:
        loaded(tmp_path, text)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert words in problem.text


def test_a_site_file_in_its_place_is_refused_with_what_is_known(tmp_path: Path) -> None:
    with pytest.raises(SiteError) as caught:
        loaded(tmp_path, '[site]\nname = "Hide"\n')
    told = {problem.key: problem.text for problem in caught.value.problems}
    assert "unknown table" in told["site"]
