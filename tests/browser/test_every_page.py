"""Every page and pack: nothing serious for axe, all within reach of the keyboard, no request."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from reports import write_pages
from reports.education.teaching import trips_to_teach
from reports.render.packs import pack, teaching_pack
from tests.browser import golden
from tests.browser.conftest import Opened, Opener
from tests.browser.test_accessibility import checked
from tests.browser.test_month_page import SIDEWAYS
from tests.deep import examples

PAGES = ("month", "director", "education", "year", "case", "brief", "committee", "teaching")
DRAWN = ("month", "director") if examples(0, 1) else ()
"""They are looked at with their charts drawn; without `--deep` `test_month_page.py` has one."""
BOTH_WIDTHS = PAGES if examples(0, 1) else ("case",)
"""Where most is folded, beside each other or out of the way at one width and not at the other."""
WITHIN_REACH = """[...document.querySelectorAll('a[href], summary, button, select, [tabindex]')]
    .filter(e => e.checkVisibility() && !e.disabled && e.tabIndex >= 0)
    .map((e, i) => (e.dataset.stop = i, i)).length"""
HERE = """(() => { const e = document.activeElement, style = getComputedStyle(e);
    const shown = style.outlineStyle !== 'none' || style.boxShadow !== 'none';
    return [e.dataset.stop, shown ? '' : e.outerHTML]; })()"""
"""The stop that has the focus, and what it is if that cannot be seen."""


def written(folder: Path) -> dict[str, Path]:
    """The month that has most on it, each page by name."""
    review = golden.followed_review()
    month = write_pages(review, folder).parent
    files = {
        "month": month / "index.html",
        **{name: month / f"{name}.html" for name in ("director", "education", "year")},
        "case": next(iter(sorted((month / golden.FOLDER_OF_CASES).glob("*.html")))),
        "brief": month / "brief-3.html",
    }
    for name, html in (
        ("committee", pack(review, "committee")),
        ("teaching", teaching_pack(review, trips_to_teach(review)[0])),
    ):
        files[name] = month / f"pack-{name}.html"
        files[name].write_text(html, encoding="utf-8")
    return files


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return written(tmp_path_factory.mktemp("every"))


@pytest.fixture(scope="module")
def opener(browser: Browser, files: dict[str, Path]) -> Opener:
    return Opener(browser, files)


@pytest.mark.browser
@pytest.mark.parametrize("name", PAGES)
def test_all_within_reach_nothing_serious_no_request_no_sideways_scroll(
    opener: Opener, name: str
) -> None:
    opened = opener(name)
    the_keyboard_reaches_everything_and_shows_where_it_is(opened)
    if name in DRAWN:
        opened = opener.with_charts(name)
    widths = (390, 1280) if name in BOTH_WIDTHS else (390,)
    assert checked(opened.page, widths) == {width: [] for width in widths}
    opened.page.set_viewport_size({"width": 390, "height": 900})
    assert opened.page.evaluate(SIDEWAYS) == 0
    assert [url for url in opened.requests if not url.startswith("file:")] == []


def the_keyboard_reaches_everything_and_shows_where_it_is(opened: Opened) -> None:
    stops = opened.page.evaluate(WITHIN_REACH)
    reached = []
    for _ in range(stops):
        opened.page.keyboard.press("Tab")
        reached.append(opened.page.evaluate(HERE))
    assert reached == [[str(n), ""] for n in range(stops)]


def test_the_same_bytes_twice(files: dict[str, Path], tmp_path: Path) -> None:
    again = written(tmp_path)
    assert {n: p.read_bytes() for n, p in again.items()} == {
        n: p.read_bytes() for n, p in files.items()
    }
