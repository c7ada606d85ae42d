"""The addresses of the files (`csv_files`): read-only, a download each."""

from __future__ import annotations

from contextlib import closing

from flask import Flask, Response, request

from dashboard.csv_files import TABLES, file_name, text_of
from dashboard.pages.base import ReaderFactory
from monitor.errors import StoreError
from monitor.site.model import Site

CONTENT_TYPE = "text/csv; charset=utf-8; header=present"
"""After RFC 4180, section 3."""

NOTHING_YET = "There is nothing to put into this file yet.\n"


def add_files(server: Flask, open_reader: ReaderFactory, site: Site) -> None:
    """Serve the files. open_reader may raise StoreError at any call."""

    def answer() -> Response:
        try:
            with closing(open_reader()) as reader:
                table = TABLES[request.path](site, reader, request.args)
                text = None if table is None else text_of(table)
        except StoreError as trouble:
            return Response(f"{trouble}\n", 503, mimetype="text/plain")
        if table is None or text is None:
            return Response(NOTHING_YET, 404, mimetype="text/plain")
        response = Response(text, content_type=CONTENT_TYPE)
        response.headers["Content-Disposition"] = f'attachment; filename="{file_name(site, table.name)}"'
        return response

    for path in TABLES:
        server.add_url_rule(path, path, answer)
