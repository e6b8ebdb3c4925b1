"""One reviewed folder for all; tests that change it copy it.

Pages are drawn as a plain list of their figures here, and workbooks hold the first row of each
table, or none where the month is reviewed again: what they look like is tested elsewhere, and
drawing them is most of a review's time. `DRAW`, `FIGURES` and `TABLES` are what draws them. Nor is
anything screened, but where a test asks for it (`with_screen`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import reports
from pipeline import measures
from pipeline.judging import whatif
from reports.render import workbook
from schemas.frame import Frame
from schemas.measure_outputs import MEASURE_OUTPUTS
from tests import unscreened
from tests.made_once import made_once

from . import reviewed_store

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

DRAW, FIGURES, CURVES = reports.write_pages, measures.figures, whatif.main_curves
TABLES = workbook._write_tables


def plain_page(review: MonthReview, folder: Path, *_: object) -> Path:
    """A page that holds every figure of the month and every restatement."""
    page = folder / review.month / "index.html"
    page.parent.mkdir(parents=True, exist_ok=True)
    assert review.followup is not None
    text = str(review.measures.records()) + str(review.followup.restatements.records())
    page.write_text(text, encoding="utf-8")
    (folder / "assets").mkdir(exist_ok=True)
    (folder / "assets" / "page.css").write_text("body {}\n", encoding="utf-8")
    return page


def no_figures(*_: object) -> dict[str, Frame]:
    """No charts and no power, which are simulated; what answers change is made as it is."""
    return {
        name: Frame.of_rows([], model.to_schema().columns)
        for name, model in MEASURE_OUTPUTS.items()
        if name not in {"before_after", "signal_trips"}
    }


def no_curves(*_: object) -> None:
    """No history under other limits, which replays every rule many times."""


def no_tables(*_: object) -> None:
    """A workbook of its sheets to be filled in alone."""


def first_rows(book: Any, tables: Any, lengths: Any) -> None:
    """A sheet for every table, with its first row."""
    short = {
        name: None if frame is None else frame.rows(slice(1)) for name, frame in tables.items()
    }
    TABLES(book, short, lengths)


@pytest.fixture(scope="package", autouse=True)
def plain_pages() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch, unscreened.unscreened():
        patch.setattr(reports, "write_pages", plain_page)
        patch.setattr(measures, "figures", no_figures)
        patch.setattr(whatif, "main_curves", no_curves)
        patch.setattr(workbook, "_write_tables", no_tables)
        yield


@pytest.fixture(scope="package")
def reviewed_once(
    plain_pages: None, clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """The clean delivery of 60 trips over two months, reviewed for the second."""
    from pipeline.review import review

    def make(folder: Path) -> None:
        with pytest.MonkeyPatch.context() as patch, unscreened.screened():
            patch.setattr(workbook, "_write_tables", first_rows)
            review(clean_delivery, folder / "pages", by="C1")

    return made_once(tmp_path_factory, "reviewed", make) / "pages"


@pytest.fixture
def folder(reviewed_once: Path, tmp_path: Path) -> Path:
    """A copy of the reviewed folder."""
    return reviewed_store.copy_of(reviewed_once, tmp_path / "pages")
