"""A fault of the page's own is told calmly, and written down in one line."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboard.app import make_app
from monitor.errors import StoreError
from monitor.site.load import load_site
from monitor.store.embedded import leave_request
from tests.unit.site_files import MARSH_HIDE

SECRET = "/a/path/of/the/computer"


class Broken:
    """Opens a store that fails in a way nobody thought of."""

    error: Exception = RuntimeError(f"cannot\nread {SECRET}")

    def __call__(self):
        raise self.error


@pytest.fixture(scope="module")
def broken() -> Broken:
    return Broken()


@pytest.fixture(scope="module")
def visitor(tmp_path_factory: pytest.TempPathFactory, broken: Broken) -> FlaskClient:
    folder: Path = tmp_path_factory.mktemp("calm")
    (folder / "site.toml").write_text(MARSH_HIDE, encoding="utf-8")
    app = make_app(
        broken,
        load_site(folder / "site.toml"),
        folder / "nightbank.db",
        lambda asked: leave_request(folder / "nightbank.db", asked),
    )
    return app.server.test_client()


@pytest.mark.parametrize(
    "path", ["/", "/days", "/alarms", "/care", "/plan", "/fresh?of=now", "/api/v1/latest"]
)
def test_a_fault_nobody_thought_of_is_told_calmly(
    visitor: FlaskClient, broken: Broken, caplog: pytest.LogCaptureFixture, path: str
) -> None:
    broken.error = RuntimeError(f"cannot\nread {SECRET}")
    with caplog.at_level(logging.ERROR):
        answer = visitor.get(path, headers={"Accept": "text/html", "Host": "localhost"})
    assert answer.status_code == 500
    text = answer.get_data(as_text=True)
    assert "written down in the page's log" in text
    assert SECRET not in text
    assert "RuntimeError" not in text
    assert "Traceback" not in text
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    lines = [record.getMessage() for record in caplog.records]
    assert any(SECRET in line and "test_page_calm.py:" in line for line in lines)
    assert not any("\n" in line for line in lines)
    assert not any(record.exc_info for record in caplog.records)


@pytest.mark.parametrize("path", ["/", "/days", "/alarms", "/care", "/plan"])
def test_a_store_that_cannot_be_read_is_no_fault_and_is_told_on_the_page(
    visitor: FlaskClient, broken: Broken, path: str
) -> None:
    broken.error = StoreError("nightbank.db: there is no store yet; start the daemon")
    answer = visitor.get(path, headers={"Accept": "text/html", "Host": "localhost"})
    assert answer.status_code == 200
    assert "start the daemon" in answer.get_data(as_text=True)


def test_where_no_program_asks_a_refusal_is_a_page_with_a_way_on(visitor: FlaskClient) -> None:
    answer = visitor.post("/days", headers={"Accept": "text/html", "Host": "localhost"})
    assert answer.status_code == 405
    assert answer.headers["Allow"] == "GET, HEAD"
    assert 'href="/alarms"' in answer.get_data(as_text=True)
