"""The case pages in a real browser: found, read, walked by keyboard, printed."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from reports.text.case_links import case_file
from tests.browser import case_fixture, fixture
from tests.browser.conftest import Opener, case_page, until
from tests.browser.reading import numbers
from tests.browser.structure import (
    figures_are_whole_on_paper,
    headings_and_landmarks_in_order,
    no_dead_link,
)
from tests.deep import examples

TRIPS = [str(trip) for trip in fixture.cases_frame(20)["trip_id"][:5]]
RICH = TRIPS[0]
KINDS = dict(zip(["rich", "open", "uncharted", "weaned", "plain"], TRIPS, strict=True))
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
SHOWN = """[...document.querySelectorAll('svg.trip')]
    .filter(svg => svg.getBoundingClientRect().width).map(svg => svg.getAttribute('class'))"""
CUT_TEXTS = """[...document.querySelectorAll('svg.trip')].flatMap(svg => {
    const box = svg.getBoundingClientRect();
    return [...svg.querySelectorAll('text')].filter(t => {
        const b = t.getBoundingClientRect();
        return b.width && (b.right > box.right + 1 || b.left < box.left - 1
                           || b.bottom > box.bottom + 1 || b.top < box.top - 1);
    }).map(t => t.textContent)})"""
BOXED_MINUTES = """(() => {
    const svg = document.querySelector('svg.trip.wide');
    const middle = e => { const b = e.getBoundingClientRect(); return b.x + b.width / 2; };
    const at = n => [...svg.querySelectorAll('text')].filter(t => t.textContent === n).pop();
    const zero = middle(at('0')), sixty = middle(at('60'));
    return [...svg.querySelectorAll('rect[fill-opacity]')].map(r => {
        const b = r.getBoundingClientRect();
        return [b.left, b.right].map(x => 60 * (x - zero) / (sixty - zero));
    });
})()"""
LIMIT_MINUTE = """(() => {
    const svg = document.querySelector('svg.trip.wide');
    const middle = e => { const b = e.getBoundingClientRect(); return b.x + b.width / 2; };
    const at = n => [...svg.querySelectorAll('text')].filter(t => t.textContent === n).pop();
    const line = svg.querySelector('line[stroke-dasharray="5 3"]');
    const zero = middle(at('0')), sixty = middle(at('60'));
    return 60 * (middle(line) - zero) / (sixty - zero);
})()"""


@pytest.fixture(scope="module")
def rich(open_page: Opener) -> Iterator[Page]:
    """The page of a trip that has most on it, for tests that only look at it."""
    page = open_page.session.new_page()
    page.goto(case_page(open_page.pages["full"], RICH).as_uri())
    yield page
    page.close()


@pytest.mark.browser
@pytest.mark.parametrize("kind", [*KINDS][:: examples(2, 1)])
def test_opens_without_network_complaint_or_sideways_scroll(open_page: Opener, kind: str) -> None:
    opened = open_page.case("full", KINDS[kind])
    for width, shown in ((1280, "trip wide"), (390, "trip narrow")):
        opened.page.set_viewport_size({"width": width, "height": 900})
        assert opened.page.evaluate(SIDEWAYS) == 0
        assert opened.page.evaluate(SHOWN) == [shown]
        assert opened.page.evaluate(CUT_TEXTS) == []
    assert opened.requests
    assert [url for url in opened.requests if not url.startswith("file:")] == []
    assert opened.complaints == []
    opened.page.close()


@pytest.mark.browser
def test_the_worst_trip_is_found_from_the_month_and_read(open_page: Opener) -> None:
    opened = open_page("full")
    page = opened.page
    until(page, "!document.getElementById('case-filters').hidden")
    page.locator("#case-table tbody tr").first.locator("th a").focus()
    page.keyboard.press("Enter")
    page.wait_for_load_state()
    assert page.locator("h1").inner_text().startswith(f"Trip {RICH}")
    assert "Case 1 of 20" in page.locator("main").inner_text()
    first = page.locator("#verdicts li").first.inner_text()
    assert first.startswith("1 Wall oxygen time")
    # its bounds and its limit; the limit, and when it was reached
    assert numbers(first)[1:6] == ["63", "67", "50", "50", f"{case_fixture.LIMIT_MIN}"]
    page.locator("#verdicts li").first.locator("summary").press("Enter")
    page.locator("#verdicts li").first.locator("a").first.press("Enter")
    row = page.locator("td:target")
    assert row.inner_text() == "settings.csv:100"
    assert row.locator("xpath=..").inner_text().startswith("3\twall oxygen\t8\t1.00")
    # the chart library was kept from loading
    assert [line.split()[-1] for line in opened.complaints] == ["net::ERR_FAILED"]


@pytest.mark.browser
def test_from_a_case_to_its_neighbours_and_the_filtered_list(open_page: Opener) -> None:
    page = open_page.case("full", RICH).page
    assert page.locator("a[rel=prev]").count() == 0
    page.locator("a[rel=next]").first.press("Enter")
    page.wait_for_load_state()
    assert page.locator("h1 bdi").inner_text() == TRIPS[1]
    assert page.locator("a[rel=prev]").first.get_attribute("href") == case_file(RICH)
    page.route("**/plotly.min.js", lambda route: route.abort())
    page.locator("nav.neighbours a", has_text="Cases with").first.press("Enter")
    until(page, "document.activeElement.id === 'cases-heading'")
    rule = page.locator("#filter-rule").input_value()
    assert rule
    rows = page.locator("#case-table tbody tr:visible")
    assert 0 < rows.count() < 20
    rules = rows.evaluate_all("rows => rows.map(r => r.dataset.rule.split(' '))")
    assert all(rule in own for own in rules)


@pytest.mark.browser
def test_the_limit_stands_at_its_minute(rich: Page) -> None:
    """The drawn line, measured against the drawn axis, gives the minute back."""
    assert rich.evaluate(LIMIT_MINUTE) == pytest.approx(case_fixture.LIMIT_MIN, abs=0.4)


@pytest.mark.browser
def test_what_was_not_kept_is_boxed_at_its_minutes(rich: Page) -> None:
    """Each box, measured against the drawn axis, gives its stretch back, numbered as the list."""
    boxes = rich.evaluate(BOXED_MINUTES)
    assert [b[:2] for b in boxes] == [pytest.approx(ends, abs=0.4) for ends in ([3, 33], [45, 80])]
    assert rich.locator("#verdicts .ring").all_inner_texts() == ["1", "2"]
    drawn = rich.locator("svg.trip.wide circle + text").all_text_contents()
    # each once above its bar, the variance once more in each of its boxes
    assert sorted(drawn) == ["1", "1", "1", "2", "3"]


@pytest.mark.browser
def test_after_each_cut_stands_what_was_charted(rich: Page) -> None:
    texts = rich.locator("svg.trip.wide text").all_text_contents()
    at = texts.index("96%")
    assert texts[at + 1] == "\u2013"  # no heart rate within ten minutes
    assert "SpO2 after" in texts
    assert "heart rate after" in texts


@pytest.mark.browser
def test_a_picture_says_what_is_known_and_what_is_not(open_page: Opener, rich: Page) -> None:
    svg = rich.locator("svg.trip.wide")
    titles = svg.locator("title").all_text_contents()
    assert titles[0].startswith(f"Trip {RICH}")
    assert numbers(titles[0])[-3:] == ["63", "67", "50"]
    for own, said in (
        ("Gas source: wall", ["3", "33"]),
        ("Flow not known", []),
        # when, how sure, how high, how long; then the lowest SpO2 within so many minutes
        ("Occlusion at 85", ["85", "60", "48", "2", "7", "2", "96", "10"]),
        ("SpO2 83", ["2", "83", "81"]),
        ("Call at", ["90"]),
    ):
        assert said in [numbers(title) for title in titles if title.startswith(own)]
    described = svg.locator("desc").text_content() or ""
    assert "wall oxygen 3 to 33" in described
    assert "3 occlusions" in described
    hatched = svg.locator('[fill="url(#wide-unknown)"]').count()
    assert hatched == 2  # flow and FiO2 from 100 min on
    opened = open_page.case("full", KINDS["open"]).page
    assert "known after 110" in opened.locator("main").inner_text()
    uncharted = open_page.case("full", KINDS["uncharted"]).page
    assert "nothing is known" in (uncharted.locator("svg.trip.wide").text_content() or "")


@pytest.mark.browser
def test_hostile_content_is_text(open_page: Opener) -> None:
    texts = ""
    values = list(fixture.HOSTILE.values())
    opened = open_page.case("hostile", values[0], width=390)
    page = opened.page
    for value in values:
        opened.requests.clear()
        page.goto(case_page(open_page.pages["hostile"], value).as_uri())
        assert page.locator("script, img, b b, bdi > *, svg a, main [onerror]").count() == 0
        assert page.evaluate(SIDEWAYS) == 0
        assert opened.complaints == []
        assert [Path(url).suffix for url in opened.requests] == [".html", ".css"]
        texts += page.locator("main").text_content() or ""
    for key in ("markup", "script", "quotes", "template", "hebrew"):
        assert f"Trip {fixture.HOSTILE[key]}" in texts
    assert "Trip bell[U+0007][U+0085][U+2028]end" in texts
    assert "Trip abc[U+202E]txt.exe[U+202C]" in texts
    assert "Gas source" in texts
    assert f"Cannula: {fixture.HOSTILE['quotes']}" in texts  # in the picture, too


@pytest.mark.browser
@pytest.mark.parametrize("kind", ["rich", "plain"])
def test_prints_on_two_pages_with_a_whole_picture(
    open_page: Opener, tmp_path: Path, kind: str
) -> None:
    page = open_page.case("full", KINDS[kind]).page
    file = tmp_path / "case.pdf"
    page.pdf(path=file, format="A4")
    texts = [p.extract_text() for p in PdfReader(file).pages]
    assert len(texts) in (1, 2)
    assert all(len(text) > 200 for text in texts), "an empty page"
    # the top of the picture and the foot of its axis stand on one page
    assert "since the crew" in texts[0]
    assert "departure 40" in texts[0]
    whole = "\n".join(texts)
    for sentence in (
        "skill or knowledge",
        "protocol unclear",
        "Reviewer (token)",
        "not for treating",
    ):
        assert sentence in whole
    assert figures_are_whole_on_paper(page)


@pytest.mark.browser
def test_headings_and_landmarks_in_order(rich: Page) -> None:
    headings_and_landmarks_in_order(rich)
    names = rich.locator("nav").evaluate_all("navs => navs.map(n => n.getAttribute('aria-label'))")
    assert len(set(names)) == len(names)


def html_files(month_page: Path) -> list[Path]:
    return sorted(month_page.parent.rglob("*.html"))


def test_every_page_carries_a_policy_and_no_dead_link(pages: dict[str, Path]) -> None:
    seen = 0
    for page in itertools.chain.from_iterable(map(html_files, pages.values())):
        html = page.read_text(encoding="utf-8")
        seen += 1
        assert 'http-equiv="Content-Security-Policy" content="default-src \'none\'' in html
        assert "unsafe-eval" not in html
        no_dead_link(page, r'(?:src|href)="(?!data/|run\.json)([^"#:]+)(?<!\.xlsx)"')
    assert seen > 60


def test_a_case_page_runs_no_script(pages: dict[str, Path]) -> None:
    html = case_page(pages["full"], RICH).read_text(encoding="utf-8")
    assert "script-src" not in html  # falls back to default-src 'none'
    assert "<script" not in html
    assert " style=" not in html
    assert len(html.encode()) < 100_000


@pytest.mark.browser
def test_a_link_in_the_list_beats_no_filter(open_page: Opener) -> None:
    """'All cases' on a case page marks its own row."""
    page: Page = open_page("full", anchor="#case-2").page
    until(page, "document.querySelector('tr:target') !== null")
    assert page.locator("tr:target").get_attribute("id") == "case-2"
