"""Rules as data: the shipped ones by chemistry, and what a person's [[alarms]] changes or adds."""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.rules import alarm_findings, rules_of
from monitor.alarms.slow_signs import silence_s
from monitor.errors import SiteError
from monitor.records import DeviceHealth, parse_iso
from monitor.site.load import load_site, read_site, with_defaults
from monitor.site.sign_names import SHIPPED, SIGNS, base_name
from tests.unit.site_files import WITHOUT_ARRAY, changed, line_of, write

LITHIUM = (
    "bank.chemistry = 'lifepo4'", "bank.unit_voltage_V = 12.8", "bank.units_in_series = 1",
    "controller.absorption_V = 14.2", "controller.float_V = 13.5",
    "controller.temperature_compensation_V_per_C = 0", "controller.disconnect_V = 12.0",
    "controller.reconnect_V = 13.0",
)  # fmt: skip


PORT = 'profile = "x"\nconnection = "serial"\nport = "/dev/serial/by-id/usb-{}"\n'


@pytest.fixture
def rules(tmp_path):
    def read(text):
        site, _ = with_defaults(load_site(write(tmp_path, text)))
        return {rule.name: rule for rule in rules_of(site)}

    return read


def entry(*lines):
    return "\n".join(["", "[[alarms]]", *lines, ""])


# --- shipped rules ---


def test_every_shipped_rule_has_a_name_that_the_site_file_knows(rules):
    two = '[computer]\nhalt = true\n[[devices]]\nname = "shunt"\n' + PORT.format("example")
    assert {base_name(name) for name in rules(changed(more=two))} == {name.casefold() for name in SHIPPED}


def test_every_shipped_rule_says_what_to_do_first_in_one_short_sentence(rules):
    for rule in rules(changed()).values():
        assert rule.do_first.endswith(".")
        assert 10 < len(rule.do_first) <= 90, rule.name  # two lines of a lock screen (our choice)
        assert rule.do_first[:-1].count(".") == 0


def test_what_sends_a_person_to_bank_or_array_carries_its_caution(rules):
    cautious = {"Bank too hot", "Controller too hot", "Charging a cold bank", "Electrolyte may freeze",
                "Voltage too high", "Thermal runaway", "No charge in daylight"}  # fmt: skip
    assert {rule.name for rule in rules(changed()).values() if rule.caution} == cautious


def test_the_end_of_the_supply_is_a_rule_only_where_the_site_file_speaks_of_it(rules):
    assert "Supply about to end" not in rules(changed())
    assert "Supply about to end" in rules(changed(more="[computer]\nsupply_ends_V = 10.8\n"))


def test_only_what_cannot_wait_is_urgent(rules):
    urgent = {rule.name for rule in rules(changed()).values() if rule.priority == "urgent"}
    assert urgent == {
        "Near the disconnect", "Charging a cold bank", "Voltage too high", "Thermal runaway",
        "End the capacity test",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("edits", "name", "set_point"),
    [
        # 1.95 V a cell: upper end of a disconnect range, 11.4 to 11.7 V on 12 V (a battery maker's manual)
        ((), "Low voltage", 11.7),
        (("bank.units_in_series = 4",), "Low voltage", 23.4),
        # 12.5 V of four LiFePO4 cells are about 14 % charge (maker-type chart, from memory)
        (LITHIUM, "Low voltage", 12.5),
        ((), "Low charge", 0.5),
        (("bank.reserve_soc = 0.3",), "Low charge", 0.3),
        # makers of lead-acid stop charging at 50 °C, of LiFePO4 at 45 °C (from memory): warned below
        ((), "Bank too hot", 45.0),
        (LITHIUM, "Bank too hot", 43.0),
        # every 7 to 14 days is preferred (from memory, facts of the trade)
        ((), "No full charge", 14.0),
    ],
)
def test_shipped_limits_follow_the_bank(rules, edits, name, set_point):
    assert rules(changed(*edits))[name].set_point == pytest.approx(set_point)


def test_a_bank_has_only_the_rules_that_fit_it(rules):
    lithium = rules(changed(*LITHIUM))
    assert not {"Electrolyte may freeze", "No full charge"} & lithium.keys()
    assert "Charging a cold bank" in lithium
    assert not {"No charge in daylight", "No full charge"} & rules(WITHOUT_ARRAY).keys()
    assert "Low charge" not in rules(changed("bank.reserve_soc = 0"))


def test_a_capacity_test_is_watched_only_where_the_capacity_can_be_tested(rules):
    tests = {"End the capacity test", "Capacity test over"}
    assert tests <= rules(changed()).keys()
    for other in (LITHIUM, ('metering.level = "charging"',)):
        assert not tests & rules(changed(*other)).keys()
    assert "array" not in rules(WITHOUT_ARRAY)["Capacity test over"].do_first


def test_each_device_has_a_rule_and_a_shared_line_one_more(rules):
    two = (
        '[[devices]]\nname = "shunt"\n'
        + PORT.format("example")
        + '[[devices]]\nname = "far"\n'
        + PORT.format("b")
    )
    silent = {name for name, rule in rules(changed(more=two)).items() if "silen" in rule.quantity}
    assert silent == {
        "Device silent: charger", "Device silent: shunt", "Device silent: far", "Line silent: charger, shunt",
    }  # fmt: skip


def test_a_device_asked_every_hour_is_not_silent_after_one_missed_answer(rules):
    slow = changed("devices.every_s = 3600")
    rule = rules(slow)["Device silent: charger"]
    missed = DeviceHealth("charger", "x", "silent", 3_605_000, 0, None, 2)
    assert not rule.is_beyond(silence_s(missed, 3_700_000, 1.0))
    assert rule.is_beyond(silence_s(missed, 4 * 3_600_000, 1.0))


# --- a person's rules ---


def test_an_entry_changes_only_what_it_names(rules):
    shipped = rules(changed())["Low voltage"]
    mine = rules(changed(more=entry('name = "low VOLTAGE"', "set_point = 12.0", 'priority = "urgent"')))
    assert mine["Low voltage"].set_point == 12.0
    assert mine["Low voltage"].priority == "urgent"
    for same in ("quantity", "beyond", "deadband", "on_delay_s", "off_delay_s", "do_first"):
        assert getattr(mine["Low voltage"], same) == getattr(shipped, same)


def test_another_quantity_keeps_nothing_of_the_shipped_limits(rules):
    mine = rules(changed(more=entry('name = "Low voltage"', 'quantity = "battery_voltage_V"',
                                    'condition = "below"', "set_point = 11.5")))  # fmt: skip
    low = mine["Low voltage"]
    assert (low.quantity, low.set_point, low.deadband, low.on_delay_s) == ("battery_voltage_V", 11.5, 0, 60)


def test_an_entry_adds_a_rule_on_a_quantity_or_on_a_sign(rules):
    mine = rules(
        changed(
            more=entry('name = "Cold shed"', 'quantity = "battery_temperature_C"', 'condition = "below"',
                       "set_point = -5", 'do_first = "Close the hatch."')
            + entry('name = "Three weeks"', 'quantity = "days_since_full"', 'condition = "above"',
                    "set_point = 21", "latching = true", 'notice = "digest"')
        )
    )  # fmt: skip
    assert (mine["Cold shed"].set_point, mine["Cold shed"].do_first) == (-5, "Close the hatch.")
    assert (mine["Three weeks"].latching, mine["Three weeks"].notice) == (True, "digest")


def test_an_entry_switches_off_one_rule_or_all_of_a_kind(rules):
    off = rules(changed(more=entry('name = "Device silent"', "enabled = false")
                        + entry('name = "No full charge"', "enabled = false")))  # fmt: skip
    assert not {"Device silent: charger", "No full charge"} & off.keys()


def test_one_device_can_differ_from_the_others(rules):
    mine = rules(changed(more=entry('name = "Device silent: charger"', "set_point = 900")
                         + entry('name = "Device silent"', "set_point = 6", 'priority = "low"')))  # fmt: skip
    rule = mine["Device silent: charger"]
    assert (rule.set_point, rule.priority) == (900, "low")


@pytest.mark.parametrize(
    ("moment", "judged"),
    [
        ("2026-11-25T21:59:00Z", False),
        ("2026-11-25T22:00:00Z", True),
        ("2026-11-26T05:59:00Z", True),
        ("2026-11-26T06:00:00Z", False),
        ("2026-07-25T23:00:00Z", False),  # another season
    ],
)
def test_season_and_hours_say_when_a_rule_is_judged(rules, moment, judged):
    winter = entry('name = "Low voltage"', "months = [11, 12, 1, 2]", 'hours = "22:00-06:00"')
    rule = rules(changed(more=winter))["Low voltage"]
    assert rule.is_judged_at(parse_iso(moment), ZoneInfo("Europe/London")) == judged


def test_hours_are_the_sites_local_hours(rules):
    rule = rules(changed(more=entry('name = "Low voltage"', 'hours = "22:00-06:00"')))["Low voltage"]
    summer_evening = parse_iso("2026-07-25T21:30:00Z")  # 22:30 in London
    assert rule.is_judged_at(summer_evening, ZoneInfo("Europe/London"))
    assert not rule.is_judged_at(summer_evening, UTC)


# --- faults, with key and line ---


@pytest.mark.parametrize(
    ("lines", "key", "at", "says"),
    [
        (['name = "x"', 'quantity = "battery_voltage_V"', 'condition = "below"'],
         "alarms[0].set_point", "[[alarms]]", "is missing, and 'x' is no shipped rule that has one"),
        (['name = "Low voltge"', "set_point = 11"],
         "alarms[0].quantity", "[[alarms]]", "did you mean 'Low voltage'?"),
        (['name = "x"', 'quantity = "state_of_charge"', 'condition = "below"', "set_point = 50"],
         "alarms[0].set_point", "set_point", "it is a share, so 50 percent are 0.5"),
        (['name = "x"', 'quantity = "battery_temperature_C"', 'condition = "below"', "set_point = -500"],
         "alarms[0].set_point", "set_point", "can never be crossed"),
        (['name = "Low voltage"', "months = [11, 13]"],
         "alarms[0].months[1]", "months", "above the largest allowed value 12"),
        (['name = "Low voltage"', "months = []"], "alarms[0].months", "months", "[11, 12, 1, 2]"),
        (['name = "Low voltage"', 'hours = "22-6"'], "alarms[0].hours", "hours", "22:00-07:00"),
        (['name = "Low voltage"', 'hours = "06:00-06:00"'], "alarms[0].hours", "hours", "begins when"),
        (['name = "Low voltage"', "on_delay_s = -1"], "alarms[0].on_delay_s", "on_delay_s", "is below"),
        (['name = "Low voltage"', 'notice = "loud"'], "alarms[0].notice", "notice", "known here: at once"),
        (['name = "x"', 'quantity = "freezing_margn_C"', 'condition = "below"', "set_point = 1"],
         "alarms[0].quantity", "quantity", "did you mean 'freezing_margin_C'?"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_key_line_and_what_to_write(tmp_path, lines, key, at, says):
    text = changed(more=entry(*lines))
    with pytest.raises(SiteError) as caught:
        load_site(write(tmp_path, text))
    found = {problem.key: problem for problem in caught.value.problems}
    assert found[key].line == line_of(text, at)
    assert says in found[key].text


def test_every_sign_says_what_it_is(rules):
    for sign in SIGNS.values():
        assert sign.meaning
        assert sign.low < sign.high


# --- what `nightbank site check` says of them ---


def checked(tmp_path, text):
    site, lines = read_site(write(tmp_path, text))
    return [(each.severity, each.key, each.text) for each in alarm_findings(with_defaults(site)[0], lines)]


def test_an_entry_for_a_rule_that_the_site_has_not_is_told_as_doing_nothing(tmp_path):
    for name in ("Line silent", "Device silent: chrger"):
        ((severity, key, says),) = checked(
            tmp_path, changed(more=entry(f'name = "{name}"', "set_point = 900"))
        )
        assert (severity, key) == ("warning", "alarms[0].name")
        assert says.startswith(f"'{name}' does nothing: this site has no such rule; it has 'Low voltage'")


def test_a_rule_of_ones_own_without_deadband_is_told_to_flicker(tmp_path):
    mine = entry(
        'name = "Cold shed"', 'quantity = "battery_temperature_C"', 'condition = "below"', "set_point = 1"
    )
    ((severity, _, says),) = checked(tmp_path, changed(more=mine))
    assert severity == "note"
    assert "give it a deadband" in says
    assert checked(tmp_path, changed(more=mine + "deadband = 1\n")) == []


def test_changed_shipped_rules_are_nothing_to_tell(tmp_path):
    fine = entry('name = "device silent"', "set_point = 900") + entry(
        'name = "low voltage"', "enabled = false"
    )
    assert checked(tmp_path, changed(more=fine)) == []
