"""What every request must be before a page looks at it."""

from __future__ import annotations

import pytest
from werkzeug.datastructures import Headers

from dashboard.callback_door import is_ours
from dashboard.doors import FORM, LARGEST_FORM_BYTES, is_from_here, wrong_form, wrong_method

HOST = "192.168.1.20:8480"


def headers(**more: str) -> Headers:
    named = {name.replace("_", "-"): value for name, value in more.items()}
    return Headers({"Host": HOST, "Content-Type": FORM, **named})


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"Origin": f"http://{HOST}"},
        {"Origin": f"http://{HOST}", "Sec_Fetch_Site": "same-origin"},
        {"Origin": f"https://{HOST}"},  # behind a server of one's own that speaks TLS
        {"Referer": f"http://{HOST}/care?edit=3"},
    ],
)
def test_a_form_of_this_page_is_taken(sent: dict[str, str]) -> None:
    assert is_from_here(headers(**sent))
    assert wrong_form(headers(**sent), 200) is None


@pytest.mark.parametrize(
    "sent",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://192.168.1.20"},  # another port of the same computer is another page
        {"Origin": "http://192.168.1.20:8481"},
        {"Origin": f"http://{HOST}@evil.example"},
        {"Origin": f"http://{HOST}.evil.example"},
        {"Origin": f"ftp://{HOST}"},
        {"Origin": "http://["},
        {"Referer": "http://evil.example/"},
        {"Origin": f"http://{HOST}", "Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Sec_Fetch_Site": "none"},
        {"Origin": "http://evil.example", "Referer": f"http://{HOST}/"},
    ],
)
def test_what_another_page_sent_is_not(sent: dict[str, str]) -> None:
    assert wrong_form(headers(**sent), 200).status == 403


def test_only_small_forms_of_the_usual_kind_are_taken() -> None:
    for kind in ("application/json", "multipart/form-data; boundary=x", "text/plain", ""):
        assert wrong_form(headers(Content_Type=kind), 10).status == 415
    assert wrong_form(headers(Content_Type=f"{FORM}; charset=UTF-8"), 10) is None
    assert wrong_form(headers(), LARGEST_FORM_BYTES) is None
    assert wrong_form(headers(), LARGEST_FORM_BYTES + 1).status == 413
    assert wrong_form(headers(), None).status == 411


def test_only_reading_and_posting_where_something_is_taken() -> None:
    assert wrong_method("GET", "/care", {"/care/write"}) is None
    assert wrong_method("POST", "/care/write", {"/care/write"}) is None
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "post"):
        assert wrong_method(method, "/care", {"/care/write"}).status == 405


CALLBACKS = {
    "..a.children...b.children..": {"inputs": [{"id": "closer", "property": "n_clicks"}], "state": []},
    "place.figure": {
        "inputs": [{"id": "closer", "property": "n_clicks"}],
        "state": [{"id": "kept", "property": "data"}],
    },
}
BODY = {
    "output": "..a.children...b.children..",
    "outputs": [{"id": "a", "property": "children"}, {"id": "b", "property": "children"}],
    "inputs": [{"id": "closer", "property": "n_clicks", "value": 7}],
    "changedPropIds": ["closer.n_clicks"],
    "parsedChangedPropsIds": ["closer.n_clicks"],
}
SINGLE = {
    "output": "place.figure",
    "outputs": {"id": "place", "property": "figure"},
    "inputs": [{"id": "closer", "property": "n_clicks", "value": 2}],
    "state": [{"id": "kept", "property": "data", "value": {"any": ["thing"]}}],
    "changedPropIds": [],
}


def test_what_our_scripts_ask_for_goes_through() -> None:
    assert is_ours(BODY, CALLBACKS)
    assert is_ours(SINGLE, CALLBACKS)


@pytest.mark.parametrize(
    "change",
    [
        {"output": "c.children"},
        {"output": ["..a.children...b.children.."]},
        {"outputs": []},
        {"outputs": [{"id": "b", "property": "children"}, {"id": "a", "property": "children"}]},
        {"outputs": "a.children"},
        {"inputs": []},
        {"inputs": None},
        {"inputs": [BODY["inputs"][0], BODY["inputs"][0]]},
        {"inputs": [[BODY["inputs"][0]]]},
        {"inputs": [{"id": {"type": "x"}, "property": "n_clicks"}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "value": "7"}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "value": True}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "value": None}]},
        {"inputs": [{"id": "refresh", "property": "n_intervals", "value": -1}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "value": 1e400}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "value": 0.5}]},
        {"inputs": [{"id": "closer", "property": "n_clicks", "more": 1}]},
        {"state": [{"id": "kept", "property": "data"}]},
        {"state": None},
        {"changedPropIds": ["other.n_clicks"]},
        {"changedPropIds": [["closer.n_clicks"]]},
        {"changedPropIds": "closer.n_clicks"},
        {"background": True},
    ],
)
def test_anything_else_is_stopped_before_dash(change: dict[str, object]) -> None:
    assert not is_ours({**BODY, **change}, CALLBACKS)


@pytest.mark.parametrize("body", [None, [], "x", 3, {}, {"output": "place.figure"}])
def test_what_is_no_body_is_stopped_too(body: object) -> None:
    assert not is_ours(body, CALLBACKS)
