"""`nightbank bank`'s document for a person: short lines, unknown told as unknown, figures with bands."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from monitor.bank.charge_words import charge_words
from monitor.bank_report import local_words

UNKNOWN = "unknown"

FREEZES = (
    "The acid may begin to freeze at {:z.0f} °C (lower end of that charge, weakest usual acid). "
    "Never charge a frozen battery; the maker's sheet decides."
)


def in_words(document: dict[str, Any], zone: ZoneInfo) -> str:
    """The whole report; bands are two standard deviations (95 %)."""
    return "\n".join(
        [
            f"{document['site']}, {local_words(document['time'], zone)}",
            "",
            *_stage(document),
            "",
            *_ledger(document, zone),
            "",
            *_health(document["health"], learnt=document["cycles"]["capacity"] == "learnt"),
        ]
    )


def _stage(document: dict[str, Any]) -> list[str]:
    stage = document["stage"]
    spent = [f"{name} {hours:.1f} h" for name, hours in stage["today_h"].items() if hours >= 0.05]
    if stage["unknown_h"] >= 0.05:
        spent.append(f"unknown {stage['unknown_h']:.1f} h")
    charge = charge_words(document["soc"], document["soc_sd"])
    return [
        f"State of charge {charge}; stage {stage['now'] or UNKNOWN}.",
        f"Today: {', '.join(spent) or 'no stage known'}.",
        *([] if document["freezes_C"] is None else [FREEZES.format(document["freezes_C"])]),
        document["health"]["set_points"],
    ]


def _ledger(document: dict[str, Any], zone: ZoneInfo) -> list[str]:
    ledger, cycles = document["ledger"], document["cycles"]
    lines = [f"  {'':10} {'in':>9} {'out':>9} {'in':>9} {'out':>9} {'back':>6} {'lowest':>7} {'unseen':>7}"]
    rows = [(row["day"], row) for row in ledger["last_days"]]
    if ledger["since_full"]["full"] is not None:
        rows.append(("since full", ledger["since_full"]))
    lines += [_row(name, row) for name, row in rows]
    lines += ["  back: what came in of what went out, in Ah; unseen: hours without readings", ""]
    if ledger["since_full"]["full"] is None:
        lines.append("No full charge was seen yet.")
    else:
        since = ledger["since_full"]
        lines.append(f"Last full {local_words(since['full'], zone)}, {since['days']:.1f} days ago.")
        if since["lowest_soc"] is not None:
            lowest = f"{100 * since['lowest_soc']:.0f} % at {local_words(since['lowest_at'], zone)}"
            lines.append(f"Lowest since then {lowest}.")
    over = f"{cycles['over_Ah']:.0f} Ah ({cycles['capacity']})"
    count = cycles["equivalent_full"]
    told = UNKNOWN if count is None else f"{count:.1f}"
    since_first = "" if cycles["since"] is None else f", since {local_words(cycles['since'], zone)}"
    lines.append(f"Equivalent full cycles {told}, of {over}{since_first}.")
    if document["level"] == "charging":
        lines.append("The loads are not metered: what went out is unknown, 'in' is what the controller gave.")
    elif document["level"] == "controller":
        lines.append("Loads that do not hang on the controller's load output are not in these figures.")
    return lines


def _row(name: str, row: dict[str, Any]) -> str:
    def cell(key: str, spec: str, unit: str) -> str:
        return "?" if row[key] is None else f"{row[key]:{spec}}{unit}"

    def share(key: str) -> str:
        return "?" if row[key] is None else f"{100 * row[key]:.0f} %"

    return (
        f"  {name:10} {cell('in_Ah', '.1f', ' Ah'):>9} {cell('out_Ah', '.1f', ' Ah'):>9}"
        f" {cell('in_Wh', '.0f', ' Wh'):>9} {cell('out_Wh', '.0f', ' Wh'):>9}"
        f" {share('returned'):>6} {share('lowest_soc'):>7}"
        f" {cell('unseen_h', '.1f', ' h'):>7}"
    )


def _health(health: dict[str, Any], *, learnt: bool) -> list[str]:
    capacity = UNKNOWN
    if health["capacity_share"] is not None:
        capacity = f"{_band(health['capacity_share'])} of the rated {health['rated_Ah']:.0f} Ah"
        capacity += "" if learnt else ": not learnt yet, the band is that of any such bank"
    acceptance, efficiency = health["acceptance"], health["coulombic_efficiency"]
    taken = UNKNOWN
    if acceptance is not None:
        taken = f"{100 * acceptance['value']:.1f} % of capacity (scatter {100 * acceptance['sd']:.1f} %)"
    given = UNKNOWN if efficiency is None else _band(efficiency)
    return [
        f"Capacity {capacity}.",
        _resistance(health["resistance"]),
        f"Current as absorption begins {taken}.",
        f"Charge out over charge in between full charges {given}.",
        health["sulfation"],
        health["halves"],
        _life(health["cycle_life"]),
    ]


def _resistance(told: dict[str, Any]) -> str:
    if told["ohm"] is None:
        return f"Internal resistance unknown: {told['why']}."
    line = (
        f"Internal resistance {1000 * told['ohm']:.1f} ± {2000 * told['sd']:.1f} mΩ at 25 °C"
        f" ({told['month']}, some seconds' polarization in it)"
    )
    change = told["trend_per_year"]
    if change is None:
        return f"{line}; trend unknown before three months."
    return f"{line}; {100 * change['value']:+.0f} % ± {200 * change['sd']:.0f} % a year."


def _life(life: dict[str, Any]) -> str:
    if life["used"] is None:
        return f"Remaining life unknown: {life['why']}."
    left = life["years_left"]
    years = (
        "more years of cycling left than can be told"
        if left is None
        else f"about {left:.0f} years of cycling left"
    )
    return (
        f"Cycle life used in the {life['days']} days on record {100 * life['used']:.1f} %; at this pace a"
        f" bank that was new then has {years} (curve from memory; age itself is not in it)."
    )


def _band(figure: dict[str, float]) -> str:
    return f"{100 * figure['value']:.0f} % ± {200 * figure['sd']:.0f} %"
