"""A real headless Chromium, and the web application served by a real uvicorn, for tests of the pages."""

from __future__ import annotations

import re
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from support.broker import free_port
from support.patience import PATIENCE_S

_FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--hide-scrollbars", "--force-device-scale-factor=1", "--lang=en-GB",
)  # fmt: skip


class Server:
    """uvicorn in a thread of its own. `stop` and `start` again keep the port."""

    def __init__(self, app: Any, port: int | None = None) -> None:
        self.app = app
        self.port = port or free_port()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        config = uvicorn.Config(
            self.app, host="127.0.0.1", port=self.port, log_level="warning", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        wait_for(lambda: self._server.started, "uvicorn to start")

    def stop(self) -> None:
        self.app.state.context.live.broadcast.end_streams()
        self._server.should_exit = True
        self._thread.join(PATIENCE_S)


@contextmanager
def serving(app: Any) -> Iterator[Server]:
    server = Server(app)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def wait_for(condition: Callable[[], Any], what: str, timeout_s: float = PATIENCE_S) -> Any:
    """Ask until `condition` is true; returns what it gave."""
    until = time.monotonic() + timeout_s
    while True:
        try:
            found = condition()
        except StaleElementReferenceException:
            found = None
        if found:
            return found
        if time.monotonic() > until:
            raise AssertionError(f"waited {timeout_s} s in vain for {what}")
        time.sleep(0.05)


class Browser:
    """One Chromium with a fresh profile; `dark` and `zone` are what its user prefers."""

    def __init__(
        self, size: tuple[int, int] = (1920, 1080), *, dark: bool = False, zone: str = "Europe/Oslo"
    ) -> None:
        self._profile = tempfile.mkdtemp(prefix="hissmark-chromium-")
        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium") or "/usr/bin/chromium"
        for flag in (*_FLAGS, f"--user-data-dir={self._profile}", f"--window-size={size[0]},{size[1]}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        service = Service(shutil.which("chromedriver") or "/usr/bin/chromedriver")
        self.driver = webdriver.Chrome(options, service)
        self._devtools("Emulation.setTimezoneOverride", timezoneId=zone)
        self._devtools(
            "Emulation.setDeviceMetricsOverride",
            width=size[0], height=size[1], deviceScaleFactor=1, mobile=False,
        )  # fmt: skip
        theme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._devtools("Emulation.setEmulatedMedia", features=[theme])

    def _devtools(self, command: str, **arguments: Any) -> Any:
        return self.driver.execute_cdp_cmd(command, arguments)

    def open(self, url: str) -> None:
        self.driver.get(url)
        self.wait("main .panel", "the page to be drawn")

    def all(self, selector: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def wait(self, selector: str, what: str = "", timeout_s: float = PATIENCE_S) -> WebElement:
        return wait_for(lambda: self.all(selector), what or selector, timeout_s)[0]

    def text(self, selector: str) -> str:
        """All text of the first match, as a script sees it (also what is scrolled away)."""
        found = self.all(selector)
        return str(found[0].get_property("textContent")) if found else ""

    def wait_text(self, selector: str, part: str, timeout_s: float = PATIENCE_S) -> str:
        wait_for(lambda: part in self.text(selector), f"{part!r} in {selector}", timeout_s)
        return self.text(selector)

    def press(self, *keys: str) -> None:
        ActionChains(self.driver).send_keys(*keys).perform()

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """What the console reports as errors; a server that is down, a refused action and a story that is
        not on record are none.
        """
        rows = self.driver.get_log("browser")
        fine = "net::ERR_|status of 409|/explain.* status of 404"
        return [
            str(row["message"])
            for row in rows
            if row["level"] == "SEVERE" and not re.search(fine, str(row["message"]))
        ]

    def picture(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self.driver.save_screenshot(str(path))

    def close(self) -> None:
        self.driver.quit()
        shutil.rmtree(self._profile, ignore_errors=True)


@contextmanager
def browsing(size: tuple[int, int] = (1920, 1080), **more: Any) -> Iterator[Browser]:
    browser = Browser(size, **more)
    try:
        yield browser
    finally:
        browser.close()
