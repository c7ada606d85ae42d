"""Another phone's camera finds the page: the code on 'Care' is read back by an independent reader."""

import io

import pytest
import zxingcpp
from PIL import Image

from dashboard.address import network_address


@pytest.fixture(scope="module")
def served(shared_hide):
    shared_hide.store()
    shared_hide.serve()
    return shared_hide


@pytest.mark.parametrize("look", ["day", "night", "phone"])
def test_a_camera_reads_the_page_s_address_off_the_screen(served, chromium, look):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, color_scheme="dark")
    context.add_cookies([{"name": "look", "value": look, "url": served.url}])
    page = context.new_page()
    page.goto(served.url + "care")
    screen = Image.open(io.BytesIO(page.locator("#found").screenshot()))
    context.close()
    (code,) = zxingcpp.read_barcodes(screen)
    # the site file's host is all of this computer's; the port is the one that was really asked
    assert code.text == f"http://{network_address()}:{served.port}/"
