"""The pages, each with its own address. A page is data: an address, a title, and what to put there.

To add one, write a module with a `Page` and put it into PAGES; the app serves exactly these addresses. Only
the first page is kept fresh by Dash.
"""

from __future__ import annotations

from dashboard.pages import alarms, capacity, care, closer, days, plan, report, tonight
from dashboard.pages.base import Page

PAGES: tuple[Page, ...] = (
    tonight.PAGE,
    days.PAGE,
    alarms.PAGE,
    care.PAGE,
    capacity.PAGE,
    plan.PAGE,
    closer.PAGE,
    report.PAGE,
)
