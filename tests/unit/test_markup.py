"""A Dash tree as plain HTML: same words, same marks, nothing that a text could break out of."""

import pytest
from dash import dcc, html

from dashboard import tags
from dashboard.markup import html_text


def test_tags_attributes_and_text_are_written_as_html():
    tree = html.Td("12.6 V", className="value live", colSpan=3, **{"data-quantity": "battery_voltage_V"})
    assert (
        html_text(tree) == '<td class="value live" colspan="3" data-quantity="battery_voltage_V">12.6 V</td>'
    )


def test_what_stands_in_a_text_stays_text():
    tree = html.P(["<script>alert(1)</script> & so on"], title='a "quoted" one')
    assert html_text(tree) == (
        '<p title="a &quot;quoted&quot; one">&lt;script&gt;alert(1)&lt;/script&gt; &amp; so on</p>'
    )


def test_lists_nest_and_what_is_nothing_is_left_out():
    tree = [html.Ul([html.Li("one"), None, html.Li([html.B("two"), " or three"])]), html.Br(), 4]
    assert html_text(tree) == "<ul><li>one</li><li><b>two</b> or three</li></ul><br>4"


def test_bare_attributes_and_styles():
    assert html_text(html.Details("x", open=True, hidden=False)) == "<details open>x</details>"
    assert html_text(html.I(style={"fontSize": "1rem", "top": 0})) == '<i style="font-size:1rem;top:0"></i>'


def test_a_chart_leaves_its_frame_and_a_timer_nothing():
    assert html_text([dcc.Graph(className="chart"), dcc.Interval(id="t")]) == '<div class="chart"></div>'


def test_what_needs_scripts_and_is_not_known_is_refused():
    with pytest.raises(ValueError, match="Dropdown cannot be shown without scripts"):
        html_text(dcc.Dropdown())


def test_our_own_tags_are_written_as_the_librarys():
    def tree(of):
        items = of.Ul([of.Li("a < b"), None, of.Li([of.Strong("two"), " or three"])])
        return of.Div([items, of.Br(), of.Details("x", open=True)], id="a", className="b", **{"data-x": '"'})

    assert html_text(tree(tags.html)) == html_text(tree(html))
