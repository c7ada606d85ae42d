"""The addresses for other programs: the same facts as the pages', as JSON and as OpenMetrics text. Read-only.

Each answer opens the store and closes it, as the pages do. A fault is told as {"error": "..."}: 400 what is
wrong in the address, 404 no such address or nothing there yet, 405 another method than GET and HEAD, 503 the
store cannot be read.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from typing import Any

from flask import Flask, Response, request

from dashboard.asked import AskedWrongly, asked_days, asked_history, asked_range, nothing
from dashboard.documents import (
    alarms_document,
    days_document,
    latest_document,
    outlook_document,
    range_document,
)
from dashboard.metrics import CONTENT_TYPE, metrics_text
from dashboard.openapi import description
from dashboard.pages.base import ReaderFactory
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.site.model import Site
from monitor.store.base import StoreReader

ROOT = "/api/"
DESCRIPTION = "/api/v1/openapi.json"
METRICS = "/metrics"
ALLOWED = ("GET", "HEAD")

NO_OUTLOOK = (
    "no outlook has been made yet: the monitor makes one each quarter of an hour while it runs and knows the"
    " charge of the bank"
)

Query = list[tuple[str, str]]


def _latest(site: Site, reader: StoreReader, query: Query) -> dict[str, Any]:
    nothing(query)
    return latest_document(site, reader)


def _range(_site: Site, reader: StoreReader, query: Query) -> dict[str, Any]:
    return range_document(reader, asked_range(query))


def _days(site: Site, reader: StoreReader, query: Query) -> dict[str, Any]:
    return days_document(site, reader, asked_days(query))


def _outlook(_site: Site, reader: StoreReader, query: Query) -> dict[str, Any] | None:
    nothing(query)
    return outlook_document(reader)


def _alarms(site: Site, reader: StoreReader, query: Query) -> dict[str, Any]:
    return alarms_document(site, reader, asked_history(query, now_of(reader).time_ms))


DOCUMENTS: Mapping[str, Callable[[Site, StoreReader, Query], dict[str, Any] | None]] = {
    "/api/v1/latest": _latest,
    "/api/v1/range": _range,
    "/api/v1/days": _days,
    "/api/v1/outlook": _outlook,
    "/api/v1/alarms": _alarms,
}
"""The documents by address; None where there is none yet."""

ADDRESSES = (*DOCUMENTS, DESCRIPTION, METRICS)


def is_for_programs(path: str) -> bool:
    """Whether an address belongs here; faults under it are told as JSON."""
    return path.startswith(ROOT) or path == METRICS


def error(status: int, text: str) -> Response:
    """A fault as JSON."""
    return _json({"error": text}, status)


def add_api(server: Flask, open_reader: ReaderFactory, site: Site) -> None:
    """Serve the addresses. open_reader may raise StoreError at any call."""

    def answer() -> Response:
        query = list(request.args.items(multi=True))
        if request.path == DESCRIPTION:
            nothing(query)
            return _json(description())
        with closing(open_reader()) as reader:
            if request.path == METRICS:
                nothing(query)
                return Response(metrics_text(site, reader), content_type=CONTENT_TYPE)
            document = DOCUMENTS[request.path](site, reader, query)
        return error(404, NO_OUTLOOK) if document is None else _json(document)

    def told() -> Response:
        try:
            return answer()
        except AskedWrongly as wrong:
            return error(400, str(wrong))
        except StoreError as trouble:
            return error(503, str(trouble))

    for path in ADDRESSES:
        server.add_url_rule(path, path, told)

    @server.before_request
    def only_what_is_there() -> Response | None:
        if not is_for_programs(request.path):
            return None
        if request.path not in ADDRESSES:
            return error(404, f"there is no such address; there are {', '.join(ADDRESSES)}")
        if request.method not in ALLOWED:
            refused = error(405, f"only {' and '.join(ALLOWED)} are answered here: nothing can be changed")
            refused.headers["Allow"] = ", ".join(ALLOWED)
            return refused
        return None


def _json(document: Mapping[str, Any], status: int = 200) -> Response:
    return Response(f"{{{', '.join(_members(document))}}}", status, mimetype="application/json")


def _members(document: Mapping[str, Any]) -> Iterator[str]:
    """The document's members as JSON. Lists are encoded item by item: the encoder keeps all pieces of what it
    is given, for 2000 points some megabytes that would stay with the process."""
    for name, value in document.items():
        told = (
            f"[{', '.join(map(_encoded, value))}]" if isinstance(value, list | Iterator) else _encoded(value)
        )
        yield f"{_encoded(name)}: {told}"


def _encoded(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
