"""Unusual months from delivery to page: sensible sentences, whole charts, and text that is text."""

from __future__ import annotations

import csv
from contextlib import nullcontext
from pathlib import Path

import pytest
from openpyxl import load_workbook
from playwright.sync_api import Browser

from pipeline.errors.mistakes import Refused
from pipeline.judging import whatif
from pipeline.measures import power
from pipeline.review import review
from pipeline.simulate import simulate
from reports.render import workbook
from reports.text import navigation as pages
from tests.browser.conftest import Opener, case_page
from tests.browser.edge_months import FORMULA, MONTHS, REFUSED, TOKENS, replace
from tests.browser.test_month_page import CUT_TEXTS, SIDEWAYS, _resize
from tests.deep import examples
from tests.desk.visiting import words
from tests.followup.conftest import no_curves, no_figures
from tests.unscreened import unscreened

PAGES = tuple(Path(file).stem for file, _ in pages.PAGES.values())
OPENED = dict.fromkeys(MONTHS, PAGES) if examples(0, 1) else {
    "one-trip": ("index",), "no-protocol": ("index",), "hostile": ("director",),
}  # fmt: skip
"""The pages looked at of each month. Pages that another month's are like, and months without
ventilator hours or without a finding, of which the fixture has pages, with `--deep` alone."""
ODD_WORDS = r"""(() => {
    const left = document.querySelector('main').innerText;
    return left.match(/\b(nan|none,|null|undefined|infinity|-inf)\b/gi) || [];
})()"""
BROKEN = """[...document.querySelectorAll('ul, ol, tbody, table, p:not([hidden])')]
    .filter(e => !e.textContent.trim() && !e.children.length && !e.id).map(e => e.outerHTML)"""
UNEVEN = """[...document.querySelectorAll('table')].filter(t => {
    const wide = row => [...row.cells].reduce((sum, c) => sum + c.colSpan, 0);
    const widths = [...(t.tBodies[0] || {rows: []}).rows].map(wide);
    return new Set(widths).size > 1 || !widths.length;
}).map(t => t.caption ? t.caption.innerText : t.outerHTML.slice(0, 80))"""
UNDRAWN = """[...document.querySelectorAll('[data-figure]')].filter(
    c => !c.querySelector('.points path, .lines path, .errorbars path')).map(c => c.id)"""


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The Month page of each unusual delivery."""
    folder = tmp_path_factory.mktemp("edges")
    for name in OPENED:
        MONTHS[name](folder / name / "delivery")
    pages = {}
    with pytest.MonkeyPatch.context() as patch:  # the pages alone are looked at
        patch.setattr(workbook, "_write_tables", lambda *_: None)
        if not examples(0, 1):  # power is simulated, and history replays every rule many times
            patch.setattr(power, "power", lambda *_: no_figures()["power"])
            patch.setattr(whatif, "main_curves", no_curves)
        for name in OPENED:
            with nullcontext() if name == "hostile" else unscreened():
                pages[name] = review(folder / name / "delivery", folder / name / "out").page
    return pages


@pytest.fixture(scope="module")
def open_edge(browser: Browser, reviewed: dict[str, Path]) -> Opener:
    """Every page of every month by 'month/page'."""
    files = {f"{n}/{p}": page.with_name(f"{p}.html") for n, page in reviewed.items() for p in PAGES}
    return Opener(browser, files)


@pytest.mark.browser
@pytest.mark.parametrize(("name", "page"), [(n, p) for n, own in OPENED.items() for p in own])
def test_an_unusual_month_makes_a_sensible_page(open_edge: Opener, name: str, page: str) -> None:
    opened = open_edge.with_charts(f"{name}/{page}")
    for width in (1280, 390):  # it was drawn at the first
        _resize(opened.page, width)
        assert opened.page.evaluate(SIDEWAYS) == 0
        assert opened.page.evaluate(CUT_TEXTS) == []
    assert opened.page.evaluate(ODD_WORDS) == []
    assert opened.page.evaluate(BROKEN) == []
    assert opened.page.evaluate(UNEVEN) == []
    assert opened.page.evaluate(UNDRAWN) == []
    assert [url for url in opened.requests if not url.startswith("file:")] == []
    assert opened.complaints == []


@pytest.mark.browser
@pytest.mark.parametrize("name", sorted(OPENED.keys() & {"no-ventilator", "no-logs"}))
def test_no_picture_is_drawn_of_nothing(open_edge: Opener, name: str) -> None:
    """Nor a key to one: no hours make no rate, and no trip was judged after the retraining."""
    month = open_edge(f"{name}/index").page
    assert month.locator("#rates svg, #time svg").count() == 0
    education = open_edge(f"{name}/education").page
    assert education.locator("#sizes svg, #trained svg").count() == 0


@pytest.mark.browser
def test_a_course_takes_two_months(open_edge: Opener, open_page: Opener) -> None:
    assert open_edge("one-trip/index").page.locator("#time svg").count() == 0
    assert open_page("short").page.locator("#time svg").count() == 2


def test_what_an_unusual_month_says(reviewed: dict[str, Path]) -> None:
    said = {
        "no-ventilator/index": "no ventilator time",
        "no-ventilator/director": "No ventilator hours",
        "no-logs/director": "Too few months",
        "no-logs/index": "no ventilator time",
        "one-trip/index": "1 of 1 trip",
        "one-trip/director": "than two bases",
        "nothing-found/index": "Too few months",
        "nothing-found/director": "Too few months",
        "no-protocol/index": "No protocol version",
        "no-protocol/director": "No protocol version",
    }
    for place, sentence in said.items():
        name, _, page = place.partition("/")
        if name in OPENED:
            html = reviewed[name].with_name(f"{page}.html").read_text(encoding="utf-8")
            assert sentence in words(html.partition("<main")[2]), place
    html = reviewed["no-protocol"].read_text(encoding="utf-8")
    assert "no trip" in words(html.partition("<h1")[2].partition("</h1>")[0])


@pytest.mark.browser
def test_hostile_tokens_are_text_from_delivery_to_page(
    open_edge: Opener, reviewed: dict[str, Path]
) -> None:
    with (reviewed["hostile"].parent / "data" / "cases.csv").open(encoding="utf-8") as file:
        trips = [row["trip_id"] for row in csv.DictReader(file)]
    assert any(trip.startswith(TOKENS["trip"]) for trip in trips)
    for name in PAGES:
        drawn = name in OPENED["hostile"]  # texts of a chart are text, too
        page = (open_edge.with_charts if drawn else open_edge)(f"hostile/{name}").page
        assert (
            page.locator("img, b b, main [onerror], main [onload], main script[src]").count() == 0
        )
        assert page.locator("script:not([src]):not([type='application/json'])").count() == 0
        said = page.locator("main").text_content() or ""
        assert (TOKENS["base"] in said) == (name != "year")  # the year has no bases
    month = open_edge("hostile/index").page
    assert TOKENS["cannula"] in month.locator("#rates-by-size-table").evaluate("e => e.textContent")
    drawn = month.locator("#rates svg.wide").evaluate("e => e.textContent")
    assert TOKENS["cannula"][:16] in drawn
    shown = month.locator("#case-table").inner_text()
    for trip in trips:
        assert trip in shown
        case = case_page(reviewed["hostile"], trip)
        html = case.read_text(encoding="utf-8")
        assert "<img" not in html
        assert "<script" not in html
        assert "default-src 'none'" in html
    tokens = {p.name for p in reviewed["hostile"].parent.rglob("*")}
    assert all(name.isascii() and "<" not in name for name in tokens)


def test_hostile_tokens_are_text_in_workbook_and_data_files(reviewed: dict[str, Path]) -> None:
    """A base that holds a formula is a string in every sheet, and comes back whole from the CSV."""
    folder = reviewed["hostile"].parent
    book = load_workbook(folder.parent / "sheets" / f"{folder.name}.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b"}
    assert sum(cell.value == TOKENS["base"] for cell in cells) > 2
    with (folder / "data" / "cases.csv").open(encoding="utf-8", newline="") as file:
        assert TOKENS["base"] in {row["base"] for row in csv.DictReader(file)}


def test_what_a_spreadsheet_takes_for_a_formula_comes_into_no_file(
    reviewed: dict[str, Path], tmp_path: Path
) -> None:
    """A trip whose base begins with = is set aside and told; such a label refuses the catalogue."""
    folder = reviewed["hostile"].parent
    with (folder / "data" / "problems.csv").open(encoding="utf-8", newline="") as file:
        told = [row for row in csv.DictReader(file) if row["problem"] == "not-a-token"]
    assert [(row["kind"], row["file"], row["column"]) for row in told] == [
        ("set_aside", "trips.csv", "base")
    ]
    with (folder / "data" / "cases.csv").open(encoding="utf-8", newline="") as file:
        assert REFUSED not in {row["trip_id"] for row in csv.DictReader(file)}
    texts = [p.read_bytes() for p in folder.rglob("*") if p.suffix in (".csv", ".html")]
    assert texts
    assert not any(word in text for text in texts for word in (FORMULA.encode(), b"(&#34;y"))
    book = load_workbook(folder.parent / "sheets" / f"{folder.name}.xlsx")
    cells = [str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not any(FORMULA in cell for cell in cells)
    simulate(tmp_path, trips=1, months=1, seed=3)
    replace(tmp_path / "cannulas.toml", 'label = "prong 3', 'label = "@prong 3')
    with pytest.raises(Refused, match=r"label: must be .*64 .*not begin with"):
        review(tmp_path, tmp_path / "out")


def test_pages_of_unusual_months_are_light(reviewed: dict[str, Path]) -> None:
    for page in reviewed.values():
        for html in page.parent.glob("*.html"):
            assert html.stat().st_size < 1_000_000, html
