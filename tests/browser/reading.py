"""What somebody sees of a page: the words above a line, where pictures begin."""

from __future__ import annotations

import re

from playwright.sync_api import Page

FOLD = 800

SEEN = """fold => {
    const found = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
        const parent = node.parentElement;
        if (parent.closest('title, desc, script, style, option, .hidden-text, .skip')) continue;
        if (!parent.checkVisibility({visibilityProperty: true})) continue;
        const range = document.createRange();
        for (const match of node.textContent.matchAll(/\\S*\\p{L}\\S*/gu)) {
            range.setStart(node, match.index);
            range.setEnd(node, match.index + match[0].length);
            const box = range.getBoundingClientRect();
            if (box.width && box.top + window.scrollY < fold) found.push(match[0]);
        }
    }
    return found;
}"""

FIRST_PICTURE = """() => Math.min(...[...document.querySelectorAll('main svg.picture')]
    .filter(e => e.checkVisibility() && e.getBoundingClientRect().width)
    .map(e => e.getBoundingClientRect().top + window.scrollY))"""


def numbers(said: str) -> list[str]:
    """The numbers of a sentence, in its order: '7 of 1,031 trips, 0.7 %' has 7, 1,031 and 0.7."""
    return re.findall(r"\d+(?:[.,:]\d+)*", said)


def words_seen(page: Page, above: float = 1e9) -> list[str]:
    """Visible words with a letter that begin above so many px, text of pictures counted."""
    return page.evaluate(SEEN, above)


def words_first(page: Page) -> list[str]:
    """Those of the first screen, and the line of cautions wherever it stands."""
    seen = words_seen(page, FOLD)
    cautions = page.locator("footer p").first
    box = cautions.bounding_box()
    if box is not None and box["y"] >= FOLD:
        seen += [w for w in cautions.inner_text().split() if any(c.isalpha() for c in w)]
    return seen


def first_picture(page: Page) -> float:
    """Where the first picture begins, in px from the top."""
    return page.evaluate(FIRST_PICTURE)


def height(page: Page) -> int:
    """The whole page's height in px, folds as they are."""
    return page.evaluate("document.documentElement.scrollHeight")
