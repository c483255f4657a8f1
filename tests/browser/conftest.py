"""Opens pages in a real browser, offline, and records what no reader should meet: errors, dialogs."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Dialog, Page

ARGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class Opened:
    """A page in the browser, and what happened while it loaded and since."""

    page: Page
    console: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def charts(self) -> int:
        """How many charts the page holds."""
        return self.page.locator(".picture").count()

    def marks(self) -> list[int]:
        """How many marks each live chart has drawn: bars, points, lines, areas, labels, not axes."""
        drawn = "pictures => pictures.map(one => one.querySelectorAll('.live svg .role-mark > *').length)"
        counts: list[int] = self.page.locator(".picture").evaluate_all(drawn)
        return counts

    def wait_for_charts(self) -> None:
        """Returns when every chart is drawn; fails after some seconds."""
        drawn = (
            "() => [...document.querySelectorAll('.picture')].every(one => one.querySelector('.live svg'))"
        )
        self.page.wait_for_function(drawn)

    def overflow_px(self) -> int:
        """By how many pixels the page is wider than the window; 0 is right."""
        width: int = self.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        return max(0, width)


def dismissed(opened: Opened, dialog: Dialog) -> None:
    """Notes a dialog and closes it."""
    opened.dialogs.append(dialog.message)
    dialog.dismiss()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The chromium of this machine."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no chromium is installed")
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium, args=ARGS)
        yield started
        started.close()


OpenPage = Callable[..., Opened]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Opens a file: `open_page(path, width=1440, scheme="light", scripts=True, **options_of_the_context)`.

    Where scripts run, it returns when all charts are drawn. A dialog is recorded and dismissed.
    """
    contexts = []

    def opened(
        path: Path,
        width: int = 1440,
        scheme: Literal["light", "dark"] = "light",
        scripts: bool = True,
        **more: Any,
    ) -> Opened:
        context = browser.new_context(
            viewport={"width": width, "height": 900},
            color_scheme=scheme,
            java_script_enabled=scripts,
            offline=True,
            **more,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        one = Opened(page)
        page.on("console", lambda message: one.console.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: one.console.append(f"error: {error}"))
        page.on("request", lambda request: one.requests.append(request.url))
        page.on("dialog", lambda dialog: dismissed(one, dialog))
        page.goto(path.resolve().as_uri())
        if scripts:
            one.wait_for_charts()
        return one

    yield opened
    for context in contexts:
        context.close()
