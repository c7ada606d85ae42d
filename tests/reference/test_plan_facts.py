"""Sizing of bank and array, step by step, beside the worked examples in the project's facts.

[SAND]: worked example for SAND87-7023's worksheets, a 12 V hut (computed). [CAMP]: training worksheet 'Stand
alone camp, Baton Rouge' (read, its arithmetic re-run). [1013]: example with the factors of IEEE 1013-2019 6.3
(secondary source; computed).
"""

from __future__ import annotations

import pytest

from monitor.plan import sizing
from monitor.plan.draws import Draw, demand
from monitor.site.inverter_table import InverterEntry

HUT = [
    Draw("lamps", "hut", 8, 3, 4),
    Draw("fridge", "hut", 45, 1, 8),
    Draw("radio", "hut", 10, 1, 3),
    Draw("computer", "hut", 4, 1, 24),
    Draw("tool", "AC", 60, 1, 2, ac=True),
]


def test_the_hut_s_loads() -> None:
    # [SAND] DC 96 + 360 + 30 + 96 = 582 Wh; AC 120 / 0.85 = 141.18; 723.18 Wh; at 12 V 60.265 Ah
    drawn = demand(HUT, InverterEntry(efficiency=0.85), own_W=0)
    assert drawn.loads_Wh == pytest.approx(582 + 120)
    assert drawn.lost_Wh == pytest.approx(21.18, abs=0.005)
    assert drawn.total_Wh == pytest.approx(723.18, abs=0.005)
    assert sizing.load_Ah(drawn.total_Wh, 12) == pytest.approx(60.265, abs=0.0005)


def test_the_hut_s_currents() -> None:
    # [SAND] /0.98/0.90 = 68.327 Ah a day; 2.5 peak sun hours: 27.331 A; /0.9 = 30.368 A; 5.6 A modules: 5.42,
    # so 6
    corrected_Ah = sizing.corrected_Ah(60.265)
    design_A = sizing.design_current_A(corrected_Ah, 2.5)
    assert corrected_Ah == pytest.approx(68.327, abs=0.001)
    assert design_A == pytest.approx(27.331, abs=0.001)
    assert sizing.rated_current_A(design_A) == pytest.approx(30.368, abs=0.001)
    strings = sizing.strings_needed(60.265, 1.0, 2.5, 5.6)
    assert strings == pytest.approx(5.42, abs=0.005)
    assert sizing.whole(strings) == 6


def test_the_hut_s_bank_by_the_handbook() -> None:
    # [SAND] 68.327 x 4 / 0.5 / 0.9 = 607.35 Ah, with 0.8 379.60 Ah; 220 Ah blocks: 2.76, so 3
    assert sizing.bank_by_handbook_Ah(68.327, 4, 0.5, 0.9) == pytest.approx(607.35, abs=0.01)
    assert sizing.bank_by_handbook_Ah(68.327, 4, 0.8, 0.9) == pytest.approx(379.60, abs=0.01)
    assert sizing.whole(607.35 / 220) == 3


def test_the_hut_s_checks() -> None:
    # [SAND] storage 4.347 days; array to load 1.254, 1.106 against the corrected load
    assert sizing.storage_days(660, 0.5, 0.9, 68.327) == pytest.approx(4.347, abs=0.0005)
    given_Ah = sizing.array_Ah(6, 5.6, 2.5)
    assert given_Ah / 60.265 == pytest.approx(1.254, abs=0.001)
    assert given_Ah / 68.327 == pytest.approx(1.106, abs=0.001)


def test_the_camp_s_bank() -> None:
    # [CAMP] 7463 Wh / 24 V = 311 Ah; x 7 / 0.8 = 2721.25; 478 Ah blocks: 5.69, so 6; mean daily depth 0.081
    assert sizing.load_Ah(7463, 24) == pytest.approx(311, abs=0.1)
    needed_Ah = sizing.bank_by_handbook_Ah(311, 7, 0.8, 1.0)
    assert needed_Ah == pytest.approx(2721.25)
    assert needed_Ah / 478 == pytest.approx(5.69, abs=0.005)
    assert sizing.whole(needed_Ah / 478) == 6


def test_the_camp_s_loads_are_divided_by_the_inverter_s_efficiency() -> None:
    # [CAMP] adjusted W = rated / 0.85; 5 x 30 W = 150 W make 176.47 W, for two hours a day 352 Wh as printed
    # from the rounded 176 W
    drawn = demand([Draw("lamps", "camp", 30, 5, 2, ac=True)], InverterEntry(efficiency=0.85), own_W=0)
    assert drawn.total_Wh == pytest.approx(2 * 176.47, abs=0.01)
    assert drawn.total_Wh == pytest.approx(352, rel=0.003)


def test_both_forms_of_the_bank_s_standard() -> None:
    # [1013] L 60 Ah a day, 5 days, 0.8 and 0.2 a day, end of life 0.8, 10 °C, margin 1.1: 613.6 and 490.9 Ah
    cold = sizing.cold_factor(10.0)
    assert cold == pytest.approx(1.19)
    assert sizing.bank_by_product_Ah(60, 5, 0.8, 1.19) == pytest.approx(613.6, abs=0.05)
    assert sizing.bank_by_worksheet_Ah(60, 5, 0.8, 1.19) == pytest.approx(490.9, abs=0.05)


@pytest.mark.parametrize(
    ("fahrenheit", "multiplier"),
    # battery-bank worksheets of the trade, two copies (read)
    [(80, 1.00), (70, 1.04), (60, 1.11), (50, 1.19), (40, 1.30), (30, 1.40), (20, 1.59)],
)
def test_the_cold_s_factor(fahrenheit: float, multiplier: float) -> None:
    assert sizing.cold_factor((fahrenheit - 32) / 1.8) == pytest.approx(multiplier)


def test_colder_than_the_worksheets_an_army_manual_tells_it_and_colder_still_nobody() -> None:
    # TM 10-6140-200-14 (read): 75 % of the capacity at 32 °F, 40 % at 0 °F; half-way 57.5 %
    assert sizing.cold_factor((16 - 32) / 1.8) == pytest.approx(1 / 0.575)
    assert sizing.cold_factor(-32 / 1.8) == pytest.approx(1 / 0.40)
    assert sizing.cold_factor(-18) is None
