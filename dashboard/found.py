"""How another phone finds the page: its address in numbers, by name, and as a QR code."""

from __future__ import annotations

from urllib.parse import urlsplit

from dash import html
from dash.development.base_component import Component

from dashboard.address import ANY_HOST, Address, address_of, qr_picture
from dashboard.pages.base import extra
from dashboard.picture import Picture
from monitor.site.model import Site

ALONE = (
    "This page is served to this computer only; set host in the table [page] of the site file to change that."
)

NO_NETWORK = "This computer is in no network now, so that no other phone can find this page."


def found_section(site: Site, asked: str) -> Component:
    """The part of a page that tells another phone the way. asked is the request's own address, which shows
    on which port the page really listens."""
    where = address_seen(site, asked)
    if where.alone:
        content: list[Component] = [html.P(NO_NETWORK if site.page.host in ANY_HOST else ALONE)]
    else:
        content = [
            html.Div(Picture(qr_picture(where.url)), role="img", **extra(aria_labelledby="found-told")),
            html.P(told(where), id="found-told"),
        ]
    return html.Section([html.H2("On another phone"), *content], id="found")


def address_seen(site: Site, asked: str) -> Address:
    """Where the page is found, by the address under which it was asked for just now: its port is true even
    where the site file names another."""
    port = urlsplit(asked).port or site.page.port
    return address_of(site.page.host, port)


def told(where: Address) -> str:
    """The address in words, the name after it where there is one."""
    name = f" (on many phones also {where.by_name})" if where.by_name else ""
    return f"In this network any phone finds this page at {where.url}{name}."
