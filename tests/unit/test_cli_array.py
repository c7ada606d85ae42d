"""`nightbank array`: over a store that `nightbank import` filled, with the almanac's own process."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.site.load import load_site
from monitor.sun.expected import clear_days, supply_of
from tests.unit.site_files import MARSH_HIDE

FIRST, DAYS = datetime(2026, 6, 1, tzinfo=UTC), 12
OPENED, CLOSED = datetime(2026, 6, 8, 9, tzinfo=UTC), datetime(2026, 6, 9, 14, tzinfo=UTC)
"""When the invented array's disconnect is open."""


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def hide(tmp_path_factory):
    """A site under a clear sky at nine tenths of its power, but for the hours its disconnect is open."""
    folder = tmp_path_factory.mktemp("hide")
    path = folder / "hide.toml"
    path.write_text(MARSH_HIDE.replace("Europe/London", "UTC"), encoding="utf-8")
    days = [(FIRST + timedelta(days=at)).date() for at in range(DAYS)]
    clear = clear_days(supply_of(load_site(path)), days)
    lines = ["time,battery_voltage_V,array_voltage_V,array_power_W,charge_current_A,charge_stage"]
    for steps in clear.values():
        for step in steps:
            time = datetime.fromtimestamp(step.start_ms / 1000, UTC)
            power_W = 0.0 if OPENED <= time < CLOSED else round(0.9 * step.passed_W, 1)
            lit, volts = power_W > 0, 18.2 * (1 - 0.0042 * (step.module_C - 25))
            lines.append(
                f"{time.isoformat()},{12.9 if lit else 12.4},{volts if lit else 0.0:.2f},{power_W},"
                f"{power_W * 0.95 / 12.9:.2f},{1 if lit else 0}"
            )
    log = folder / "log.csv"
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run("import", path, log).exit_code == 0
    return path


def test_the_document_has_the_promised_form_and_the_open_disconnect(hide):
    document = json.loads(run("array", hide, "--json").stdout)
    assert list(document) == ["findings"]
    (finding,) = document["findings"]
    assert list(finding) == ["kind", "start", "end", "size", "confidence", "evidence", "look_first"]
    assert (finding["kind"], finding["start"], finding["end"]) == (
        "array_open",
        "2026-06-08T09:00:00Z",
        "2026-06-09T14:00:00Z",
    )
    assert finding["confidence"] > 0.8


def test_words_say_what_to_look_at_and_what_it_rests_on(hide):
    words = run("array", hide).stdout
    assert "The array was disconnected, 8 Jun 2026 09:00 to 9 Jun 2026 14:00" in words
    assert "disconnect or breaker" in " ".join(words.split())
    assert "12 days with readings" in words


def test_days_before_the_fault_are_told_to_be_fine_in_one_calm_sentence(hide):
    words = run("array", hide, "--to", "2026-06-06").stdout
    assert words.startswith(
        "Nothing is wrong with the array as far as the readings show (6 days with readings"
    )
    assert words.count("\n") == 1
    document = json.loads(run("array", hide, "--to", "2026-06-06", "--json").stdout)
    assert document == {"findings": []}


def test_wrong_days_are_told_in_words(hide):
    result = run("array", hide, "--from", "June")
    assert result.exit_code == 2
    assert "'June' is no date" in result.stderr
