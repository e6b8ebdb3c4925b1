"""How a command ended, and what a mistake must look like."""

from __future__ import annotations

import contextlib
import csv
import io
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.cli import main as cli
from schemas.month_review import MonthReview


@dataclass
class Ran:
    """How a command ended and what it printed."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@dataclass
class Reviewed:
    """What a review printed, and the folder it was started in."""

    ran: Ran
    folder: Path

    @property
    def out(self) -> Path:
        return self.folder / "tailrace-out"


def reviewed_in(folder: Path, delivery: Path) -> Reviewed:
    """Run `tailrace review DELIVERY` in this process, started in `folder`."""
    return Reviewed(command_in(folder, "review", delivery), folder)


def command_in(folder: Path, *words: str | Path) -> Ran:
    """Run `tailrace WORDS` in this process, started in `folder`."""
    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setattr(sys, "argv", ["tailrace", *map(str, words)])
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
    assert isinstance(code, int)
    return Ran(code, out.getvalue(), err.getvalue())


def refused(ran: Ran, code: int, *sentences: str) -> None:
    """Hold a mistake to its exit code, to each of these texts, and to nothing on stdout."""
    assert ran.code == code, ran
    assert ran.out == ""
    for sentence in sentences:
        assert sentence in ran.err
    assert all(line.endswith((".", "for help.")) for line in ran.err.splitlines() if " " in line)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _page_alone(review: MonthReview, into: Path, *_: object) -> Path:
    return into / review.month / "page"


@contextlib.contextmanager
def data_alone() -> Iterator[None]:
    """Reviews write the data files and no more: pages and the tables of the workbook take longer.

    The history under other limits, which only a page shows, is left out too.
    """
    import reports
    from pipeline.judging import whatif
    from reports.render import workbook

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reports, "write_pages", _page_alone)
        patch.setattr(workbook, "_write_tables", lambda *_: None)
        patch.setattr(whatif, "main_curves", lambda *_: None)
        yield


@contextlib.contextmanager
def verdicts_alone() -> Iterator[None]:
    """As `data_alone`, and the files of charts, signals and power have no rows."""
    from pipeline import measures
    from tests.followup.conftest import no_figures

    with data_alone(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(measures, "figures", no_figures)
        yield


@contextlib.contextmanager
def signals_alone() -> Iterator[None]:
    """As `data_alone`, and power, bases, sizes and marked trips, which no signal needs, are not
    worked out."""
    from pipeline.measures import bases, power, sizes, trip_marks
    from tests.followup.conftest import no_figures

    frames = no_figures()
    left_out = ((power, "power", "power"), (bases, "funnels", "funnels"), (sizes, "sizes", "sizes"),
                (trip_marks, "trip_marks", "trip_marks"),
                (trip_marks, "apart_trips", "apart_trips"))  # fmt: skip
    with data_alone(), pytest.MonkeyPatch.context() as patch:
        for module, name, table in left_out:
            patch.setattr(module, name, lambda *_, table=table: frames[table])
        yield
