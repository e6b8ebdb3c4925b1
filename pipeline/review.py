"""The monthly review as plain steps: read, load, judge, measure, gather, write."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem, Usage

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest.load import Loaded
    from schemas.month_review import MonthReview

STORE = "store.duckdb"

Stage = Callable[[str], None]


@dataclass(frozen=True)
class Reviewed:
    """What a review did, for the words at its end."""

    page: Path
    month: MonthReview
    loaded: Loaded
    set_aside: int


def tool_version() -> str:
    """The version of this program as installed."""
    from importlib.metadata import version

    return version("tailrace")


def review(
    delivery: Path,
    into: Path,
    *,
    month: str | None = None,
    protocol: Path | None = None,
    cannulas: Path | None = None,
    stage: Stage = lambda _: None,
) -> Reviewed:
    """Take a delivery all the way to the month's page, data files and run.json in `into`.

    `month` defaults to the latest of the delivery. Raises a Mistake with every reason if the
    delivery or the store cannot be used; nothing is stored then.
    """
    from pipeline.cases import cases, month_words
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load
    from pipeline.judge import judge, versions_in_store
    from pipeline.measures import measure
    from pipeline.month import gather, make_tables, write_data
    from pipeline.store import open_store
    from reports import write_month

    make_folder(into)
    con = open_store(into / STORE)
    try:
        stage("read and check the delivery")
        staged = read_delivery(con, delivery, protocol=protocol, cannulas=cannulas)
        chosen = month or max(staged.export.months)
        set_aside = staged.set_aside_count(con)
        stage("load")
        loaded = load(con, staged)
        judge(con, stage)
        _check_month(con, chosen)
        stage("measures")
        versions = versions_in_store(con)
        month_words(con, versions, chosen)
        cases(con, versions, chosen)
        make_tables(con, chosen, measure(con, chosen))
        stage("pages")
        folder = into / chosen
        write_data(con, folder / "data")
        month_review = gather(con, versions, chosen, tool_version())
        page = write_month(month_review, into)
        _write_run(con, folder / "run.json", chosen, month_review)
    finally:
        con.close()
    return Reviewed(page, month_review, loaded, set_aside)


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
    raise Usage(
        Problem(str(folder), None, None, "folder", what, "Name another folder with --into.")
    )


def _check_month(con: duckdb.DuckDBPyConnection, month: str) -> None:
    from pipeline.month import months_in_store

    known = months_in_store(con)
    if month not in known:
        raise Usage(
            Problem(
                None, None, "--month", "month-without-trips",
                f"the store has no trips in {month}",
                f"It has trips in {', '.join(known) or 'no month'}.",
            )
        )  # fmt: skip


def _write_run(
    con: duckdb.DuckDBPyConnection, path: Path, month: str, gathered: MonthReview
) -> None:
    """What the pages were made from; holds no time and no path, so that it can be compared."""
    from pipeline.month import counts

    files = con.execute("""
        SELECT delivery_no, file, sha256, rows_read, rows_kept FROM delivered.file ORDER BY ALL
    """).fetchall()
    run: dict[str, Any] = {
        "tool": {"name": "tailrace", "version": gathered.tool_version},
        "service": gathered.service,
        "month": month,
        "privacy_basis": list(gathered.privacy_basis),
        "protocol_versions": [p.id for p in gathered.protocol],
        "trips": {
            "received": gathered.received,
            "expected": gathered.expected,
            "not_judged": gathered.not_judged,
            "to_read": gathered.trips_with_finding,
        },
        "rows": counts(con),
        "deliveries": [
            {"delivery": no, "file": file, "sha256": sha, "rows_read": read, "rows_kept": kept}
            for no, file, sha, read, kept in files
        ],
    }
    path.write_text(json.dumps(run, indent=2, sort_keys=True) + "\n", encoding="utf-8")
