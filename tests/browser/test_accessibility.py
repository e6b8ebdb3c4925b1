"""axe-core on the Month and case pages: nothing serious; every page is in `test_every_page.py`."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.browser import fixture
from tests.browser.conftest import Opener
from tests.deep import with_deep

SERIOUS = ("serious", "critical")


@cache
def axe_source() -> str:
    """The checker's script, as the test-only package ships it."""
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


def serious(page: Any, within: str = "html") -> list[str]:
    found = page.evaluate(
        "within => axe.run(within, {resultTypes: ['violations'], preload: false})", within
    )
    return [
        f"{issue['id']} ({issue['impact']}): {issue['nodes'][0]['html'][:200]}"
        for issue in found["violations"]
        if issue["impact"] in SERIOUS
    ]


def checked(page: Any, widths: tuple[int, ...] = (390, 1280)) -> dict[int, list[str]]:
    """Serious issues of an open page by width."""
    page.evaluate(axe_source())
    found = {}
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        found[width] = serious(page)
    return found


# else `test_month_page.py` has the narrow one with odd texts
@with_deep
@pytest.mark.browser
def test_no_serious_issue_on_a_month_page(open_page: Opener) -> None:
    for name in ("full", "hostile"):
        found = checked(open_page.with_charts(name).page)
        assert found == {390: [], 1280: []}


# else `test_every_page.py` has one at both widths
@with_deep
@pytest.mark.browser
@pytest.mark.parametrize("name", ["full", "hostile"])
def test_no_serious_issue_on_a_case_page(open_page: Opener, name: str) -> None:
    month = fixture.hostile_month() if name == "hostile" else fixture.month_review()
    page = open_page.case(name, str(month.cases["trip_id"][0])).page
    assert checked(page) == {390: [], 1280: []}
