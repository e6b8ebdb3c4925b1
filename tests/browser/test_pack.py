"""Packs and pictures: what is on them, what is not, and how they print on both kinds of paper."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from reports.charts.static_rendering import png, svg
from reports.render.packs import pack
from reports.render.pictures import CAUTION, WIDTH, pictures, sheet
from schemas.followup_outputs import FOLLOWUP_OUTPUTS, MONTH_TABLES, FollowUpReview
from schemas.frame import Frame
from schemas.month_review import MonthReview
from tests.browser import fixture, fixture_figures
from tests.browser.conftest import WINDOW, until
from tests.browser.reading import numbers
from tests.browser.structure import figures_are_whole_on_paper
from tests.deep import examples
from tests.frames import frame_of

STATEMENT = "Peer-review record of an invented service: do not copy."
PAPERS = ("A4", "Letter")


def full_followup() -> FollowUpReview:
    """As many actions and restatements as there is room for, and more."""
    frames: dict[str, Any] = {
        name: Frame.of_rows([], FOLLOWUP_OUTPUTS[name].to_schema().columns) for name in MONTH_TABLES
    }
    rules = list(fixture.COUNTS)
    frames["screen_quality"] = frame_of([
        {"month": fixture.MONTHS[-1], "rule": rule, "verdict": "deviation", "judged": 50,
         "flags": 6, "reviewed": 4, "confirmed": 3, "confirmed_share": 0.75, "low": 0.3,
         "high": 0.95, "method": "Wilson score", "practice": 1, "logistics": 1, "justified": 0,
         "equipment": 1, "record_gap": 1, "protocol_unclear": 0, "flag_wrong": 0, "holds": 0,
         "cannot_say": 0, "outdated": 0,
         "missed": 1}
        for rule in rules
    ])  # fmt: skip
    frames["follow_ups"] = frame_of([
        {"trip_id": f"T{n:03d}", "month": fixture.MONTHS[-1], "base": "alder", "rules": rules[0],
         "conclusion": "practice", "status": "open", "refer_to": "education", "reviewer": "R77",
         "action": "go through the checklist of the source with the team, and again in a month",
         "due_month": fixture.MONTHS[0], "overdue": n % 2 == 0}
        for n in range(12)
    ])  # fmt: skip
    frames["year_actions"] = frame_of([
        {"trip_id": f"T{n:03d}", "month": fixture.MONTHS[-1], "base": "alder", "rules": rules[0],
         "action": "go through the checklist of the source with the team, and again in a month",
         "due_month": fixture.MONTHS[0], "state": ("overdue", "open", "closed")[n % 3]}
        for n in range(12)
    ])  # fmt: skip
    frames["restatements"] = frame_of([
        {"month": fixture.MONTHS[-1], "measure": "deviation-share", "group_by": "rule",
         "group_value": rule, "unit": "share of trips", "then_numerator": 3.0,
         "then_denominator": 50.0, "then": 0.06, "now_numerator": 4.0, "now_denominator": 51.0,
         "now": 4 / 51, "late": 1, "replaced": 0, "corrected": 0, "rejudged": 0,
         "determinations": 0, "trips": "T001", "why": "1 trip came late."}
        for rule in rules
    ])  # fmt: skip
    return FollowUpReview(baseline=False, published=1, ledger_head="0" * 64, **frames)


@pytest.fixture(scope="module")
def review() -> MonthReview:
    month = fixture_figures.half_year()
    return dataclasses.replace(month, followup=full_followup(), confidentiality=STATEMENT)


@pytest.fixture(scope="module")
def packs(review: MonthReview) -> dict[str, str]:
    return {who: pack(review, who) for who in ("committee", "director", "education")}


def test_a_pack_is_one_file_without_script_or_link(packs: dict[str, str]) -> None:
    for html in packs.values():
        assert "<script" not in html
        assert not re.search(r'(src|href)="(?!#)', html.replace("xlink:href", "x"))
        assert not re.search(r"@import|url\((?!#)", html)
        assert "default-src 'none'; style-src" in html
        ids = re.findall(r'\bid="([^"]+)"', html)
        assert len(ids) == len(set(ids))
        assert STATEMENT in html
        assert "was published, and" in html


def test_only_the_directors_pack_names_trips(packs: dict[str, str], review: MonthReview) -> None:
    assert review.followup is not None
    assert review.figures is not None
    assert review.figures.trip_marks is not None
    tokens = {*review.cases["trip_id"], *review.followup.follow_ups["trip_id"], "R77",
              *review.figures.trip_marks["trip_id"]}  # fmt: skip
    for who in ("committee", "education"):
        within = [t for t in tokens if t in packs[who]]
        assert not [t for t in within if re.search(rf"\b{re.escape(t)}\b", packs[who])]
    assert [t for t in tokens if t in packs["director"]]
    assert "Stays in" in packs["director"]


def test_the_committee_reads_what_was_confirmed_and_what_is_open(packs: dict[str, str]) -> None:
    text = re.sub(r"<[^>]+>", " ", packs["committee"])
    n = len(fixture.COUNTS)
    found = re.search(r"\d+ of \d+ flags read[^.<]*?readers only", text)
    assert found
    assert numbers(found[0]) == [f"{k * n}" for k in (4, 6, 3, 1)]  # with those readers found
    assert "4 closed, 4 open, 4 overdue" in text
    assert fixture_figures.SHOWN in text
    assert packs["committee"].count('class="picture wide"') >= 3
    assert all(word in text for word in ("Date", "Name", "Signature"))


OPENED = "!document.querySelector('[data-figure]') || typeof Plotly !== 'undefined'"
LONGER = "Some months have more to say than this one. " * 8
"""Three lines on paper, that a month may have more than the fixture's."""


@pytest.fixture(scope="module")
def tab(browser: Browser) -> Iterator[Page]:
    """One tab for all that is printed: to open one takes longer than to load a page in it."""
    opened = browser.new_page(viewport=WINDOW)
    yield opened
    opened.close()


def on_paper(tab: Page, paper: str, to: Path) -> PdfReader:
    """The page as it is printed."""
    tab.pdf(path=to, format=paper, prefer_css_page_size=False)
    return PdfReader(to)


def printed(tab: Page, paper: str, to: Path) -> list[str]:
    """The text of each printed page."""
    return [sheet_.extract_text() for sheet_ in on_paper(tab, paper, to).pages]


PRINTED = {"A4": ("committee", "director"), "Letter": ("committee", "education")}
"""The committee's pack has to fit on both papers; the others are printed on one, and with `--deep`
on both."""


@pytest.mark.browser
@pytest.mark.parametrize("paper", PAPERS)
def test_packs_on_paper(tab: Page, packs: dict[str, str], tmp_path: Path, paper: str) -> None:
    for who in packs if examples(0, 1) else PRINTED[paper]:
        html = packs[who]
        (tmp_path / f"{who}.html").write_text(html, encoding="utf-8")
        tab.goto((tmp_path / f"{who}.html").as_uri())
        texts = printed(tab, paper, tmp_path / f"{who}.pdf")
        if who == "committee":
            assert len(texts) == 2
            longer = html.replace("</h1>", f"</h1><p>{LONGER}</p>")
            (tmp_path / "longer.html").write_text(longer, encoding="utf-8")
            tab.goto((tmp_path / "longer.html").as_uri())
            assert len(on_paper(tab, paper, tmp_path / "l.pdf").pages) == 2
        for text in texts:
            squeezed = " ".join(text.split())
            assert STATEMENT in squeezed
            assert len(squeezed) > 200 + len(STATEMENT)


# ---- pictures


@pytest.mark.parametrize("by", ["size", "month", "base"])
def test_a_picture_says_what_it_must_and_is_the_same_twice(review: MonthReview, by: str) -> None:
    made = pictures(review, "occlusion-rate")[by]()
    first, second = svg(sheet(made), WIDTH), svg(sheet(made), WIDTH)
    assert first == second
    if by == "size" or examples(0, 1):
        assert png(sheet(made), WIDTH) == png(sheet(made), WIDTH)
    sentence = " ".join(ET.fromstring(first).itertext())
    squeezed = " ".join(sentence.split())
    for text in (made.title, *made.notes, CAUTION):
        assert " ".join(text.split())[:60] in squeezed
    assert "95" in squeezed or "sigmas" in squeezed


def test_the_dots_of_a_picture_stand_at_the_numbers_of_the_figure(review: MonthReview) -> None:
    figure = pictures(review, "occlusion-rate")["size"]().figure
    layout = figure["layout"]
    margin, (low, high) = layout["margin"], layout["xaxis"]["range"]
    width = WIDTH - margin["l"] - margin["r"]
    wanted = sorted(
        round(margin["l"] + width * (x - low) / (high - low), 2)
        for trace in figure["data"]
        for x, size in zip(trace["x"], _sizes(trace), strict=True)
        if size
    )
    dots = [mark for mark in ET.fromstring(svg(figure, WIDTH)) if mark.get("class") == "dot"]
    found = sorted(round(_middle(dot), 2) for dot in dots)
    assert len(wanted) > 10
    assert found == pytest.approx(wanted, abs=0.02)


def _middle(dot: ET.Element) -> float:
    """Across: of a circle its centre, of an outline half-way between its ends."""
    if dot.tag.endswith("circle"):
        return float(dot.get("cx", "nan"))
    corners = re.findall(r"[ML]([\d.-]+) ", dot.get("d", ""))
    return (min(map(float, corners)) + max(map(float, corners))) / 2


def _sizes(trace: dict[str, Any]) -> list[float]:
    size = trace["marker"]["size"]
    return size if isinstance(size, list) else [size] * len(trace["x"])


# ---- pages on paper


@pytest.mark.browser
def test_no_page_is_empty_and_no_chart_is_higher_than_paper(
    tab: Page, review: MonthReview, tmp_path: Path
) -> None:
    """The month's page is printed on one paper, all with `--deep` on both: the others are held
    where each of them is looked at."""
    from reports import write_pages

    month = write_pages(review, tmp_path).parent
    chosen = {"index.html": PAPERS[1:]}
    if examples(0, 1):
        case = next(month.glob("cases/*.html")).relative_to(month).as_posix()
        names = ("index.html", "director.html", "education.html", "brief-1.html", "year.html", case)
        chosen = dict.fromkeys(names, PAPERS)
    seen = 0
    for name, papers in chosen.items():
        tab.goto((month / name).as_uri())
        until(tab, OPENED)
        tab.emulate_media(media="print")
        for paper in papers:
            texts = printed(tab, paper, tmp_path / "x.pdf")
            assert all(len(text.split()) > 15 for text in texts), (name, paper)
        seen += figures_are_whole_on_paper(tab)
    assert seen > len(chosen)
