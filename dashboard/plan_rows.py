"""What the page Plan says, of the very document that `nightbank plan` prints. Pure but for `take_plan`, which
asks the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from dashboard.days import energy
from dashboard.forms import Mistyped
from dashboard.local import day_text, in_form, marked
from dashboard.words import number, percent
from monitor import plan_known as known
from monitor.plan.draws import added
from monitor.plan.sizing import ARRAY_TO_LOAD, STORAGE_DAYS
from monitor.plan.steps import Wish
from monitor.plan_report import Growth, Question, plan_report
from monitor.plan_words import MONTHS, MOST_NIGHTS, answer_words, changed_words, weather_words, why_no_dark
from monitor.present import now_of
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.typical_year import noted_year

ADD, PANELS, BATTERIES, MONTH = "add", "panels", "batteries", "month"
LONGEST_ADD = 120
"""A longer load than this nobody types (our choice)."""

MOST_MORE = 40
"""So many strings more may be asked for, as by the command."""


@dataclass(frozen=True, slots=True)
class LoadRow:
    """One declared load: '4 × 4 W', hours of a day, and what that comes to."""

    name: str
    power: str
    hours: str
    energy_Wh: float


@dataclass(frozen=True, slots=True)
class Branch:
    """The loads of one branch, their sum a day, and what was used on it, '' where that is not known."""

    name: str
    loads: tuple[LoadRow, ...]
    energy_Wh: float
    used: str


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long the bank lasts in one case, as it is and, where something is asked, as it would be ('')."""

    title: str
    now: str
    then: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All that the page says. what_if is '' where nothing is asked. dark are the months ('Dec', '12 %' as it
    is, as it would be, chance 0..1 of what counts), rows what is drawn beside the loads."""

    sentence: str
    what_if: str
    beside: tuple[str, ...]
    lasting: tuple[Lasting, ...]
    dark: tuple[tuple[str, str, str, float], ...]
    dark_told: str
    branches: tuple[Branch, ...]
    rows: tuple[tuple[str, float], ...]
    used: tuple[tuple[str, str], ...]
    told: Mapping[str, Any]


def question_of(query: Mapping[str, str]) -> Question:
    """What the address asks. Raises Mistyped."""
    text = query.get(ADD, "").strip()
    if len(text) > LONGEST_ADD:
        raise Mistyped(f"A load is told in at most {LONGEST_ADD} characters.", ADD)
    try:
        draws = (added(text),) if text else ()
    except ValueError as error:
        raise Mistyped(f"{error}.", ADD) from error
    growth = Growth(draws, _more(query, PANELS, "panels"), _more(query, BATTERIES, "batteries"))
    return Question(Wish(STORAGE_DAYS, ARRAY_TO_LOAD["usual"]), growth, month=_month(query.get(MONTH, "")))


def _more(query: Mapping[str, str], name: str, of: str) -> int:
    text = query.get(name, "").strip() or "0"
    if not (text.isascii() and text.isdecimal() and len(text) <= 3 and int(text) <= MOST_MORE):
        raise Mistyped(f"More strings of {of}: write a whole number from 0 to {MOST_MORE}.", name)
    return int(text)


def _month(text: str) -> int | None:
    known_month = text.isascii() and text.isdecimal() and len(text) <= 2 and 1 <= int(text) <= 12
    if text and not known_month:
        raise Mistyped("A month is a number from 1 to 12.", MONTH)
    return int(text) if text else None


def take_plan(reader: StoreReader, site: Site, question: Question | None = None) -> Plan:
    """The plan of a site as it stands now, and as it would be. Raises StoreError."""
    filled = with_defaults(site)[0]
    found = known.noted_outlook(reader, now_of(reader).time_ms)
    outlook = "no outlook of the last hour" if found is None else found
    clear = "no array" if site.array is None else known.noted_clear_year(filled, reader)
    asked = question_of({}) if question is None else question
    typical = noted_year(filled, reader)
    told = plan_report(filled, reader, asked, outlook, clear, typical)
    if site.array is not None and site.site.typical_year is not None and typical is None:
        told["notes"].insert(0, "The typical year of the site file was not read by the monitor yet.")
    return plan_view(told, site)


def plan_view(told: Mapping[str, Any], site: Site) -> Plan:
    """The document as the page tells it."""
    now, then = told["plan"], told["what_if"]
    days = told["used_days"]
    return Plan(
        sentence=in_form(answer_words(told)),
        what_if=_what_if(told),
        beside=_beside(told, site),
        lasting=_lasting(now, then),
        dark=_dark(now, then),
        dark_told=_dark_told(told),
        branches=tuple(_branch(each) for each in told["branches"]),
        rows=_rows(told),
        used=tuple((day_text(date.fromisoformat(day["date"]), weekday=True), _used(day)) for day in days),
        told=told,
    )


def nights_text(lasting: Mapping[str, Any]) -> str:
    """'3.4 nights', or that the array keeps up, or that it is not known."""
    if lasting["keeps_up"]:
        return "the array keeps up"
    return "not known" if lasting["nights"] is None else _nights(lasting["nights"])


def _nights(nights: float) -> str:
    if nights > MOST_NIGHTS:
        return f"more than {number(MOST_NIGHTS, 0)}\N{NO-BREAK SPACE}nights"
    return f"{number(nights, 1)}\N{NO-BREAK SPACE}nights"


def _what_if(told: Mapping[str, Any]) -> str:
    """What is asked, and the one figure that answers it."""
    then = told["what_if"]
    if then is None:
        return ""
    nights = then["lasting"][0]["nights"]
    answer = "how long it would last is not known" if nights is None else _nights(nights)
    return f"{in_form(changed_words(told))} Then: {answer}."


def _beside(told: Mapping[str, Any], site: Site) -> tuple[str, ...]:
    """What the loads take, what was used beside it, and what neither counts."""
    lines, now = [], told["plan"]
    if not site.loads:
        lines.append(
            "No loads are declared. Write them into the site file as [[loads]]: name, branch, power_W, count,"
            " hours_per_day."
        )
    if now is not None and site.loads:
        of = "declared" if told["load_from"] == "declared" else "used, more than is declared"
        lines.append(f"They take {energy(now['load_Wh'])} a day as {of}, with what this computer takes.")
    if told["used_Wh"] is not None:
        many = len(told["used_days"])
        days = "1 day" if many == 1 else f"{many} days"
        text = f"Used were {energy(told['used_Wh'])} on the middle one of {days}"
        if site.loads and told["used_over_declared"] is not None:
            text += f", {number(told['used_over_declared'], 1)} times what the declared loads"
            text += " and this computer take" if told["metering"] == "shunt" else " take"
        lines.append(f"{text}.")
    if told["metering"] == "charging":
        lines.append("Nothing here meters the loads, so that the use is not known.")
    elif told["metering"] == "controller":
        lines.append("Used means through the controller's load output; what is wired past it is not seen.")
    return tuple(lines)


def _lasting(now: Mapping[str, Any] | None, then: Mapping[str, Any] | None) -> tuple[Lasting, ...]:
    if now is None:
        return ()
    after = [nights_text(each) for each in then["lasting"]] if then else [""] * len(now["lasting"])
    rows = zip(now["lasting"], after, strict=True)
    return tuple(Lasting(each["title"], nights_text(each), would) for each, would in rows)


def _dark(
    now: Mapping[str, Any] | None, then: Mapping[str, Any] | None
) -> tuple[tuple[str, str, str, float], ...]:
    if now is None or not now["dark_months"]:
        return ()
    after: Sequence[Mapping[str, Any] | None] = then["dark_months"] if then else [None] * 12
    rows = []
    for each, would in zip(now["dark_months"], after or [None] * 12, strict=True):
        star = "" if each["seen"] else "*"
        text = "" if would is None else percent(would["chance"])
        counts = each if would is None else would
        rows.append((MONTHS[each["month"]][:3] + star, percent(each["chance"]), text, counts["chance"]))
    return tuple(rows)


def _dark_told(told: Mapping[str, Any]) -> str:
    """In which months a night at the reserve is to be expected, and by whose weather."""
    plan, weather = told["what_if"] or told["plan"], told["weather"]
    if plan is None or not told["months"]:
        return ""
    if not plan["dark_months"]:
        return in_form(f"Not known: {why_no_dark(weather)}.")
    worst = max(plan["dark_months"], key=lambda each: each["chance"])
    by = in_form(weather_words(weather))
    if worst["chance"] == 0:
        return f"None in any month, {by}."
    of_100 = round(100 * worst["chance"])
    years, bring = (
        ("Every year", "brings") if of_100 == 100 else (f"{number(of_100, 0)} of 100 years", "bring")
    )
    if told["what_if"]:
        bring = "would bring"
    return f"{years} {bring} at least one in {MONTHS[worst['month']]}, {by}."


def _branch(branch: Mapping[str, Any]) -> Branch:
    used = branch["used_Wh"]
    told = "" if used is None else f"used {energy(used)}"
    return Branch(branch["branch"], tuple(_row(load) for load in branch["loads"]), branch["energy_Wh"], told)


def unknown_use(branches: Sequence[Mapping[str, Any]]) -> str:
    """Why it is not known what each branch used, '' where it is."""
    why = next((each["used_unknown"] for each in branches if each["used_unknown"]), None)
    return "" if why is None else f"What each branch used is not known: {why}."


def _row(load: Mapping[str, Any]) -> LoadRow:
    each = f"{marked(format(load['power_W'], 'g'))} W"
    return LoadRow(
        f"{load['name']}, behind the inverter" if load["ac"] else load["name"],
        each if load["count"] == 1 else f"{load['count']} × {each}",
        marked(f"{load['hours']:g}"),
        load["energy_Wh"],
    )


def _rows(told: Mapping[str, Any]) -> tuple[tuple[str, float], ...]:
    """What is drawn beside the loads, and the sum."""
    rows = []
    if told["inverter"] is not None:
        rows.append(("Lost in the inverter", told["inverter"]["lost_Wh"]))
        rows.append(("The inverter itself", told["inverter"]["standby_Wh"]))
    rows.append(("This computer", told["monitor_Wh"]))
    if told["controller_Wh"]:
        rows.append(("The controller itself", told["controller_Wh"]))
    return (*rows, ("Together", told["declared_Wh"]))


def _used(day: Mapping[str, Any]) -> str:
    text = f"{number(day['used_Wh'], 0)} Wh"
    if day["over_declared"] is None:
        return text
    return f"{text}, {number(day['over_declared'], 1)} times"
