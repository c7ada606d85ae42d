"""What has changed since a rendering: texts in place where the tags stayed, the whole section where not."""

import random
from html.parser import HTMLParser

from dash import html

from dashboard.fresh import KEPT, Renderings, changes, leaves
from dashboard.markup import html_text


class Walk(HTMLParser):
    """The leaves as a browser finds them, by the standard library's own parser: attributes, then text."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        self.found += [text for name, text in attrs if name in ("data-value", "data-turns")]

    def handle_data(self, data):
        self.found.append(data)


def section(volts, age, *more):
    value = html.Td(f"{volts} V", className="value live", **{"data-value": f"{volts}"})
    return html_text([html.Tr([html.Th("Bank & <more>"), value, html.Td([html.Span(age), *more])])])


def test_leaves_are_those_that_a_parser_finds_in_the_same_order():
    text = section(12.6, "12 s ago", html.Span("old", className="tag"))
    parser = Walk()
    parser.feed(text)
    parser.close()
    assert leaves(text)[1] == parser.found
    assert "Bank & <more>" in parser.found


def test_a_changed_number_is_sent_alone():
    before, after = {"main": section(12.6, "now")}, {"main": section(12.5, "now")}
    assert changes(before, after) == {"main": {"of": 4, "set": [[1, "12.5"], [2, "12.5 V"]]}}


def test_what_stayed_is_not_sent():
    assert changes({"main": section(12.6, "now")}, {"main": section(12.6, "now")}) == {}


def test_where_the_tags_changed_the_section_is_sent_whole():
    old = html.Span("old", className="tag")
    before, after = {"main": section(12.6, "now")}, {"main": section(12.6, "5 min ago", old)}
    assert changes(before, after) == {"main": {"html": after["main"]}}


def test_an_empty_section_is_filled_and_emptied():
    assert changes({"main": ""}, {"main": section(1, "now")})["main"]["html"] == section(1, "now")
    assert changes({"main": section(1, "now")}, {"main": ""}) == {"main": {"html": ""}}


def test_a_text_that_appears_between_the_same_tags_is_sent_with_them():
    assert changes({"told": "<p></p>"}, {"told": "<p>now</p>"}) == {"told": {"html": "<p>now</p>"}}
    assert changes({"told": "then"}, {"told": ""}) == {"told": {"html": ""}}


def test_a_phone_that_shows_an_unknown_rendering_gets_everything():
    kept = Renderings()
    answer = kept.since("none", {"main": section(12.6, "now")})
    assert answer["parts"] == {"main": {"html": section(12.6, "now")}}
    assert kept.since(answer["seen"], {"main": section(12.6, "now")}) == {"seen": answer["seen"], "parts": {}}


def test_only_the_last_renderings_are_remembered():
    kept = Renderings()
    names = [kept.keep({"main": section(number, "now")}) for number in range(KEPT + 1)]
    assert "html" in kept.since(names[0], {"main": section(99, "now")})["parts"]["main"]
    assert "set" in kept.since(names[-1], {"main": section(98, "now")})["parts"]["main"]


def test_changed_leaves_put_into_the_old_rendering_give_the_new_one():
    seed = random.randrange(10**6)
    print(f"seed {seed}")
    draw = random.Random(seed)
    for _ in range(200):
        before, after = (
            {"s": section(draw.randint(0, 3), draw.choice(("now", "5 s ago")))} for _ in range(2)
        )
        told = changes(before, after).get("s", {"set": []})
        _, texts = leaves(before["s"])
        for place, text in told["set"]:
            texts[place] = text
        assert texts == leaves(after["s"])[1]
