"""The page that lists all sites, in the order of need. No script needed; its address holds what is shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from dashboard.daemon import Notice
from dashboard.fresh import RENDERINGS, html_of
from dashboard.many.rows import Need, Row, Standing, row_of
from dashboard.notices import notice
from dashboard.pages.base import extra
from dashboard.tags import Node, Tag, html
from dashboard.words import number, unbroken
from monitor.errors import StoreError

SITE = "/site"
"""Where the page of one site is."""

ON_A_PAGE = 25
"""Sites on a page (our choice: some screens of a phone, some kilobytes)."""

LONGEST_SEARCH = 60
"""No site's name is longer."""

TROUBLE = "trouble"

AWAY = (
    "The server that has the sites' readings does not answer as it should, so there is nothing to show now."
    " The monitors go on meanwhile."
)

Content = list[Node | str]


@dataclass(frozen=True, slots=True)
class View:
    """What an address asks to see: sites whose names hold a text, all or those in trouble, which page."""

    find: str = ""
    in_trouble: bool = False
    page: int = 1

    @property
    def query(self) -> str:
        """The address's query, '' for all sites from the first on."""
        parts = {"find": self.find, "show": TROUBLE if self.in_trouble else ""}
        parts["page"] = str(self.page) if self.page > 1 else ""
        return urlencode({name: value for name, value in parts.items() if value})

    @property
    def address(self) -> str:
        """The whole address."""
        return f"/?{self.query}" if self.query else "/"


def view_of(query: Mapping[str, str]) -> View:
    """The view that an address asks for; what makes no sense is left out."""
    page = query.get("page", "")
    is_number = page.isascii() and page.isdecimal() and len(page) <= 6
    return View(
        query.get("find", "")[:LONGEST_SEARCH].strip(),
        query.get("show") == TROUBLE,
        max(1, int(page)) if is_number else 1,
    )


def seen_in(view: View, standings: Sequence[Standing]) -> tuple[list[Standing], int, View]:
    """The sites of a page, how many there are on all its pages, and the view with a page that exists."""
    found = [
        each
        for each in standings
        if view.find.casefold() in each.name.casefold() and (each.need.is_trouble or not view.in_trouble)
    ]
    page = min(view.page, max(1, math.ceil(len(found) / ON_A_PAGE)))
    first = (page - 1) * ON_A_PAGE
    return found[first : first + ON_A_PAGE], len(found), replace(view, page=page)


def tree(view: View, standings: Sequence[Standing], own: Mapping[str, str], as_of: str) -> Tag:
    """The whole page; own are the addresses of sites' own pages."""
    content = sections(view, standings, own, as_of)
    return _main(view, content, [html.P(_told(standings), className="quiet")])


def trouble_tree(view: View, error: StoreError, as_of: str) -> Tag:
    """The whole page where the server does not answer."""
    return _main(view, trouble_sections(error, as_of), [])


def _main(view: View, content: dict[str, Content], beside: Content) -> Tag:
    head = html.Header([html.H1("Sites"), *beside])
    renew = html.P(html.A("Renew", href=view.address), className="moves screen-only")
    return html.Main(
        [
            head,
            html.Section(content["lead"], id="lead", **extra(aria_label="How they stand")),
            _search(view),
            html.Div(content["sites"], id="sites", className="across"),
            html.Footer([html.P(content["answered"], id="answered", className="quiet"), renew]),
        ],
        **extra(data_fresh=f"/fresh?{view.query}&", data_now=RENDERINGS.keep(html_of(content))),
    )


def sections(
    view: View, standings: Sequence[Standing], own: Mapping[str, str], as_of: str
) -> dict[str, Content]:
    """What an open page renews, by the ids of its sections."""
    shown, count, view = seen_in(view, standings)
    return {
        "lead": [html.P(_lead(standings), className="told")],
        "sites": [*_sites(view, shown, count, own), *_pages(view, count)],
        "answered": _answered(as_of),
    }


def trouble_sections(error: StoreError, as_of: str) -> dict[str, Content]:
    """The same where the server does not answer."""
    return {"lead": trouble_lead(error), "sites": [], "answered": _answered(as_of)}


def trouble_lead(error: StoreError) -> Content:
    """What is the matter with the server."""
    return [notice(Notice("store", AWAY)), html.P(str(error), className="trouble")]


def _answered(as_of: str) -> Content:
    words = f"As of {as_of} here. A site's own lines are in its local time."
    return [html.Span(words, id="as-of")]


def _told(standings: Sequence[Standing]) -> str:
    return "1 site" if len(standings) == 1 else f"{number(len(standings), 0)} sites"


def _lead(standings: Sequence[Standing]) -> str:
    """How many need a look, in a sentence."""
    if not standings:
        return "The server knows no site yet."
    troubled = sum(each.need.is_trouble for each in standings)
    unknown = sum(each.need is Need.UNKNOWN for each in standings)
    known = len(standings) - unknown
    if troubled:
        text = f"{number(troubled, 0)} of {_told(standings)} {'needs' if troubled == 1 else 'need'} a look."
    elif not known:
        text = ""
    else:
        text = "All is well at the site." if known == 1 else f"All is well at {number(known, 0)} sites."
    if unknown:
        text += f" Of {number(unknown, 0)} too little is known."
    return text.strip()


def _search(view: View) -> Tag:
    """Search by name, and whether all are shown or those in trouble: a form and links."""
    field = html.Input(
        type="search", name="find", value=view.find, maxLength=LONGEST_SEARCH, autoComplete="off",
        **extra(aria_label="Part of a name"),
    )  # fmt: skip
    kept = [html.Input(type="hidden", name="show", value=TROUBLE)] if view.in_trouble else []
    form = html.Form(
        [field, *kept, html.Button("Find")], action="/", method="get", role="search", className="find"
    )
    kinds = [
        _choice("All", replace(view, in_trouble=False, page=1), chosen=not view.in_trouble),
        _choice("In trouble", replace(view, in_trouble=True, page=1), chosen=view.in_trouble),
    ]
    return html.Section(
        [form, html.Div(kinds, className="moves")], className="across", **extra(aria_label="Which sites")
    )


def _choice(text: str, view: View, *, chosen: bool) -> Tag:
    return html.Strong(text) if chosen else html.A(text, href=view.address)


def _sites(view: View, shown: Sequence[Standing], count: int, own: Mapping[str, str]) -> Content:
    if not shown:
        if view.find:
            return [html.P(f"No {'such ' if view.in_trouble else ''}site's name holds “{view.find}”.")]
        return [html.P("No site is in trouble.")] if view.in_trouble else []
    return [html.Ul([_item(row_of(each), own) for each in shown], className="sites")]


def _item(row: Row, own: Mapping[str, str]) -> Tag:
    """A site: its name leads to its own pages where the file names them, else to its copy here."""
    page, here = own.get(row.name, ""), address_of(row.name)
    facts = [f"Charge {row.charge}." if row.charge else "", f"{row.oldest}." if row.oldest else ""]
    return html.Li(
        [
            html.H2(html.A(row.name, href=page or here)),
            *(notice(each, aloud=False) for each in row.troubles),
            html.P(unbroken(row.sentence), className="says"),
            html.P(unbroken(" ".join(filter(None, facts))), className="quiet"),
            *([html.P(html.A("Its copy here", href=here))] if page else []),
        ],
        className=f"site {row.need.name.lower()}",
        **extra(data_site=row.name),
    )


def address_of(name: str) -> str:
    """The address of one site's page."""
    return f"{SITE}?{named(name)}"


def named(name: str) -> str:
    """A site's name in an address."""
    return urlencode({"name": name})


def _pages(view: View, count: int) -> Content:
    """The way to the pages before and after."""
    last = math.ceil(count / ON_A_PAGE)
    if last <= 1:
        return []
    first = (view.page - 1) * ON_A_PAGE
    moves: list[Any] = []
    if view.page > 1:
        moves.append(html.A("← Before", href=replace(view, page=view.page - 1).address))
    if view.page < last:
        moves.append(html.A("After →", href=replace(view, page=view.page + 1).address))
    until = min(first + ON_A_PAGE, count)
    words = f"{number(first + 1, 0)} to {number(until, 0)} of {number(count, 0)}"
    return [html.P(words, className="quiet"), html.Div(moves, className="moves")]
