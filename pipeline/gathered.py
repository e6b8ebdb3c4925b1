"""One month gathered from the store: made anew, or as it is kept where it would be the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

    from pipeline.store.made_from import MadeFrom
    from pipeline.store.protocol_versions import VersionInStore
    from schemas.case_detail import CaseDetails
    from schemas.month_review import MonthReview

Stage = Callable[[str], None]


def tool_version() -> str:
    """The version of this program as installed."""
    from importlib.metadata import version

    return version("tailrace")


def made_from(
    con: duckdb.DuckDBPyConnection,
    month: str,
    audits_a_year: int | None = None,
    *,
    publishing: bool = False,
) -> MadeFrom:
    """Marks of all that a month's pages are made from."""
    from pipeline.store.made_from import MadeFrom

    return MadeFrom(con, month, [tool_version(), audits_a_year, publishing])


def gathered(
    con: duckdb.DuckDBPyConnection,
    month: str,
    stage: Stage = lambda _: None,
    *,
    publishing: bool = False,
) -> MonthReview:
    """What a month's pages are drawn from; leaves `out_*` for its data files.

    Draws the month's audit where that was not done. `publishing`: pages say that they are
    published.
    """
    made = made_from(con, month, publishing=publishing)
    return with_curves(con, month_facts(con, made, stage, publishing=publishing), made, stage)


def kept_month(
    con: duckdb.DuckDBPyConnection, month: str, stage: Stage = lambda _: None
) -> MonthReview:
    """What a month's packs and pictures are drawn from: as its pages were, if that still holds."""
    from pipeline.store.kept_results import found_kept, keep

    stage("what is kept")
    made = made_from(con, month)
    for month_review in found_kept(con, f"month {month}", made.everything()):
        return month_review  # type: ignore[no-any-return]
    month_review = gathered(con, month, stage)
    keep(con, f"month {month}", made.everything(), month_review)
    return month_review


def with_curves(
    con: duckdb.DuckDBPyConnection,
    facts: MonthReview,
    made: MadeFrom,
    stage: Stage = lambda _: None,
) -> MonthReview:
    """The month with what other limits would have found."""
    from dataclasses import replace

    from pipeline.judging.whatif import main_curves
    from pipeline.store.kept_results import kept

    stage("what if")
    name, month = f"curves {facts.month}", facts.month
    curves = kept(con, name, made.measured(), lambda: main_curves(con, month))
    return replace(facts, what_if=curves)


def month_facts(
    con: duckdb.DuckDBPyConnection,
    made: MadeFrom,
    stage: Stage = lambda _: None,
    *,
    audits_a_year: int | None = None,
    publishing: bool = False,
) -> MonthReview:
    """As `gathered`, without what other limits would have found."""
    from dataclasses import replace

    from pipeline.followup.audit import A_YEAR
    from pipeline.followup.month import followup_review, join_cases, with_confirmed
    from pipeline.followup.own_signals import close_ended
    from pipeline.judging.versions import versions_in_store
    from pipeline.measures import answered_figures, measured
    from pipeline.month.cases import cases, month_words
    from pipeline.month.gather import calendar, confidentiality, gather, late_trips, make_tables
    from pipeline.month.work import make_work

    month = made.month
    stage("cases")
    versions = versions_in_store(con)
    month_words(con, versions, month)
    cases(con, versions, month)
    join_cases(con, month, a_year=A_YEAR if audits_a_year is None else audits_a_year)
    make_work(con, month)
    stage("statistics")
    screened, found = measured(con, made, calendar(con, versions, month), versions)
    measures = with_confirmed(con, month, screened)
    stage("data files")
    make_tables(con, month, measures, answered_figures(con, found, month))
    close_ended(con, found["signals"])
    followup = followup_review(con, month, measures, publishing=publishing)
    gathered_month = gather(con, versions, month, tool_version())
    stated, late = confidentiality(con), late_trips(con, month)
    return replace(
        gathered_month, details=_details(con, made, versions), followup=followup,
        confidentiality=stated, late=late,
    )  # fmt: skip


def _details(
    con: duckdb.DuckDBPyConnection, made: MadeFrom, versions: list[VersionInStore]
) -> CaseDetails:
    from pipeline.month.case_detail import DETAILED, case_details
    from pipeline.store.kept_results import kept

    name = f"details {made.month}"
    return kept(con, name, made.detailed(DETAILED), lambda: case_details(con, versions))
