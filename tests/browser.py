"""A browser for tests: Debian's Chromium under playwright; a reason to skip where either is missing."""

from __future__ import annotations

import importlib.util
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), "")
# software drawing, and nothing that the browser asks the net for by itself
ARGUMENTS = (
    "--no-sandbox",
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
)
MISSING = (
    "no Chromium here"
    if not CHROMIUM
    else "playwright is not installed"
    if importlib.util.find_spec("playwright") is None
    else ""
)
needs_browser = pytest.mark.skipif(bool(MISSING), reason=MISSING or "none")


class Watched:
    """A page, with everything that it complained about or asked for."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("dialog", lambda dialog: self._dialog(dialog))

    def _console(self, message: Any) -> None:
        # the driver's own words on slow reading of pictures are not the page's
        if message.type in ("error", "warning") and "GL Driver Message" not in message.text:
            self.complaints.append(message.text)

    def _dialog(self, dialog: Any) -> None:
        if dialog.type != "beforeunload":
            self.complaints.append(f"dialog: {dialog.message}")
        dialog.accept()

    def open(self, address: str) -> Any:
        """Goes there and waits until the page says that it is ready."""
        self.page.goto(address)
        self.page.wait_for_selector("html[data-ready]", state="attached", timeout=60_000)
        self.page.wait_for_timeout(300)
        return self.page


@contextmanager
def browser_page(*more: str, offline: bool = False, size: tuple[int, int] = (1400, 900)) -> Iterator[Watched]:
    """One page in a fresh browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, *more])
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, offline=offline)
        try:
            yield Watched(context.new_page())
        finally:
            browser.close()
