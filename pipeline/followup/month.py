"""The loop's part of a month's review: which cases join, and the tables for its pages."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
from pipeline.followup.restate import restated_months, restatements
from pipeline.store.baseline import baseline_months
from pipeline.store.corrections import corrections
from pipeline.store.database import one, transaction
from pipeline.store.followup_tables import ensure_followup_tables
from pipeline.store.ledger import head
from schemas.followup_outputs import MONTH_TABLES, FollowUpReview
from schemas.units import Unit

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def join_cases(con: duckdb.DuckDBPyConnection, month: str, *, a_year: int = A_YEAR) -> None:
    """Add the random audit to `month_case`, and make `month_fetch`, the records to fetch.

    Call after `cases`. Draws the audit where that was not done, for `a_year` trips in twelve
    months. A month of the baseline opens no work at all.
    """
    with transaction(con):
        join_cases_within(con, month, a_year=a_year)


def join_cases_within(con: duckdb.DuckDBPyConnection, month: str, *, a_year: int = A_YEAR) -> None:
    """As `join_cases`, as part of the transaction at hand."""
    ensure_followup_tables(con)
    list_fetch(con, month)
    if month in baseline_months(con):
        for table in ("month_case", "month_flag", "month_fetch"):
            con.execute(f"DELETE FROM {table}")
        return
    draw_audit(con, month, a_year=a_year)
    add_audit_cases(con, month)


def with_confirmed(
    con: duckdb.DuckDBPyConnection, month: str, measures: pd.DataFrame
) -> pd.DataFrame:
    """The measures with those after determinations beside them, under their own names."""
    import pandas as pd

    make_flags(con, month)
    rows = [measures, confirmed_measures(con, month), miss_rates(audit_results(con, month))]
    return pd.concat(rows, ignore_index=True).sort_values(
        ["measure", "group_by", "group_value", "month"], kind="stable", ignore_index=True
    )


def miss_rates(results: pd.DataFrame) -> pd.DataFrame:
    """The audit's miss rates as rows of the measures table; months with nothing read are left."""
    import pandas as pd

    from schemas.outputs import Measures

    read = results[results["read"] > 0]
    rows = pd.DataFrame({
        "measure": "miss-rate", "month": read["month"], "group_by": "service",
        "group_value": "all", "numerator": read["missed"].astype(float),
        "denominator": read["read"].astype(float), "unit": Unit.SHARE,
        "estimate": read["miss_rate"], "low": read["low"], "high": read["high"],
        "method": read["method"], "trips": read["read"], "left_out": read["drawn"] - read["read"],
    })  # fmt: skip
    return rows.reindex(columns=list(Measures.to_schema().columns))


def followup_review(
    con: duckdb.DuckDBPyConnection,
    month: str,
    measures: pd.DataFrame,
    *,
    publishing: bool = False,
) -> FollowUpReview:
    """Every table of the follow-up for the month's pages; after `cases` and `with_confirmed`.

    `measures` are those of `month`, the confirmed ones with them. `publishing`: what is drawn now
    counts as published already.
    """
    (published,) = one(con, "SELECT count(*) FROM loop.publication WHERE month = ?", [month])
    restated = restatements(con, month, measures)
    return FollowUpReview(
        baseline=month in baseline_months(con),
        published=int(published) + publishing,
        ledger_head=head(con),
        screen_quality=screen_quality(con, month),
        determinations=determinations(con, month),
        agreement=agreement(con, month),
        audit_results=audit_results(con, month),
        restatements=restated,
        restated=restated_months(con, restated),
        follow_ups=follow_ups(con, month),
        referred=referred(con, month),
        year_actions=year_actions(con, month),
        corrections=corrections(con, month),
        practice_variances=practice_variances(con),
    )


def write_followup_data(
    con: duckdb.DuckDBPyConnection, followup: FollowUpReview, folder: Path
) -> None:
    """Write the follow-up's tables beside the month's other data files."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in MONTH_TABLES:
        con.register("frame", getattr(followup, name))
        target = str(folder / f"{name}.csv").replace("'", "''")
        con.execute(f"COPY (FROM frame) TO '{target}' (FORMAT csv, HEADER)")
        con.unregister("frame")
