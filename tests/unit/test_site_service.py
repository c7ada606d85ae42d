"""A site file where the services look for it: what they could not write or read is told before they try.

systemd.exec(5): ProtectHome=yes makes /home, /root and /run/user empty for the service.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import Problem
from monitor.site.load import read_site, with_defaults
from monitor.site.service_check import SERVICE_SITES, SERVICE_STATE, service_problems
from tests.unit.site_files import changed, line_of, write

UNITS = Path(__file__).parents[2] / "systemd"

AT_HOME = SERVICE_SITES / "hide.toml"

STORE = '\n[store]\npath = "/var/lib/nightbank/hide/nightbank.db"\n'


def found(folder: Path, text: str, file: Path = AT_HOME) -> list[Problem]:
    """What is told of a text that lies in a file."""
    site, lines = read_site(write(folder, text))
    return list(service_problems(with_defaults(site)[0], file, lines))


def test_the_units_look_write_and_are_blind_where_the_check_supposes() -> None:
    for name in ("monitor", "page", "mirror"):
        unit = (UNITS / f"nightbank-{name}@.service").read_text().splitlines()
        assert f"AssertPathExists={SERVICE_SITES}/%i.toml" in unit
        assert {f"StateDirectory={SERVICE_STATE.name}/%i", "ProtectSystem=strict", "ProtectHome=yes"} <= set(
            unit
        )


def test_a_store_where_the_service_may_write_is_fine(tmp_path: Path) -> None:
    assert found(tmp_path, changed(more=STORE)) == []


@pytest.mark.parametrize(
    "path", ["nightbank.db", "/srv/hide/nightbank.db", "/var/lib/nightbank/other/nightbank.db"]
)
def test_a_store_elsewhere_is_an_error_with_the_words_to_write(tmp_path: Path, path: str) -> None:
    text = changed(more=f'[store]\npath = "{path}"\n')
    (problem,) = found(tmp_path, text)
    assert (problem.severity, problem.key) == ("error", "store.path")
    assert problem.line == line_of(text, "path")
    assert 'path = "/var/lib/nightbank/hide/nightbank.db"' in problem.text


@pytest.mark.parametrize(
    ("edit", "more", "key"),
    [
        ('devices.profile = "/home/pia/my-charger.toml"', "", "devices[0].profile"),
        ('devices.profile = "../../root/my-charger.toml"', "", "devices[0].profile"),
        ('site.typical_year = "/home/pia/coast.epw"', "", "site.typical_year"),
        ("site.altitude_m = 4", '[notices]\nsecrets = "/run/user/1000/secrets.toml"\n', "notices.secrets"),
    ],
)
def test_a_file_in_a_home_is_an_error(tmp_path: Path, edit: str, more: str, key: str) -> None:
    (problem,) = found(tmp_path, changed(edit, more=STORE + more))
    assert (problem.severity, problem.key) == ("error", key)
    assert "put it beside the site file" in problem.text


def test_a_site_file_elsewhere_may_name_what_it_likes(tmp_path: Path) -> None:
    assert found(tmp_path, changed('devices.profile = "/home/pia/my.toml"'), tmp_path / "hide.toml") == []
