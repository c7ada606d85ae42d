"""`nightbank care` as a person types it, over a store with readings and without one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.clock import SystemClock
from monitor.records import Reading
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE


@pytest.fixture
def hide(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(MARSH_HIDE, encoding="utf-8")
    return file


def asked(file: Path, line: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["care", str(file), *line.split()])
    return done.exit_code, " ".join(done.output.split())


def estimate(file: Path, soc: float, sd: float) -> None:
    """Leave an estimate of this moment in the site's store."""
    now_ms = SystemClock().now_ms()
    with_names = {"state_of_charge": soc, "state_of_charge_sd": sd, "bank_capacity_Ah": 400.0}
    store = open_writer(file.parent / "nightbank.db", "Europe/London")
    store.append(Reading(now_ms, "estimate", name, value) for name, value in with_names.items())
    store.commit()
    store.close()


def test_a_bank_with_enough_charge_may_stand_out(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -20 --charge 80")
    assert status == 0
    # 60 % for -25 °C by makers' tables (-25.5 °C at 60 %, computed), 2 W of the monitor: 4 Ah a day
    assert "it holds 80 % (as given) and needs 59 %" in said
    assert "4.0 Ah to the 2 W" in said
    assert "Never charge a frozen battery" in said


def test_a_bank_at_risk_is_told_by_words_and_exit_status(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -20 --charge 45 --heater 30")
    assert status == 1
    assert said.startswith("At risk: it holds 45 %")
    assert "A heater of 30 W would take 60 Ah a day" in said  # 720 Wh at 12 V (arithmetic)


def test_the_charge_is_the_lower_end_of_the_stores_estimate(hide: Path) -> None:
    estimate(hide, 0.8, 0.05)  # told with a band of two deviations (our choice), so 70 % at its lower end
    status, said = asked(hide, "winter --coldest -20 --json")
    told = json.loads(said)
    assert status == 0
    assert told["charge"] == pytest.approx(0.7)
    assert told["capacity_Ah"] == 400
    assert told["safe_now"] is True
    assert told["days_safe"] == pytest.approx((told["charge"] - told["least_charge"]) * 400 / 5.45, rel=0.02)


def test_an_unknown_charge_is_said_to_be_unknown(hide: Path) -> None:
    open_writer(hide.parent / "nightbank.db", "Europe/London").close()
    status, said = asked(hide, "winter --coldest -20")
    assert status == 1
    assert "how much it holds is not known" in said
    assert "--charge" in said


def test_where_even_a_full_bank_freezes_it_must_come_in(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -65 --charge 100")
    assert status == 1
    assert said.startswith("Bring it in or keep it warm")


def test_lithium_is_told_of_charging_in_the_cold_and_not_of_acid(hide: Path) -> None:
    text = hide.read_text(encoding="utf-8")
    lithium = text.replace('chemistry = "flooded"', 'chemistry = "lifepo4"')
    assert lithium != text
    hide.write_text(lithium, encoding="utf-8")
    _, said = asked(hide, "winter --coldest -20 --charge 80")
    assert "must not be charged below 0 °C" in said
    assert "sulphuric" not in said


def test_an_impossible_charge_is_refused(hide: Path) -> None:
    status, said = asked(hide, "winter --charge 120")
    assert status == 2
    assert "'120' is no number from 0 to 100 %" in said
