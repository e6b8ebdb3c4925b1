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


def no_dead_link(page: Path, files: str) -> None:
    """Ids are there once, links within the page lead to one, those that `files` finds to a file."""
    html = page.read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids)), page
    for target in re.findall(r'href="#([^"=]+)"', html):
        assert target in ids, (page, target)
    for target in re.findall(files, html):
        assert (page.parent / target).is_file(), (page, target)
