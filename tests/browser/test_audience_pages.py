"""The Director and Education pages and the briefs in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from reports import write_pages
from tests.browser import fixture, fixture_figures
from tests.browser.conftest import Opener
from tests.browser.structure import (
    figures_are_whole_on_paper,
    headings_and_landmarks_in_order,
    no_dead_link,
)
from tests.browser.test_accessibility import axe_source, serious
from tests.browser.test_month_page import CUT_TEXTS, SIDEWAYS, _resize
from tests.deep import examples
from tests.frames import to_pandas

SERVICES = {
    "full": fixture_figures.full,
    "half-year": fixture_figures.half_year,
    "hostile": fixture_figures.hostile,
    "nothing": fixture_figures.nothing,
    "one-base": fixture_figures.one_base,
}
FULL = ["full/director", "full/education", "full/brief-3", "full/year"]
OPENED = [*FULL, "hostile/education"]
if examples(0, 1):  # else `test_edge_months.py` has the director's page of odd texts and few months
    OPENED += ["hostile/director", "hostile/year", "half-year/director", "nothing/director"]
    OPENED += ["one-base/education"]
# where the whole service's months stand, read off the drawn axis
DRAWN_VALUES = """(() => {
    const chart = document.getElementById('charts-rates');
    const middle = e => { const b = e.getBoundingClientRect(); return b.y + b.height / 2; };
    const ticks = [...chart.querySelectorAll('.ytick text')];
    const zero = middle(ticks[0]), last = ticks[ticks.length - 1];
    const perPx = Number(last.textContent) / (zero - middle(last));
    const plot = chart.querySelector('.subplot.xy');
    const symbols = [...plot.querySelectorAll('.points path.point')];
    return symbols.map(p => (zero - middle(p)) * perPx);
})()"""


@pytest.fixture(scope="session")
def audiences(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every page but the Month page, by service and name."""
    found: dict[str, Path] = {}
    for name, make in SERVICES.items():
        folder = write_pages(make(), tmp_path_factory.mktemp("stores") / name).parent
        found |= {f"{name}/{p.stem}": p for p in sorted(folder.glob("*.html"))}
    return found


@pytest.fixture(scope="session")
def open_audience(browser: Browser, audiences: dict[str, Path]) -> Opener:
    return Opener(browser, audiences)


@pytest.mark.browser
@pytest.mark.parametrize("name", OPENED)
def test_opens_without_network_complaint_or_sideways_scroll(
    open_audience: Opener, name: str
) -> None:
    opened = open_audience.with_charts(name)
    for width in (1280, 390):
        _resize(opened.page, width)
        assert opened.page.evaluate(SIDEWAYS) == 0
        assert opened.page.evaluate(CUT_TEXTS) == []
    assert [url for url in opened.requests if not url.startswith("file:")] == []
    assert opened.complaints == []


@pytest.mark.browser
def test_every_chart_is_drawn_and_tied_to_its_table(open_audience: Opener) -> None:
    expected = {
        "full/director": {
            *("charts-rates", "charts-shares", "charts-gaps"),
            *("charts-whole", "charts-oxygen", "charts-bedside"),
        },
    }
    for name, figures in expected.items():
        page = open_audience.with_charts(name).page
        drawn = page.locator("[data-figure]").evaluate_all(
            "charts => charts.map(c => [c.id, c.getAttribute('aria-label'),"
            " !!document.getElementById(c.getAttribute('aria-details')).querySelector('table')])"
        )
        assert {chart for chart, _, _ in drawn} == figures
        assert all(len(label) > 30 and table for _, label, table in drawn)


@pytest.mark.browser
def test_points_stand_at_the_figures(open_audience: Opener) -> None:
    """The drawn months of the whole service, measured against the drawn axis."""
    page = open_audience.with_charts("full/director").page
    _resize(page, 1280)
    frame = fixture_figures.full().figures
    assert frame is not None
    rows = to_pandas(frame.charts)
    own = rows[(rows["measure"] == "occlusion-rate") & (rows["group_by"] == "service")]
    drawn = sorted(page.evaluate(DRAWN_VALUES))
    # each signal is drawn twice: its point and its ring
    expected = sorted([*own["value"], *own.loc[own["signal"].notna(), "value"]])
    assert drawn == pytest.approx(expected, abs=0.6)
    assert int(own["signal"].notna().sum()) >= 1


@pytest.mark.browser
def test_a_signal_has_its_rule_beside_it(open_audience: Opener) -> None:
    page = open_audience.with_charts("full/director").page
    texts = page.locator("#charts-rates .annotation-text").evaluate_all(
        "found => found.map(t => t.textContent)"
    )
    assert [t for t in texts if "above the upper" in t]
    assert "protocol 2026.1" in texts
    finding = page.locator("#charts-rates-finding").inner_text()
    assert re.search(r"2026: above the upper", finding)


@pytest.mark.browser
@pytest.mark.parametrize("name", FULL)
def test_prints_without_empty_pages(open_audience: Opener, tmp_path: Path, name: str) -> None:
    page = open_audience.with_charts(name).page
    file = tmp_path / "page.pdf"
    page.pdf(path=file, format="A4")
    texts = [p.extract_text() for p in PdfReader(file).pages]
    assert all(len(text) > 40 for text in texts), "an empty page"
    whole = "\n".join(texts)
    assert "peer-review rules" in whole
    if name in ("full/brief-3", "full/year"):
        assert len(texts) == 1
    assert bool(figures_are_whole_on_paper(page)) == (name == "full/director")


@pytest.mark.browser
@pytest.mark.skipif(not examples(0, 1), reason="with --deep: `test_every_page.py` has each page")
@pytest.mark.parametrize("name", FULL)
def test_no_serious_accessibility_issue(open_audience: Opener, name: str) -> None:
    page = open_audience.with_charts(name).page
    page.evaluate(axe_source())
    assert serious(page) == []


@pytest.mark.browser
@pytest.mark.parametrize("name", FULL)
def test_headings_landmarks_and_language(open_audience: Opener, name: str) -> None:
    page = open_audience.with_charts(name).page
    headings_and_landmarks_in_order(page)
    assert page.locator("html").get_attribute("lang") == "en"
    alternatives = page.locator("[data-figure]").evaluate_all(
        "charts => charts.map(c => [c.getAttribute('aria-label'), document.getElementById("
        "c.closest('figure').getAttribute('aria-labelledby')).textContent.trim()])"
    )
    assert bool(alternatives) == (name == "full/director")
    for sentence, finding in alternatives:  # the chart's alternative is the finding, not its kind
        assert " ".join(sentence.split()) == " ".join(finding.split())
        assert not re.match(r"(bar |line |funnel )?(chart|plot|graph|figure)\b", sentence.lower())
    titles = page.locator("main svg.picture > title").all_text_contents()
    assert titles
    assert all(len(title.split()) > 2 for title in titles)


@pytest.mark.browser
def test_hostile_content_is_text(open_audience: Opener) -> None:
    for name in ("hostile/director", "hostile/education"):
        page = open_audience(name).page
        assert page.locator("img").count() == 0
        scripts = page.locator("script:not([src]):not([type='application/json'])")
        assert scripts.count() == 0
        text = page.locator("main").text_content() or ""
        for key in ("markup", "script", "quotes", "template"):
            assert fixture.HOSTILE[key] in text


@pytest.mark.browser
def test_no_picture_is_drawn_of_nothing(open_audience: Opener) -> None:
    """Nor a key to one: no hours make no rate, and no trip was judged after the retraining."""
    month = open_audience("nothing/index").page
    assert month.locator("#rates").count() == 1
    assert month.locator("#rates svg, #time svg").count() == 0
    education = open_audience("nothing/education").page
    assert education.locator("#sizes").count() == 1
    assert education.locator("#sizes svg, #trained svg").count() == 0


def test_no_dead_links(audiences: dict[str, Path]) -> None:
    for page in audiences.values():
        no_dead_link(page, r'(?:src|href)="([^"#]+\.(?:html|css|js))["#]')


def test_ids_that_a_chart_names_exist(audiences: dict[str, Path]) -> None:
    for name, page in audiences.items():
        html = page.read_text(encoding="utf-8")
        for target in re.findall(r'aria-(?:labelledby|details)="([^"]+)"', html):
            assert f'id="{target}"' in html, (name, target)


@pytest.mark.parametrize("name", list(SERVICES))
def test_words_the_pages_must_not_say(audiences: dict[str, Path], name: str) -> None:
    for page in (p for key, p in audiences.items() if key.startswith(f"{name}/")):
        html = page.read_text(encoding="utf-8").lower()
        for word in (
            "violation",
            "significant",
            ">nan<",
            " nan",
            ">none,",
            "undefined",
            "&amp;nbsp",
        ):
            assert word not in html, (page.name, word)
        assert "not for treating" in html
        assert len(html.encode()) < 1_000_000


def test_same_bytes_twice_and_no_brief_left_over(
    tmp_path: Path, audiences: dict[str, Path]
) -> None:
    stale = tmp_path / fixture_figures.LAST / "brief-9.html"
    stale.parent.mkdir()
    stale.write_text("of an earlier run")
    folder = write_pages(fixture_figures.full(), tmp_path).parent
    assert not stale.exists()
    again = {p.stem: p.read_bytes() for p in folder.glob("*.html")}
    first = {k.split("/")[1]: p.read_bytes() for k, p in audiences.items() if k.startswith("full/")}
    assert again == first


def test_without_figures_there_is_only_the_month(tmp_path: Path) -> None:
    page = write_pages(fixture.month_review(), tmp_path)
    assert not (page.parent / "director.html").exists()
    assert "director.html" not in page.read_text(encoding="utf-8")


def test_navigation_leads_to_every_page(audiences: dict[str, Path]) -> None:
    for name in ("index", "director", "education", "year"):
        html = audiences[f"full/{name}"].read_text(encoding="utf-8")
        for other in ("index.html", "director.html", "education.html", "year.html"):
            assert f'href="{other}"' in html
    assert 'href="brief-5.html"' in audiences["full/education"].read_text(encoding="utf-8")
