"""What every page's structure must be: headings in order, landmarks, ids and links that hold."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

from playwright.sync_api import Page


def headings_and_landmarks_in_order(page: Page) -> None:
    """One h1, no level of heading passed over, each landmark once."""
    levels = page.evaluate(
        "[...document.querySelectorAll('h1,h2,h3,h4')].map(h => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    for landmark in ("header", "main", "footer"):
        assert page.locator(landmark).count() == 1


SHEET_PX = (703, (279.4 - 28) * 96 / 25.4)
"""How wide the narrower of both papers is, A4, and how high the lower, Letter, inside the style
sheet's margins of 12 mm at the sides and 14 mm above and below."""
ON_PAPER = """[...document.querySelectorAll('figure')].filter(f => f.offsetHeight).map(f => {
    // the key of a trip's picture may stand on the next page
    const {breakInside} = getComputedStyle(f.querySelector('svg.trip') || f);
    const chart = f.querySelector('[data-figure] .main-svg');
    return [chart ? chart.getBoundingClientRect().width : 0, f.offsetHeight, breakInside];
})"""


def figures_are_whole_on_paper(page: Page) -> int:
    """No figure is parted between two sheets or higher than one, no chart wider; how many."""
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    figures = page.evaluate(ON_PAPER)
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="null")
    for wide, high, parted in figures:
        assert wide <= SHEET_PX[0]
        assert high < SHEET_PX[1]
        assert parted == "avoid"
    return len(figures)


def no_dead_link(page: Path, files: str) -> None:
    """Ids are there once, links within the page lead to one, those that `files` finds to a file."""
    html = page.read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids)), page
    for target in re.findall(r'href="#([^"=]+)"', html):
        assert target in ids, (page, target)
    for target in re.findall(files, html):
        assert (page.parent / target).is_file(), (page, target)
