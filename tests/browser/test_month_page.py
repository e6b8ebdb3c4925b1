"""The Month page in a real browser: nothing fetched, nothing cut, everything reachable."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from reports import write_pages
from tests.browser import fixture
from tests.browser.conftest import Opener, until
from tests.browser.structure import (
    figures_are_whole_on_paper,
    headings_and_landmarks_in_order,
    no_dead_link,
)
from tests.browser.test_accessibility import checked, serious
from tests.deep import examples

SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
CUT_TEXTS = """[...document.querySelectorAll('[data-figure]')].flatMap(chart => {
    const box = chart.getBoundingClientRect();
    return [...chart.querySelectorAll('text')].filter(t => {
        const b = t.getBoundingClientRect();
        const past = Math.max(box.left - b.left, b.right - box.right, b.bottom - box.bottom);
        return b.width && past > 1 && !/W{9}/.test(t.textContent);
    }).map(t => t.textContent)})"""
MONTHS = ["full", "empty", "hostile"]
if examples(0, 1):  # else `test_edge_months.py` has months of few trips and of many bases
    MONTHS += ["short", "bare", "one", "large"]


@pytest.mark.browser
@pytest.mark.parametrize("name", MONTHS)
def test_opens_without_network_complaint_or_sideways_scroll(open_page: Opener, name: str) -> None:
    opened = open_page.with_charts(name)
    for width in (1280, 390):
        _resize(opened.page, width)
        assert opened.page.evaluate(SIDEWAYS) == 0
        assert opened.page.evaluate(CUT_TEXTS) == []
    assert opened.requests
    assert [url for url in opened.requests if not url.startswith("file:")] == []
    assert opened.complaints == []


def _resize(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    until(
        page,
        """[...document.querySelectorAll('[data-figure]')].every(chart =>
             Math.abs(chart.querySelector('.main-svg').getBoundingClientRect().width
                      - chart.parentElement.clientWidth) <= 1)""",
    )


@pytest.mark.browser
def test_filter_by_keyboard_and_deep_link(open_page: Opener) -> None:
    page = open_page("full").page
    rows = page.locator("#case-table tbody tr:visible")
    everything = rows.count()
    page.locator("#filter-rule").focus()
    page.keyboard.press("ArrowDown")
    chosen = page.locator("#filter-rule").input_value()
    assert chosen
    assert 0 < rows.count() < everything
    rules = rows.evaluate_all("rows => rows.map(r => r.dataset.rule.split(' '))")
    assert all(chosen in own for own in rules)
    assert page.url.endswith(f"#rule={chosen}")
    assert page.locator("#case-count").inner_text() == f"{rows.count()} of {everything} shown"

    linked = open_page("full", anchor=f"#rule={chosen}&base=base-1").page
    shown = linked.locator("#case-table tbody tr:visible")
    assert 0 < shown.count() < rows.count()
    assert linked.locator("#filter-base").input_value() == "base-1"
    linked.locator("#filter-clear").focus()
    linked.keyboard.press("Enter")
    assert shown.count() == everything


def sort_by_keyboard(page: Page) -> None:
    trips = page.locator("#case-table tbody th")
    in_order = trips.all_inner_texts()
    page.locator("th[data-key=trip] button").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert page.locator("thead th[data-key=trip]").get_attribute("aria-sort") == "descending"
    assert trips.all_inner_texts() == sorted(in_order, reverse=True)
    page.locator("th[data-key=n] button").press("Enter")
    assert trips.all_inner_texts() == in_order


def _natural(text: str) -> list[tuple[int, str]]:
    parts = re.findall(r"\d+|\D+", text.casefold())
    return [(int(p), "") if p.isdigit() else (10**9, p) for p in parts]


@pytest.mark.browser
def test_every_column_sorts_and_every_field_filters_by_keyboard(open_page: Opener) -> None:
    page = open_page("full").page
    page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineWidth") == "3px"
    sort_by_keyboard(page)
    rows = page.locator("#case-table tbody tr:visible")
    everything = rows.count()
    for key in ("trip", "base", "cannula", "severity", "rule"):
        page.locator(f"th[data-key={key}] button").press("Enter")
        sorts = page.locator(f"#case-table tbody [data-key={key}]").evaluate_all(
            "cells => cells.map(c => c.dataset.sort)"
        )
        assert sorts == sorted(sorts, key=_natural), key
        assert page.url.endswith(f"#sort={key}")
    page.locator("#filter-clear").press("Enter")
    for field in ("group", "rule", "base", "cannula"):
        select = page.locator(f"#filter-{field}")
        select.focus()
        page.keyboard.press("ArrowDown")
        promised = int((select.evaluate("s => s.selectedOptions[0].text")).split("(")[-1][:-1])
        assert rows.count() == promised < everything, field
        page.locator("#filter-clear").press("Enter")
        assert rows.count() == everything


@pytest.mark.browser
def test_a_long_list_is_shown_in_parts_and_holds_every_case(open_page: Opener) -> None:
    page = open_page("large").page
    rows = page.locator("#case-table tbody tr:visible")
    count = page.locator("#case-count")
    assert count.inner_text() == "First 20 of 900 shown"
    shape = """n => {
        const row = document.getElementById('case-' + n);
        const names = e => [...e.attributes].map(a => a.name).filter(a => a !== 'hidden').sort();
        return [row, ...row.cells].map(e => [e.tagName, e.className, names(e).join()]);
    }"""
    assert page.evaluate(shape, 102) == page.evaluate(shape, 96)
    page.locator("#case-more").press("Enter")
    assert rows.count() == 40
    assert count.inner_text() == "First 40 of 900 shown"
    page.evaluate("location.hash = '#case-777'")
    until(page, "document.querySelector('tr:target') !== null")
    assert page.locator("#case-777").is_visible()
    page.evaluate("location.hash = '#base=base-2&sort=-trip'")
    until(page, "document.getElementById('filter-base').value === 'base-2'")
    cases = fixture.large_month().cases
    of_base = cases.rows(cases["base"] == "base-2")
    assert count.inner_text() == f"First 20 of {len(of_base)} shown, 900 in all"
    assert rows.first.locator("th").inner_text() == max(of_base["trip_id"])
    assert {base.split(",")[0] for base in rows.locator("td[data-key=base]").all_inner_texts()} == {
        "base-2"
    }


@pytest.mark.browser
def test_nothing_moves_where_motion_is_not_wanted(open_page: Opener) -> None:
    page = open_page.with_charts("full").page
    behaviour = "getComputedStyle(document.documentElement).scrollBehavior"
    assert page.evaluate(behaviour) == "smooth"
    page.emulate_media(reduced_motion="reduce")
    assert page.evaluate(behaviour) == "auto"
    moving = """[...document.querySelectorAll('*')].filter(e => {
        const s = getComputedStyle(e);
        return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0;
    }).length"""
    assert page.evaluate(moving) == 0
    page.emulate_media(reduced_motion="null")


@pytest.mark.browser
def test_a_rule_leads_to_its_cases(open_page: Opener) -> None:
    page = open_page("full").page
    link = page.locator("#rule-wall-oxygen-time a")
    promised = int(link.inner_text().split()[0])
    link.press("Enter")
    until(page, "document.activeElement.id === 'cases-heading'")
    assert page.locator("#case-table tbody tr:visible").count() == promised


@pytest.mark.browser
def test_a_link_to_a_case_beats_the_filter(open_page: Opener) -> None:
    page = open_page("full", anchor="#group=audit").page
    assert page.locator("#case-1").is_hidden()
    page.evaluate("location.hash = '#case-1'")
    until(page, "!document.getElementById('case-1').hidden")


@pytest.mark.browser
def test_hostile_content_is_text(open_page: Opener) -> None:
    page = open_page.with_charts("hostile").page
    assert page.locator("img").count() == 0
    assert page.locator("b b, bdi b, .sentence > *").count() == 0
    scripts = page.locator("script:not([src]):not([type='application/json'])")
    assert scripts.count() == 0
    text = page.locator("#case-table").inner_text()
    for key in ("markup", "script", "quotes", "template", "hebrew"):
        assert fixture.HOSTILE[key] in text
    assert "bell[U+0007][U+0085][U+2028]end" in text
    assert "abc[U+202E]txt.exe[U+202C]" in text
    chart = page.locator("#rates svg.wide").evaluate("e => e.textContent")
    assert fixture.HOSTILE["markup"][:12] in chart
    assert fixture.HOSTILE["quotes"][:12] in chart
    assert page.locator("#rates svg a").count() == 0


@pytest.mark.browser
def test_no_serious_issue_on_a_month_page_with_odd_texts(open_page: Opener) -> None:
    """They are in the way where the page is narrow; they have the colours of any other."""
    page = open_page.with_charts("hostile").page
    assert checked(page, (390,)) == {390: []}
    page.evaluate("""document.querySelector('main').insertAdjacentHTML(
        'beforeend', '<p id="wrong"><select></select></p>')""")
    assert any(issue.startswith("select-name") for issue in serious(page, "#wrong"))
    page.evaluate("document.getElementById('wrong').remove()")


@pytest.mark.browser
def test_page_without_the_chart_library_opens_its_tables_and_forbids_scripts_in_it(
    open_page: Opener,
) -> None:
    page = open_page("full").page
    until(page, "document.getElementById('rates-by-share-table').open")
    assert page.locator("#rates-by-share").is_hidden()
    page.evaluate(
        """() => {
          const script = document.createElement('script');
          script.textContent = 'window.ran = true';
          document.body.append(script);
          const inline = document.createElement('p');
          inline.setAttribute('onclick', 'window.ran = true');
          document.body.append(inline);
          inline.click();
        }"""
    )
    assert page.evaluate("window.ran") is None


@pytest.mark.browser
def test_prints_every_table_and_no_cut_chart(open_page: Opener, tmp_path: Path) -> None:
    page = open_page.with_charts("full").page
    file = tmp_path / "month.pdf"
    page.pdf(path=file, format="A4")
    texts = [p.extract_text() for p in PdfReader(file).pages]
    assert all(len(text) > 40 for text in texts), "an empty page"
    whole = "\n".join(texts)
    for caption in ("rate by cannula", "Trips of June 2026"):
        assert caption in whole
    first = next(text for text in texts if "whole service 10" in text)
    assert "per 100 ventilator hours" in first  # title and axis on one page
    assert page.locator("details[open]:not(:has([data-figure]))").count() == 0  # as before
    assert figures_are_whole_on_paper(page)


@pytest.mark.browser
def test_headings_and_landmarks_in_order(open_page: Opener) -> None:
    page = open_page.with_charts("full").page
    headings_and_landmarks_in_order(page)
    names = page.locator("nav").evaluate_all("navs => navs.map(n => n.getAttribute('aria-label'))")
    assert names == ["Pages"]
    assert page.evaluate("document.documentElement.lang") == "en"
    labelled = page.locator("[data-figure]").evaluate_all(
        "charts => charts.map(c => [c.getAttribute('aria-label'),"
        " !!document.getElementById(c.getAttribute('aria-details'))])"
    )
    assert all(len(label) > 30 and table for label, table in labelled)


def test_no_dead_links(pages: dict[str, Path]) -> None:
    for page in pages.values():
        no_dead_link(page, r'(?:src|href)="((?:\.\./|cases/)[^"#]+)')


def test_same_bytes_twice(tmp_path: Path, pages: dict[str, Path]) -> None:
    again = write_pages(fixture.month_review(), tmp_path)
    assert again == tmp_path / "2026-06" / "index.html"
    assert again.read_bytes() == pages["full"].read_bytes()
    shared = {f.name: f.read_bytes() for f in (tmp_path / "assets").iterdir()}
    write_pages(fixture.month_review(), tmp_path)
    assert {f.name: f.read_bytes() for f in (tmp_path / "assets").iterdir()} == shared
    assert "plotly.min.js" in shared


def test_large_month_is_whole_and_light(pages: dict[str, Path]) -> None:
    html = pages["large"].read_text(encoding="utf-8")
    assert len(re.findall(r'id="case-\d+"', html)) == 100
    assert "100 of 900 cases" in html
    assert len(html.encode()) < 1_000_000
