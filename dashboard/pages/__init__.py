"""The pages, each with its own address. A page is data: an address, a title, and what to put there.

To add one, write a module with a `Page` and put it into PAGES; the app serves exactly these addresses. Only
the first page is kept fresh by Dash.

    base       what a page is
    tonight    will the bank last until morning, and how it stands now
    days       what each day brought; closer: any time looked at closely; report: a period on one sheet
    alarms     what stands, what to do first, the answers
    care       what is due, the log; capacity: a capacity test step by step
    plan       how long the bank lasts, dark nights, what if
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
