"""The monthly review as plain steps: read, load, judge, measure, gather, write."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import usage
from pipeline.kept_month import gathered, made_from, tool_version
from pipeline.runtime.preload import NUMBERS, importing
from pipeline.runtime.worker_process import processors, second_process
from pipeline.standing import keep_standing, same_sheets, sheet_marks, standing
from pipeline.store.months import check_month
from schemas.connection import Connection
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.followup.workbooks import Place
    from pipeline.ingest.load import Loaded
    from pipeline.month.record_and_answers import Month
    from pipeline.runtime.worker_process import Submit, Wait
    from pipeline.store.drawn_files import Drawn
    from schemas.frame import Frame
    from schemas.month_review import MonthReview

STORE = "store.duckdb"
SHARED = "shared"
"""Folder of the editions that may be handed over, one folder a month."""

EDITION = re.compile(r"(assets|data)/.*").fullmatch
"""Files of a shared edition that go with it; a letter that somebody laid beside them stays."""

INDEX = "index.html"
MANY_TRIPS = 1_000
"""From so many trips in a month its workbook and case pages are worth starting a process for."""

Stage = Callable[[str], None]


@dataclass(frozen=True)
class Reviewed:
    """What a review did, for the words at its end."""

    page: Path
    month: MonthReview
    loaded: Loaded
    set_aside: int
    doubtful: int
    workbook: Path
    unread_workbooks: tuple[str, ...] = ()
    shared: Path | None = None
    shared_complete: str = ""


def review(
    delivery: Path,
    into: Path,
    *,
    month: str | None = None,
    protocol: Path | None = None,
    cannulas: Path | None = None,
    baseline: bool = False,
    audits_a_year: int | None = None,
    by: str | None = None,
    shared: bool = False,
    stage: Stage = lambda _: None,
) -> Reviewed:
    # long: twelve lines are its options, and the rest reads as the review
    """Take a delivery all the way to the month's page, data files and run.json in `into`.

    `month`: by default the latest. `baseline`: its months open no cases; `audits_a_year`:
    trips drawn for audit in twelve months; `by`: who, for the ledger; `shared`: hand an edition
    over, too.
    A Mistake with every reason if delivery or store cannot be used.
    """
    from pipeline.errors.disk import after_storing
    from pipeline.followup.screen_text import check_by
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load, rows_stored_early
    from pipeline.judging.evaluator import judge
    from pipeline.store.session import open_waiting, tidy

    check_by(by)
    make_folder(into)
    with closing(open_waiting(into / STORE, create=True)) as con:
        tidy(con, into)
        stage("look at the files")
        with (
            importing(NUMBERS, waits=lambda: stage("wait for imports")) as begin,
            rows_stored_early(con) as early,
        ):
            staged = read_delivery(
                con, delivery, protocol=protocol, cannulas=cannulas, stage=stage, new=begin,
                early=early,
            )  # fmt: skip
            chosen = _chosen_month(con, month, staged.export.months)
            set_aside, doubtful = staged.set_aside_count(con), len(staged.doubtful(con))
            stage("load")
            loaded = load(con, staged, baseline=baseline, by=by, begun=early)
            with after_storing("the delivery is", f"the pages of {chosen}"):
                judge(con, stage)
        check_month(con, chosen)
        with after_storing("the delivery is", f"all pages and sheets of {chosen}"):
            page, book, month_review = _drawn(con, into, chosen, stage, audits_a_year)
            handed = shared_edition(con, into, month_review, stage, by) if shared else (None, "")
    return Reviewed(
        page, month_review, loaded, set_aside, doubtful, book.path, book.unreadable, *handed
    )


def _drawn(
    con: Connection, into: Path, month: str, stage: Stage, audits_a_year: int | None
) -> tuple[Path, Place, MonthReview]:
    """Put the month's folder and workbook together, and give them their places, each at once.

    Where nothing they are made from has changed they stand.
    """
    from pipeline.followup.workbooks import finish_workbook, workbook_place
    from pipeline.store.owners import close_to_others
    from pipeline.store.whole import drawing

    stage("what is kept")
    made = made_from(con, month, audits_a_year)
    place = workbook_place(con, into, month)
    # what is not drawn again keeps its permissions
    for path in (place.path, *(into / month).rglob("*")):
        close_to_others(path)
    for found in standing(con, into, made, place):
        return into / month / INDEX, place, found.review
    many = _trips(con, month) >= MANY_TRIPS
    with drawing(into) as aside, second_process("reports.render.workbook", worth=many) as submit:
        facts = gathered(con, made, into / month, stage, audits_a_year)
        stage("workbook")
        # a killed command's second process may still be writing a workbook of its own
        sheet = aside / f"{os.getpid()}.xlsx"
        written = _begin_workbook(con, sheet, facts, place, submit)
        drawn = month_pages(con, aside, facts, stage, into, submit=submit if many else None)
        stage("workbook")
        written()
        finish_workbook(con, place, month, sheet)
        _in_place(month, aside, into, place.superseded)
    keep_standing(con, into, made, place, (facts, drawn))
    return into / month / INDEX, place, facts.review


def month_pages(
    con: Connection,
    into: Path,
    facts: Month,
    stage: Stage = lambda _: None,
    beside: Path | None = None,
    *,
    submit: Submit | None = None,
) -> Drawn:
    """Write the pages, data files and run.json of the month that was gathered last.

    `beside`: the store folder whose other months they link to, if that is not `into`; pages that
    it has made from the same are taken from there. `submit`: other processes draw some of them.
    """
    from pipeline.followup.month import write_followup_data
    from pipeline.month.data_files import write_data
    from pipeline.store.drawn_files import DrawnFiles, drawn_before
    from reports import write_case_part, write_pages
    from reports.text.navigation import Site, months_written, pages_of

    stage("pages")
    month_review, month = facts.review, facts.review.month
    folder = into / month
    site = Site(pages_of(month_review), months_written(beside or into))
    drawn = DrawnFiles(folder, (beside or into) / month, drawn_before(con, month))
    shares = processors() if submit else 1
    given = [
        submit(write_case_part, month_review, into, site, drawn, (share, shares))
        for share in range(1, shares)
        if submit
    ]
    write_data(con, drawn, facts.tables)
    write_followup_data(con, drawn, facts.answers.followup)
    write_pages(month_review, into, site, drawn, (0, shares))
    for done in given:
        drawn.now |= done().now
    rows = {name: length for name, (length, _) in facts.tables.items()}
    _write_run(con, folder / "run.json", month_review, rows)
    drawn.others()
    return drawn.now


def shared_edition(
    con: Connection,
    into: Path,
    month_review: MonthReview,
    stage: Stage = lambda _: None,
    by: str | None = None,
) -> tuple[Path, str]:
    """Write the edition of a month that may be handed over, a folder by itself.

    With its page what was told for the first time, and what to know of it, in words.
    """
    from pipeline.sharing.act import share
    from pipeline.store.owners import hand_over, hand_over_folder
    from pipeline.store.whole import drawing, take_place
    from reports.render.shared_pages import write_shared

    stage("shared edition")
    handed = share(con, month_review, by)
    place = Path(SHARED, month_review.month)
    with drawing(into) as aside:
        page = write_shared(handed.safe, aside / place)
        hand_over(aside / SHARED)
        first = not (into / SHARED).exists()
        take_place(aside / place, into / place, EDITION)
        if first:
            hand_over_folder(into / SHARED)
    return into / page.relative_to(aside), handed.words(done=True)


def publish(
    folder: Path,
    month: str,
    by: str | None = None,
    stage: Stage = lambda _: None,
    *,
    anyway: bool = False,
) -> str:
    """Draw a month once more, freeze it in the store, and say so.

    `anyway`: also with work left undone, which is refused else.
    """
    from pipeline.followup.publish import publish as freeze
    from pipeline.followup.publish import published_words
    from pipeline.judging.evaluator import judge

    def draw(con: Connection, into: Path, month: str) -> Frame:
        judge(con, stage)
        made = made_from(con, month, publishing=True)
        facts = gathered(con, made, folder / month, stage)
        month_pages(con, into, facts, stage, folder)
        return facts.answers.measures

    return published_words(freeze(folder, month, draw, tool_version(), by, anyway=anyway))


def draw_anew(folder: Path, month: str, stage: Stage = lambda _: None) -> Path:
    """Draw the pages and the workbook of a month once more from the store; the Month page's path.

    Whole or not at all, as a review does.
    """
    from pipeline.judging.evaluator import judge
    from pipeline.store.session import store_in

    with store_in(folder) as con:
        judge(con, stage)
        check_month(con, month)
        return _drawn(con, folder, month, stage, None)[0]


def _in_place(month: str, aside: Path, into: Path, superseded: Sequence[str]) -> None:
    """Give the month drawn in `aside` its place; `superseded`: files of the old that are to go."""
    from pipeline.store.recovery import COMES_AND_GOES, put_assets
    from pipeline.store.whole import take_place

    put_assets(aside / "assets", into / "assets")
    take_place(aside / month, into / month, lambda name: name in superseded or COMES_AND_GOES(name))


def _begin_workbook(
    con: Connection, sheet: Path, facts: Month, place: Place, submit: Submit
) -> Wait:
    """Have the month's workbook written to `sheet`; a filled one's answers are carried over."""
    from pipeline.followup.workbooks import workbook_tables
    from pipeline.followup.worksheet import determinations_frame
    from reports.render.workbook import MOST_ROWS, write_workbook

    month = facts.review.month
    rows = determinations_frame(con, month, place.pending)
    same = same_sheets(con, month, place.path, sheet_marks(facts))
    tables, lengths = workbook_tables(con, facts, MOST_ROWS, same)
    return submit(write_workbook, tables, rows, sheet, lengths, place.path if same else None)


def _trips(con: Connection, month: str) -> int:
    from pipeline.store.database import one

    counted = "SELECT count(*) FROM judged.trip_window WHERE service_month = ?"
    return int(one(con, counted, [month])[0])


def make_folder(folder: Path) -> None:
    """Make the store's folder, or say in a sentence why it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        what = "this is a file, not a folder"
    except PermissionError:
        what = "this folder may not be made or written"
    except OSError as error:
        what = f"this folder cannot be made ({error.strerror})"
    else:
        return
    remedy = "Name another folder with --into."
    raise usage("folder", None, what, file=str(folder), remedy=remedy)


def _chosen_month(con: Connection, month: str | None, delivered: Sequence[str]) -> str:
    """The month asked for, else the delivery's latest; Usage if nobody knows it."""
    if month is not None and month not in delivered:
        check_month(con, month, delivered=delivered)
    return month or max(delivered)


def _write_run(con: Connection, path: Path, gathered: MonthReview, rows: dict[str, int]) -> None:
    """What the pages were made from; holds no time and no path, so that it can be compared.

    `rows`: how many each data file has.
    """
    files = con.execute("""
        SELECT delivery_no, file, sha256, rows_read, rows_kept FROM delivered.file ORDER BY ALL
    """).fetchall()
    run: dict[str, Any] = {
        "tool": {"name": "tailrace", "version": gathered.tool_version},
        "service": gathered.service,
        "month": gathered.month,
        "privacy_basis": list(gathered.privacy_basis),
        "protocol_versions": [p.id for p in gathered.protocol],
        "trips": {
            "received": gathered.received,
            "expected": gathered.expected,
            "not_judged": gathered.not_judged,
            "to_read": int((gathered.cases["kind"] != "batch").sum()),
            "with_finding": gathered.trips_with_finding,
        },
        "rows": rows,
        "deliveries": [
            {"delivery": no, "file": file, "sha256": sha, "rows_read": read, "rows_kept": kept}
            for no, file, sha, read, kept in files
        ],
    }
    path.write_text(json.dumps(run, indent=2, sort_keys=True) + "\n", encoding="utf-8")
