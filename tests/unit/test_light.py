"""Dash is imported without plotly's drawing classes, and whoever asks for these later gets the real ones."""

import subprocess
import sys

TOLD = """
import sys
from dashboard.light import without_drawing_classes
with without_drawing_classes():
    from dash import dcc
print("plotly.graph_objs._figure" in sys.modules)
print(dcc.Graph(figure={"data": []}).figure)
from plotly.graph_objects import Figure
print(type(dcc.Graph(figure=Figure()).figure).__module__)
"""

STRIPPED = """
import email.message
from monitor.memory import forget_documentation
forget_documentation()
import email.policy
print(email.policy.SMTP.max_line_length, forget_documentation.__doc__)
"""


def lines_of(program):
    return subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    ).stdout.splitlines()


def test_a_page_process_does_without_the_drawing_classes_and_gives_them_back():
    assert lines_of(TOLD) == ["False", "{'data': []}", "plotly.graph_objs._figure"]


def test_what_is_imported_after_the_docstrings_went_still_works():
    assert lines_of(STRIPPED) == ["78 None"]
