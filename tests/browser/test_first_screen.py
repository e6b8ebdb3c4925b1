"""What the sample month shows before anybody scrolls: words, pictures, and nothing to wait for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.reading import FOLD, first_picture, height, words_first, words_seen
from tests.deep import examples

BUDGETS = {
    "index": (130, 1_600, 4_500),
    "director": (180, 1_400, 4_500),
    "education": (150, 900, 4_500),
    "year": (220, 900, 2_000),
}
"""Words of the first screen and of the whole page, folds closed, and the page's height in px."""

LEAST_PICTURES = {"index": 6, "director": 4}

ABOVE = """fold => [...document.querySelectorAll('main svg, main [data-figure]')].filter(e => {
    const box = e.getBoundingClientRect();
    return box.height && box.top < fold;
}).map(e => [e.tagName, e.children.length])"""
SMALL_TEXT = """[...document.querySelectorAll('main svg.picture text')].filter(t =>
    t.checkVisibility() && parseFloat(getComputedStyle(t).fontSize) < 11).map(t => t.textContent)"""
SCALED = """[...document.querySelectorAll('main svg.picture')].filter(e => e.checkVisibility()
    && Math.abs(e.getBoundingClientRect().width - e.getAttribute('width')) > 0.6)
    .map(e => e.querySelector('title').textContent)"""
UNNAMED = """[...document.querySelectorAll('main svg.picture')].filter(e =>
    e.getAttribute('role') !== 'img' || !e.querySelector('title').textContent.trim()).length"""
OUTSIDE = """[...document.querySelectorAll('main svg.picture')].filter(e => e.checkVisibility())
    .flatMap(e => {
        const room = e.getBoundingClientRect();
        return [...e.querySelectorAll('text')].filter(t => {
            const box = t.getBoundingClientRect();
            return box.left < room.left - 1 || box.right > room.right + 1
                || box.top < room.top - 3 || box.bottom > room.bottom + 1;
        }).map(t => t.textContent);
    })"""
OVERLAPPING = """[...document.querySelectorAll('main svg.picture')].filter(e => e.checkVisibility())
    .flatMap(e => {
        const texts = [...e.querySelectorAll('text')].map(t => [t, t.getBoundingClientRect()]);
        return texts.flatMap(([one, a], i) => texts.slice(i + 1).filter(([, b]) =>
            Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 4)
            .map(([other]) => one.textContent + ' / ' + other.textContent));
    })"""

WIDER_THAN_PAPER = """[...document.querySelectorAll('.scroll, main svg, main figure')]
    .filter(e => e.checkVisibility() && (e.scrollWidth > e.clientWidth + 1
        || e.getBoundingClientRect().right > innerWidth + 1))
    .map(e => e.getAttribute('aria-label') || e.id || e.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def tab(browser: Browser) -> Iterator[Page]:
    opened = browser.new_page()
    yield opened
    opened.close()


@pytest.fixture
def screen(tab: Page) -> Page:
    """A tab as a new one is: to open one takes longer than to load a page in it."""
    tab.unroute_all()
    tab.emulate_media(media="null")
    tab.set_viewport_size({"width": 1280, "height": FOLD})
    return tab


def keeps_its_budgets(screen: Page, name: str) -> None:
    first, whole, high = BUDGETS[name]
    seen = words_first(screen)
    assert len(seen) <= first, " ".join(seen)
    assert first_picture(screen) < 300
    assert len(words_seen(screen)) <= whole
    assert height(screen) <= high


@pytest.mark.browser
@pytest.mark.parametrize("name", BUDGETS)
def test_a_first_screen_keeps_its_budgets_and_pictures_are_legible_at_their_width(
    screen: Page, sample_page: Path, name: str
) -> None:
    screen.goto(sample_page.with_name(f"{name}.html").as_uri())
    keeps_its_budgets(screen, name)
    for width in (1280, 390):
        screen.set_viewport_size({"width": width, "height": FOLD})
        for wrong in (SMALL_TEXT, SCALED, OUTSIDE, OVERLAPPING):
            assert screen.evaluate(wrong) == []
        assert screen.evaluate(UNNAMED) == 0
        assert screen.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.browser
@pytest.mark.parametrize("name", BUDGETS)
def test_nothing_above_the_fold_waits_for_a_script_and_on_paper_nothing_is_wider_than_the_sheet(
    screen: Page, sample_page: Path, name: str
) -> None:
    screen.route("**/*.js", lambda route: route.abort())
    screen.goto(sample_page.with_name(f"{name}.html").as_uri())
    if examples(0, 1):
        keeps_its_budgets(screen, name)
    found = screen.evaluate(ABOVE, FOLD)
    assert len(found) > LEAST_PICTURES.get(name, 0)
    assert all(tag == "svg" and children for tag, children in found)
    screen.emulate_media(media="print")
    screen.set_viewport_size({"width": 703, "height": 1016})  # A4 less its margins, in CSS px
    screen.evaluate("document.querySelectorAll('details').forEach(e => e.open = true)")
    assert screen.evaluate(WIDER_THAN_PAPER) == []
