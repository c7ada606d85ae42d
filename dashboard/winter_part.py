"""The bank's winter on the page 'Care': may it stand out in the cold, and until when."""

from __future__ import annotations

from datetime import date

from dash import html
from dash.development.base_component import Component

from dashboard.local import in_form
from dashboard.words import unbroken
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader

COLD_MONTHS = {True: (10, 11, 12, 1, 2, 3), False: (4, 5, 6, 7, 8, 9)}
"""The months in which the section stands open, north and south of the equator (our choice: from the first
frosts, so that there is time to act, to the last)."""

FROST_C = 0.0
"""Where no colder night is expected the section stays folded."""


def winter_section(reader: StoreReader, site: Site) -> tuple[Component, bool]:
    """The section, folded out of the cold months and where no frost is expected, and whether it is needed
    now. Raises StoreError."""
    from monitor.care.winter_told import Asked  # not before the page is asked for
    from monitor.care.winter_words import winter_lines
    from monitor.winter_report import winter_report

    told = winter_report(with_defaults(site)[0], reader, Asked(), at_once=False)
    first, *others = (html.P(unbroken(in_form(line)).replace(" -", " −")) for line in winter_lines(told))
    more = html.P(
        "On the page’s computer “nightbank care”, the site file and “winter” take another night, charge or"
        " load.",
        className="quiet",
    )
    mind = html.P(["Mind: ", told["cautions"][0]], className="mind")  # frozen ones burst, lithium in frost
    if matters(date.fromisoformat(told["today"]), site.site.latitude_deg, told["coldest_C"]):
        why = html.Details([html.Summary("Why, and what else counts"), *others, more])
        return html.Section([html.H2("Winter"), first, mind, why], id="winter"), True
    folded = html.Details([html.Summary("Winter"), first, mind, *others, more])
    return html.Section(folded, id="winter"), False


def matters(today: date, latitude_deg: float, coldest_C: float) -> bool:
    """Whether the section stands open, and high on the page."""
    return coldest_C < FROST_C and today.month in COLD_MONTHS[latitude_deg >= 0]
