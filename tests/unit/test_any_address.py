"""Whatever stands in an address of Days, of its parts or of a file, the page answers it sensibly."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.test import Client

from dashboard.app import make_app
from dashboard.csv_files import TABLES
from monitor.outlook import OUTLOOK_NOTE
from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading, parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.unit.outlooks_told import whole_outlook
from tests.unit.site_files import MARSH_HIDE, write

PATHS = ("/days", "/days/closer", "/days/report", *TABLES)
START = parse_iso("2026-10-24T00:00:00Z")

TIMES = st.one_of(
    st.datetimes().map(lambda moment: moment.isoformat()),
    st.dates().map(lambda day: day.isoformat()),
    st.integers(0, 80).map(lambda hours: f"2026-10-{24 + hours // 24}T{hours % 24:02}:00:00Z"),
    st.sampled_from(
        ["2026-10-25T00:30:00+01:00", "2026-10-25T01:30", "2199-12-31", "2000-01-01", "now", "-1", ""]
    ),
    st.text(max_size=60),
)
VALUES = {
    "from": TIMES,
    "to": TIMES,
    "days": st.one_of(st.sampled_from(["7", "14", "30", "91", "365"]), st.text(max_size=20)),
    "quantity": st.one_of(st.sampled_from(sorted(QUANTITIES)), st.text(max_size=20)),
    "beside": st.one_of(st.sampled_from(sorted(QUANTITIES)), st.text(max_size=20)),
}


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    """Two days of every quantity, over the hour at which the clocks go back, some readings flawed."""
    folder = tmp_path_factory.mktemp("any")
    site, path = load_site(write(folder, MARSH_HIDE)), folder / "store.db"
    with open_writer(path, "Europe/London") as writer:
        for at in range(START, START + 2 * 86_400_000, 600_000):
            for place, name in enumerate(QUANTITIES):
                quality = Quality((at // 600_000 + place) % 17 == 0)
                writer.append([Reading(at, "charger", name, 0.5, quality, "doubtful" if quality else "")])
        writer.put_note(OUTLOOK_NOTE, whole_outlook(at="2026-10-25T20:00:00Z"))
        writer.commit()
    return Client(
        make_app(lambda: open_reader(path), site, path, lambda asked: leave_request(path, asked)).server
    )


@pytest.mark.parametrize("path", PATHS)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(query=st.fixed_dictionaries({}, optional=VALUES))
def test_every_address_is_answered(client, path, query):
    answer = client.get(path, query_string=query, headers={"Host": "localhost"})
    assert answer.status_code == 200
    text = answer.get_data(as_text=True)
    if path in TABLES:
        header, *rows = text.split("\r\n")
        assert header.startswith(("time", "date"))
        assert rows[-1] == ""
    else:
        assert "<main" in text
        assert "<script>" not in text
