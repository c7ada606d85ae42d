"""The web app of many sites: the list, a page for each, and the same walls, headers and words as a site's.

It asks the server and never tells it anything; nothing but reading is answered here at all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from dash.development.base_component import Component
from flask import Flask, Response, request

from dashboard import look
from dashboard.calm import NOT_FOUND, Teller
from dashboard.door import Door
from dashboard.doors import READS, wrong_method
from dashboard.dusk import Turns, of_outlook, turns_of
from dashboard.frame import ASSETS, framed
from dashboard.fresh import RENDERINGS, html_of
from dashboard.gate import (
    content_policy,
    own_names,
    refuse_foreign_names,
    show_only_unlocked,
    with_headers,
)
from dashboard.local import clock
from dashboard.many import listing, one
from dashboard.many.rows import Standing, standing_of, standings
from dashboard.markup import html_text
from dashboard.packed import PackedFiles, send_packed
from dashboard.pages import tonight
from dashboard.phone import PATHS, Moment, add_phone, moment
from dashboard.tags import Node, html
from monitor.errors import StoreError
from monitor.served.lines import tag_text
from monitor.served.many import Sites
from monitor.served.query import Asker
from monitor.served.reader import LentReader
from monitor.site.model import Site
from monitor.site.sites_file import SitesFile
from monitor.stores import HOLD_S

LIST, SITE, FRESH = "/", listing.SITE, "/fresh"

NAME = "Sites"

NO_SITE = "The server knows no site of this name. The list of all is at /"

POLICY = content_policy(takes_forms=True)
"""Looking for a name is a form, though it changes nothing."""


class _App:
    """What the addresses answer. Threads share it."""

    def __init__(self, described: SitesFile, asker: Asker, sites: Sites) -> None:
        self._described, self._asker, self._sites = described, asker, sites
        self._own = {tag_text(entry.name): entry.page for entry in described.sites}

    def overview(self) -> Response:
        """The page of all sites."""
        view = listing.view_of(request.args)
        try:
            found = standings(self._sites.look().values())
        except StoreError as error:
            return _page(NAME, listing.trouble_tree(view, error, _here()), _moment(()), is_fresh=True)
        shown, _, _ = listing.seen_in(view, found)
        tree = listing.tree(view, found, self._own, _here())
        return _page(
            NAME,
            tree,
            _moment(shown),
            nav=_nav(listing.View(in_trouble=view.in_trouble).address),
            is_fresh=True,
        )

    def site(self) -> Response:
        """The page of one site."""
        name = tag_text(request.args.get("name", ""))
        try:
            standing = self._standing(name)
        except StoreError as error:
            lead = html.Section(listing.trouble_lead(error), id="lead")
            return _page(name, html.Main([html.Header(html.H1(name)), lead]), _moment(()))
        if standing is None:
            return TELLER.told(404, NO_SITE)
        own = self._own.get(name, "")
        if standing.state.site is None:
            return _page(name, one.unknown_tree(standing, own), _moment(()))
        site, reader = self._opened(standing.state.site, name)
        address = f"{FRESH}?{listing.named(name)}&"
        tree = one.tree(standing, site, lambda: reader, own, address)
        return _page(name, tree, replace(moment(lambda: reader, site), notice=None), is_fresh=True)

    def fresh(self) -> Response:
        """What has changed on an open page since the rendering it shows."""
        sections: Mapping[str, Sequence[Node | str]] | None = None
        if "name" in request.args:
            sections = self._fresh_site(tag_text(request.args["name"]))
        elif request.args.get("of") == "now":
            view = listing.view_of(request.args)
            try:
                found = standings(self._sites.look().values())
                sections = listing.sections(view, found, self._own, _here())
            except StoreError as error:
                sections = listing.trouble_sections(error, _here())
        if sections is None:
            return Response(f"{NOT_FOUND}\n", 404, mimetype="text/plain")
        told = RENDERINGS.since(request.args.get("seen", ""), html_of(sections))
        return Response(json.dumps(told, ensure_ascii=False), mimetype="application/json")

    def _fresh_site(self, name: str) -> Mapping[str, Sequence[Node | str]] | None:
        try:
            state = self._sites.look().get(name)
        except StoreError:
            state = self._sites.last.get(name)  # its reader will say what is the matter
        if state is None or state.site is None:
            return None
        site, reader = self._opened(state.site, name)
        return tonight.fresh(lambda: reader, site, request.args.get("of", ""), alone=True)

    def _standing(self, name: str) -> Standing | None:
        state = self._sites.look().get(name)
        return None if state is None else standing_of(state)

    def _opened(self, site: Site, name: str) -> tuple[Site, LentReader]:
        """A site as it is found here, and a reader for one answer."""
        return one.described(site, self._described.server), LentReader(self._asker, name, HOLD_S)


def make_sites_app(described: SitesFile, asker: Asker, sites: Sites, kept: Path) -> Flask:
    """The web app over a server; kept is the file beside which the PIN is kept."""
    server = Flask("sites", static_folder=None)
    app = _App(described, asker, sites)
    addresses = {LIST: app.overview, SITE: app.site, FRESH: app.fresh}
    door = Door(kept, (LIST, SITE), TELLER)
    is_locked = described.page.reading_needs_pin
    known = {*addresses, *PATHS, *(door.takes_forms if is_locked else ())}
    files = {f"/assets/{path.name}": path for path in ASSETS.iterdir() if path.is_file()}
    packed = PackedFiles()
    refuse_foreign_names(server, own_names(described.page.names, described.page.host))

    @server.before_request
    def refuse_unknown() -> Response | None:
        if request.method in READS and request.path in files:
            return send_packed(packed, files[request.path], request, keep="m" in request.args)
        return None if request.path in known else TELLER.told(404, NOT_FOUND)

    if is_locked:
        door.add_to(server)
        show_only_unlocked(server, door, TELLER)
    else:
        server.before_request(_refuse_writing)

    @server.after_request
    def finish(response: Response) -> Response:
        takes_forms = is_locked and (request.path in door.takes_forms or response.status_code == 401)
        return with_headers(response, POLICY, takes_forms=takes_forms)

    add_phone(server, NAME, {LIST, SITE})
    for address, answer in addresses.items():
        server.add_url_rule(address, address, answer)
    TELLER.keep_calm(server)
    return server


def _refuse_writing() -> Response | None:
    refusal = wrong_method(request.method, request.path, ())
    if refusal is None:
        return None
    answer = TELLER.told(refusal.status, refusal.text)
    answer.headers["Allow"] = ", ".join(refusal.allow)
    return answer


def _page(
    title: str, tree: Node, light: Moment, *, nav: str | None = None, is_fresh: bool = False
) -> Response:
    links = _nav("") if nav is None else nav
    whole = title if title == NAME else f"{NAME}: {title}"
    return Response(framed(whole, links, tree, light, is_fresh=is_fresh), mimetype="text/html")


def _nav(here: str) -> str:
    """The links under every page, the present one marked."""
    trouble = listing.View(in_trouble=True).address
    links = [
        html.A(text, href=address, **({"aria-current": "page"} if address == here else {}))
        for text, address in (("All sites", LIST), ("In trouble", trouble))
    ]
    return html_text(html.Nav(links, **{"aria-label": "Pages"}))


def _moment(shown: Sequence[Standing]) -> Moment:
    """The light of an answer: night while it is night at more than half of the sites shown."""
    return Moment("", _turns(shown), look.choice_of(request.cookies.get(look.COOKIE)))


def _turns(shown: Sequence[Standing]) -> Turns | None:
    """Those of a site where it is as at most of them; None where no sun is known."""
    found = []
    for each in shown:
        try:
            turns = turns_of(of_outlook(each.state.outlook, each.now.time_ms), each.now)
        except StoreError:
            turns = None
        if turns is not None:
            found.append(turns)
    night = 2 * sum(turns.night for turns in found) > len(found)
    return next((turns for turns in found if turns.night is night), None)


def _here() -> str:
    """The time of day where this page is served."""
    return clock(datetime.now().astimezone())


def _framed(title: str, tree: Component, light: Moment) -> str:
    return framed(f"{NAME}: {title}", _nav(""), tree, light)


TELLER = Teller(NAME, _framed, lambda: _moment(()))
