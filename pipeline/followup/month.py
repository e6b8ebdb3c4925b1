"""The loop's part of a month's review: which cases join, and the tables for its pages."""

from __future__ import annotations

import hashlib
import pickle
from functools import partial
from pathlib import Path

from pipeline.followup.actions import follow_ups, referred, year_actions
from pipeline.followup.audit import A_YEAR, add_audit_cases, audit_results, draw_audit
from pipeline.followup.confirmed import (
    agreement,
    confirmed_measures,
    determinations,
    make_flags,
    practice_variances,
    screen_quality,
)
from pipeline.followup.fetch import list_fetch
from pipeline.followup.restate import restatements
from pipeline.store.baseline import baseline_months
from pipeline.store.corrections import corrections
from pipeline.store.database import one, transaction
from pipeline.store.drawn_files import DrawnFiles
from pipeline.store.followup_tables import ensure_followup_tables
from pipeline.store.ledger import head
from schemas.connection import Connection
from schemas.followup_outputs import MONTH_TABLES, FollowUpReview
from schemas.frame import Frame, stacked
from schemas.units import Unit


def join_cases(con: Connection, month: str, *, a_year: int = A_YEAR) -> None:
    """Add the random audit to `month_case`, and make `month_fetch`, the records to fetch.

    Call after `cases`. Draws the audit where that was not done, for `a_year` trips in twelve
    months. A month of the baseline opens no work at all.
    """
    with transaction(con):
        join_cases_within(con, month, a_year=a_year)


def join_cases_within(con: Connection, month: str, *, a_year: int = A_YEAR) -> None:
    """As `join_cases`, as part of the transaction at hand."""
    ensure_followup_tables(con)
    list_fetch(con, month)
    if month in baseline_months(con):
        for table in ("month_case", "month_flag", "month_fetch"):
            con.execute(f"DELETE FROM {table}")
        return
    draw_audit(con, month, a_year=a_year)
    add_audit_cases(con, month)


def _with_confirmed(screened: Frame, quality: Frame, audits: Frame) -> Frame:
    """The measures with those after determinations beside them, under their own names."""
    rows = [screened, confirmed_measures(quality), miss_rates(audits)]
    return stacked(rows).sorted_by("measure", "group_by", "group_value", "month")


def miss_rates(results: Frame) -> Frame:
    """The audit's miss rates as rows of the measures table; months with nothing read are left."""

    from schemas.outputs import Measures

    read = results.rows(results["read"] > 0)
    rows = Frame({
        "measure": "miss-rate", "month": read["month"], "group_by": "service",
        "group_value": "all", "numerator": read["missed"].astype(float),
        "denominator": read["read"].astype(float), "unit": Unit.SHARE,
        "estimate": read["miss_rate"], "low": read["low"], "high": read["high"],
        "method": read["method"], "trips": read["read"], "left_out": read["drawn"] - read["read"],
    })  # fmt: skip
    return rows.only(Measures.to_schema().columns)


def followup_review(
    con: Connection, month: str, screened: Frame, *, publishing: bool = False
) -> tuple[Frame, FollowUpReview]:
    """The measures with the confirmed ones, and every table of the follow-up for the month's pages.

    Call after `cases` and `make_answers`; leaves `rule_flag`. `screened` are the measures before
    any answer. `publishing`: what is drawn now counts as published already.
    """
    # long: one line a table
    make_flags(con, month)
    quality, audits = screen_quality(con, month), audit_results(con, month)
    measures = _with_confirmed(screened, quality, audits)
    (published,) = one(con, "SELECT count(*) FROM loop.publication WHERE month = ?", [month])
    return measures, FollowUpReview(
        baseline=month in baseline_months(con),
        published=int(published) + publishing,
        ledger_head=head(con),
        screen_quality=quality,
        determinations=determinations(con, month),
        agreement=agreement(con, month),
        audit_results=audits,
        restatements=restatements(con, month, measures),
        follow_ups=follow_ups(con, month),
        referred=referred(con, month),
        year_actions=year_actions(con, month),
        corrections=corrections(con, month),
        practice_variances=practice_variances(con),
    )


def write_followup_data(con: Connection, drawn: DrawnFiles, followup: FollowUpReview) -> None:
    """Write the follow-up's tables beside the month's other data files, as these are."""

    def write(frame: Frame, path: Path) -> None:
        rows = frame.for_database()  # noqa: F841 - the database finds it by its name
        target = str(path).replace("'", "''")
        con.execute(f"COPY (FROM rows) TO '{target}' (FORMAT csv, HEADER)")

    for name in MONTH_TABLES:
        frame = getattr(followup, name)
        mark = hashlib.sha256(pickle.dumps(frame, protocol=5)).hexdigest()
        drawn.file(f"data/{name}.csv", mark, partial(write, frame))
