"""axe-core on the Month and case pages: nothing serious. `test_every_page.py` has every page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.browser import fixture
from tests.browser.conftest import Opener
from tests.deep import examples

RICH = str(fixture.cases_frame(1)["trip_id"][0])
SERIOUS = ("serious", "critical")
WIDTHS = {"full": (390, 1280), "hostile": (390, 1280)} if examples(0, 1) else {"hostile": (390,)}
"""Odd texts are in the way where the page is narrow; they have the colours of any other."""


@cache
def axe_source() -> str:
    """The checker's script, as the test-only package ships it."""
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


def serious(page: Any) -> list[str]:
    found = page.evaluate("axe.run({resultTypes: ['violations'], preload: false})")
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


@pytest.mark.browser
@pytest.mark.parametrize("name", WIDTHS)
def test_no_serious_issue_on_a_month_page(open_page: Opener, name: str) -> None:
    found = checked(open_page.with_charts(name).page, WIDTHS[name])
    assert found == {width: [] for width in WIDTHS[name]}


@pytest.mark.browser
@pytest.mark.parametrize("name", WIDTHS)
def test_no_serious_issue_on_a_case_page(open_page: Opener, name: str) -> None:
    trip = RICH if name == "full" else str(fixture.hostile_month().cases["trip_id"][0])
    found = checked(open_page.case(name, trip).page, WIDTHS[name])
    assert found == {width: [] for width in WIDTHS[name]}


@pytest.mark.browser
def test_the_checker_finds_what_is_wrong(open_page: Opener) -> None:
    page = open_page.case("full", RICH).page
    page.evaluate("""() => {
        document.querySelector('h1').outerHTML = '<img src="x.png"><select></select>';
        document.querySelector('main p').setAttribute('class', 'bad');
    }""")
    page.evaluate(axe_source())
    assert any(issue.startswith("select-name") for issue in serious(page))
