"""What page and daemon do without: it is not imported, and whoever asks for it later gets it."""

import subprocess
import sys

import pytest

DRAWING = """
import sys
from dashboard.light import plain_figures_only
with plain_figures_only():
    from dash import dcc
print("plotly.graph_objs._figure" in sys.modules)
print(dcc.Graph(figure={"data": []}).figure)
from plotly.graph_objects import Figure
print(type(dcc.Graph(figure=Figure()).figure).__module__)
"""

TABLES = """
import sys
from dashboard.light import plain_figures_only
with plain_figures_only():
    import dash
print("narwhals" in sys.modules)
import pandas
from plotly.graph_objects import Figure
print(Figure({"data": [{"y": pandas.Series([12.5, 12.75])}]}).data[0].y.tolist())
print("narwhals" in sys.modules)
"""

USED_AT_ONCE = """
import sys
from dashboard.light import plain_figures_only
with plain_figures_only():
    import narwhals.stable.v1 as tables
    print(tables.Series.__module__.split(".")[0])
print(tables.from_native(5, pass_through=True))
"""

HEAVY = """
import sys
from dashboard.light import plain_figures_only
with plain_figures_only():
    import dashboard.server
print([name for name in ("numpy", "pandas", "pymodbus", "apprise", "urllib3") if name in sys.modules])
"""

STRIPPED = """
import email.message
def long(value=0):
    "What nobody reads."
    return value + 1
def given_back():
    "Of use."
    return "Of use."
def defaults(a="x", *, b=1):
    "Told of."
    return a, b, [a for _ in range(b)], "y"
from monitor.memory import forget_documentation
forget_documentation()
import email.policy
print(long.__code__.co_consts[0], given_back(), given_back.__doc__, defaults(b=2))
print(email.policy.SMTP.max_line_length, forget_documentation.__doc__)
"""


def lines_of(program):
    return subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    ).stdout.splitlines()


@pytest.mark.parametrize(
    ("program", "told"),
    [
        pytest.param(DRAWING, ["False", "{'data': []}", "plotly.graph_objs._figure"], id="drawing classes"),
        pytest.param(TABLES, ["False", "[12.5, 12.75]", "True"], id="tables"),
        pytest.param(USED_AT_ONCE, ["narwhals", "5"], id="tables, used while Dash is imported"),
    ],
)
def test_a_page_process_does_without_and_gets_it_when_it_asks(program, told):
    assert lines_of(program) == told


def test_a_page_process_carries_no_library_of_the_daemon_s():
    assert lines_of(HEAVY) == ["[]"]


def test_what_is_imported_after_the_docstrings_went_still_works():
    assert lines_of(STRIPPED) == ["None Of use. None ('x', 2, ['x', 'x'], 'y')", "78 None"]


WITHOUT_OPENSSL = """
import sys
from monitor.memory import leave_openssl_out
leave_openssl_out()
import asyncio, hashlib, hmac
print("libcrypto" in open("/proc/self/maps").read())
print(hashlib.sha256(b"abc").hexdigest())
print(hmac.new(b"Jefe", b"what do ya want for nothing?", "sha256").hexdigest())
import http.client, ssl
print(ssl.create_default_context().check_hostname, hasattr(http.client, "HTTPSConnection"))
"""

SHA_256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""Of 'abc': FIPS 180-2, appendix B.1 (from memory)."""

HMAC_SHA_256 = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
"""RFC 4231, 4.3 (test case 2) (from memory)."""


def test_without_openssl_hashes_are_right_and_tls_comes_when_it_is_asked_for():
    assert lines_of(WITHOUT_OPENSSL) == ["False", SHA_256, HMAC_SHA_256, "True True"]


PAGE_WITHOUT_OPENSSL = """
import sys
from dashboard.light import codes, plain_figures_only
from monitor.memory import openssl_left_out
with openssl_left_out(), plain_figures_only():
    import dashboard.server
print(codes().make("http://hide.local:8480/", micro=False).version)
print("libcrypto" in open("/proc/self/maps").read())
import http.client, urllib.request
print(hasattr(http.client, "HTTPSConnection"), hasattr(urllib.request, "HTTPSHandler"))
from monitor.pin import KeptPin
hashed = bytes.fromhex("%s")
print(KeptPin(b"NaCl", hashed, 1024, 8, 16).fits("password"))
"""

SCRYPT = "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
"""Of 'password' and 'NaCl' with N 1024, r 8, p 16, the first 32 bytes: RFC 7914, section 12 [memory]."""


def test_a_page_draws_its_code_without_openssl_and_checks_a_pin_with_it():
    # version 2: 25 to 32 letters in bytes with correction L to M (ISO/IEC 18004, table 7) [memory]
    assert lines_of(PAGE_WITHOUT_OPENSSL % SCRYPT) == ["2", "False", "True True", "True"]
