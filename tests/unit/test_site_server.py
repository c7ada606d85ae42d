"""The site file's [store.server]: what is refused, with what advice, and what to bear in mind."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import SiteError
from monitor.site.check import contradictions
from monitor.site.load import load_site
from tests.unit.site_files import MARSH_HIDE

GOOD = {"url": '"https://hub.example:8086"', "bucket": '"hide"'}
MIRROR = '\n[[mirrors]]\nname = "hub"\nurl = "https://other.example"\nbucket = "hide"\n'


def loaded(tmp_path: Path, table: dict[str, str], more: str = ""):
    text = f"{MARSH_HIDE}\n[store.server]\n" + "".join(f"{key} = {value}\n" for key, value in table.items())
    (tmp_path / "hide.toml").write_text(text + more)
    return load_site(tmp_path / "hide.toml")


def findings(site) -> dict[str, tuple[str, str]]:
    return {each.key: (each.severity, each.text) for each in contradictions(site)}


def test_a_site_without_the_table_keeps_its_readings_itself(tmp_path: Path) -> None:
    (tmp_path / "hide.toml").write_text(MARSH_HIDE)
    assert load_site(tmp_path / "hide.toml").store.server is None


def test_url_and_bucket_are_enough_and_stand_beside_the_other_keys(tmp_path: Path) -> None:
    store = loaded(tmp_path, GOOD, "[store]\ncommit_every_s = 30\n").store
    assert store.server is not None
    assert (store.server.url, store.server.secret, store.commit_every_s) == (
        "https://hub.example:8086",
        None,
        30,
    )


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        ({"bucket": '"hide/autogen"'}, "bucket", "without slash"),
        ({"url": '"https://hub.example/query"'}, "url", "write it without"),
        ({"token": '"abc"'}, "token", "known here: bucket, ca, org, secret, url"),
        ({"secret": '"the token itself=="'}, "secret", "never the secret itself"),
    ],
)
def test_a_fault_is_told_with_key_line_and_advice(
    tmp_path: Path, change: dict[str, str], key: str, words: str
) -> None:
    with pytest.raises(SiteError) as caught:
        loaded(tmp_path, GOOD | change)
    (problem,) = caught.value.problems
    line = (tmp_path / "hide.toml").read_text().splitlines()[problem.line - 1]
    assert (problem.key, line.split(" = ")[0]) == (f"store.server.{key}", key)
    assert words in problem.text


def test_what_is_missing_is_told_under_the_tables_whole_name(tmp_path: Path) -> None:
    with pytest.raises(SiteError) as caught:
        loaded(tmp_path, {"url": GOOD["url"]})
    (problem,) = caught.value.problems
    assert problem.key == "store.server.bucket"
    assert "add a line 'bucket = ...' to [store.server]" in problem.text


def test_a_server_that_is_no_table_is_told_how_to_write_it(tmp_path: Path) -> None:
    (tmp_path / "hide.toml").write_text(f'{MARSH_HIDE}\n[store]\nserver = "hub"\n')
    with pytest.raises(SiteError, match=r"write \[store\.server\] on a line of its own"):
        load_site(tmp_path / "hide.toml")


def test_the_check_says_what_follows(tmp_path: Path) -> None:
    severity, text = findings(loaded(tmp_path, GOOD))["store.server"]
    assert severity == "note"
    assert "https://hub.example:8086" in text
    assert "nowhere else" in text


def test_a_token_in_the_clear_is_noted(tmp_path: Path) -> None:
    table = GOOD | {"url": '"http://192.0.2.9:8086"', "secret": '"hub"'}
    assert findings(loaded(tmp_path, table))["store.server.url"][0] == "note"
    assert "store.server.url" not in findings(loaded(tmp_path, GOOD | {"secret": '"hub"'}))


def test_mirrors_beside_it_contradict(tmp_path: Path) -> None:
    assert findings(loaded(tmp_path, GOOD, MIRROR))["mirrors[0]"][0] == "error"
