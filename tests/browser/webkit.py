"""A phone whose browser is built on WebKit, as many are: Debian's WebKitGTK, driven over WebDriver.

What it paints goes onto a screen in memory (Xvfb).
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium.webdriver import WebKitGTK
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.webkitgtk.options import Options
from selenium.webdriver.webkitgtk.service import Service

from tests.ports import free_port
from tests.waiting import wait_for

BROWSERS = Path("/usr/lib")
PHONE = (430, 932)
"""A large phone, in CSS pixels: the browser's own bar lets no window be much narrower."""

MIDDLE = """
const box = arguments[0].getBoundingClientRect();
return [box.x + box.width / 2, box.y + box.height / 2];
"""

FIRST = """
const [selector, words] = arguments;
return [...document.querySelectorAll(selector)].find(each => each.textContent.includes(words)) || null;
"""


@contextmanager
def screen() -> Iterator[str]:
    """A screen in memory; its name for DISPLAY."""
    told, tells = os.pipe()
    command = ["Xvfb", "-displayfd", str(tells), "-nolisten", "tcp", "-screen", "0", "800x1200x24"]
    with subprocess.Popen(command, pass_fds=[tells], stderr=subprocess.DEVNULL) as server:
        os.close(tells)
        try:
            with os.fdopen(told) as number:
                yield f":{number.readline().strip()}"
        finally:
            server.terminate()


class WebKitPhone:
    """One window. Elements are found by JavaScript, taps are pointer acts on what lies at a place."""

    def __init__(self, driver: WebKitGTK) -> None:
        self._driver = driver
        driver.set_window_size(*PHONE)

    def open(self, url: str) -> None:
        self._driver.get(url)

    @property
    def url(self) -> str:
        return str(self._driver.current_url)

    def asked(self, script: str, *arguments: Any) -> Any:
        """What the body of a JavaScript function returns in the page."""
        return self._driver.execute_script(script, *arguments)

    def text(self) -> str:
        """All that the page shows."""
        return str(self.asked("return document.body.innerText"))

    def find(self, selector: str, words: str = "") -> Any:
        """The first element of a selector that has these words; waited for."""
        return wait_for(lambda: self.asked(FIRST, selector, words), f"{selector} with '{words}'")

    def tap(self, element: Any) -> None:
        """Tap where the element is, once it is in the middle of the screen."""
        self.asked("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", element)
        across, down = self.asked(MIDDLE, element)
        act = ActionBuilder(self._driver)
        act.pointer_action.move_to_location(int(across), int(down))  # type: ignore[no-untyped-call]
        act.pointer_action.click()
        act.perform()

    def type(self, element: Any, words: str) -> None:
        element.send_keys(words)


@contextmanager
def webkit_phone() -> Iterator[WebKitPhone]:
    """A phone of its own. Raises WebDriverException where the engine does not start."""
    options = Options()
    options.binary_location = str(next(BROWSERS.glob("*/webkit2gtk-4.*/MiniBrowser")))
    options.add_argument("--automation")
    with screen() as display:
        service = Service(
            "/usr/bin/WebKitWebDriver", port=free_port(), env={**os.environ, "DISPLAY": display}
        )
        driver = WebKitGTK(options=options, service=service)
        try:
            yield WebKitPhone(driver)
        finally:
            driver.quit()
