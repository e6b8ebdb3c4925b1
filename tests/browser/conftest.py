"""One browser for all page tests, with every request and console line on record."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from reports import write_pages
from reports.text.case_links import FOLDER, case_file
from tests.browser import fixture
from tests.made_once import made_once

FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]

WINDOW: ViewportSize = {"width": 1280, "height": 900}

FIGURES_READY = """[...document.querySelectorAll('[data-figure]')].every(
    chart => !chart.hidden && chart.querySelector('.main-svg'))"""


OPEN_CHARTS = """for (const fold of document.querySelectorAll('details'))
    if (fold.querySelector('[data-figure]')) fold.open = true"""
"""Charts in a fold are drawn when it is opened."""


def until(page: Page, expression: str) -> None:
    """Wait until the expression holds. Playwright's own waiting needs eval, which pages forbid."""
    for _ in range(200):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never became true: {expression}")


@dataclass
class Opened:
    """A page with what it asked for and what it complained of."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    listeners: list[tuple[str, Callable[..., None]]] = field(default_factory=list, repr=False)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if binary is None and os.environ.get("CI") == "true":
        pytest.fail("no chromium binary was found, and CI runs the browser tests")
    if binary is None:
        pytest.skip("no chromium binary on this machine")
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=binary, args=FLAGS)
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every page of every invented month, written once; the path of each Month page."""
    months = {
        "full": fixture.month_review,
        "short": fixture.short_month,
        "empty": fixture.empty_month,
        "bare": fixture.bare_month,
        "one": fixture.one_trip,
        "large": fixture.large_month,
        "hostile": fixture.hostile_month,
    }

    def make(folder: Path) -> None:
        for name, review_of in months.items():
            write_pages(review_of(), folder / name)

    folder = made_once(tmp_path_factory, "pages", make)
    return {name: next((folder / name).glob("*/index.html")) for name in months}


@pytest.fixture(scope="session")
def open_page(browser: Browser, pages: dict[str, Path]) -> Opener:
    return Opener(browser, pages)


def case_page(month_page: Path, trip_id: str) -> Path:
    """The page of one trip beside a Month page."""
    return month_page.parent / FOLDER / case_file(trip_id)


TAKEN: list[tuple[Opener, Opened]] = []
"""Pages that the test at hand opened for itself."""


@pytest.fixture(autouse=True)
def pages_are_given_back() -> Iterator[None]:
    """What stays open goes on taking time and memory from every test that follows."""
    yield
    while TAKEN:
        opener, opened = TAKEN.pop()
        opener.give_back(opened)


class Opener:
    """Opens a month's page; with charts, waits until they are drawn.

    The chart library takes most of the time, so a page with charts is opened once and shared by
    the tests that only look at it; a page without them is loaded anew each time, in a tab that the
    test before gave back empty: to open a tab takes twice as long as to load a page in it.
    All are pages of one session of the browser: they keep nothing that another could find.
    """

    def __init__(self, browser: Browser, pages: dict[str, Path]) -> None:
        self.pages = pages
        self.session = browser.new_context(viewport=WINDOW)
        self.loaded: dict[str, Opened] = {}
        self.free: list[Page] = []

    def __call__(self, name: str, anchor: str = "") -> Opened:
        result = self._fresh()
        result.page.route("**/plotly.min.js", lambda route: route.abort())
        result.page.goto(self.pages[name].as_uri() + anchor)
        return result

    def case(self, name: str, trip_id: str, anchor: str = "", width: int = 1280) -> Opened:
        """Open a trip's page."""
        result = self._fresh()
        if width != WINDOW["width"]:
            result.page.set_viewport_size({"width": width, "height": 900})
        result.page.goto(case_page(self.pages[name], trip_id).as_uri() + anchor)
        return result

    def with_charts(self, name: str) -> Opened:
        if name not in self.loaded:
            self.loaded[name] = _listening(self.session.new_page())
            self.loaded[name].page.goto(self.pages[name].as_uri())
            self.loaded[name].page.evaluate(OPEN_CHARTS)
            until(self.loaded[name].page, FIGURES_READY)
        return self.loaded[name]

    def _fresh(self) -> Opened:
        result = _listening(self.free.pop() if self.free else self.session.new_page())
        TAKEN.append((self, result))
        return result

    def give_back(self, opened: Opened) -> None:
        """Leave the tab as a new one is, for the next test."""
        page = opened.page
        if page.is_closed():
            return
        page.goto("about:blank")
        for event, listener in opened.listeners:
            page.remove_listener(event, listener)
        page.unroute_all()
        page.emulate_media(media="null", reduced_motion="null")
        if page.viewport_size != WINDOW:
            page.set_viewport_size(WINDOW)
        self.free.append(page)


def _listening(page: Page) -> Opened:
    """The page with all that it asks for and complains of from here on."""
    result = Opened(page)
    result.listeners = [
        ("request", lambda request: result.requests.append(request.url)),
        ("pageerror", lambda error: result.complaints.append(str(error))),
        ("console", lambda line: result.complaints.append(line.text)),
    ]
    for event, listener in result.listeners:
        page.on(event, listener)  # type: ignore[call-overload]
    return result


@pytest.fixture(scope="session")
def sample_page(reviewed_sample: Path) -> Path:
    """The Month page of the sample's last month; the month's other pages lie beside it."""
    return max((reviewed_sample / "out").glob("????-??")) / "index.html"
