"""The page of one site, from what the server has of it: as its own page 'Tonight', but for looking only."""

from __future__ import annotations

from dashboard.forms import IS_COPY
from dashboard.many.rows import Standing, row_of
from dashboard.notices import notice
from dashboard.pages import tonight
from dashboard.pages.base import ReaderFactory
from dashboard.tags import Node, html
from dashboard.words import span_text
from monitor.site.model import Site
from monitor.site.server_table import ServerKeys


def described(site: Site, server: ServerKeys) -> Site:
    """A site as its readings are found here: on the server."""
    return site.model_copy(update={"store": site.store.model_copy(update={"server": server})})


def tree(standing: Standing, site: Site, open_reader: ReaderFactory, own_page: str, fresh_from: str) -> Node:
    """The whole page of a site of which enough is known; own_page is the address of its own, '' unknown."""
    beside = html.Section([html.P(_what_it_is(standing), className="quiet"), *_own(own_page)])
    return tonight.tree(open_reader, site, alone=True, beside=[beside], fresh_from=fresh_from)


def unknown_tree(standing: Standing, own_page: str) -> Node:
    """The page of a site of which too little is known: what is."""
    row = row_of(standing)
    lead = [
        *(notice(each) for each in row.troubles),
        html.P(row.sentence, className="told"),
        *([html.P(f"{row.oldest}.")] if row.oldest else []),
        *_own(own_page),
    ]
    return html.Main([html.Header(html.H1(row.name)), html.Section(lead, id="lead")])


def _what_it_is(standing: Standing) -> str:
    if standing.now.lag_s is None:
        return "This is read from the server that the site's monitor writes to. Here you can only look."
    late = span_text((standing.now.lag_s + _commit_s(standing)) * 1000)
    return f"{IS_COPY} While all goes well it is at most {late} late."


def _commit_s(standing: Standing) -> float:
    return 0.0 if standing.state.site is None else standing.state.site.store.commit_every_s


def _own(own_page: str) -> list[Node]:
    if not own_page:
        return []
    return [html.Div(html.A("Its own pages", href=own_page), className="moves")]
