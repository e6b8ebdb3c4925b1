"""One month gathered from the store: made anew, or as it is kept where it would be the same."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

from schemas.connection import Connection

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.month.record_and_answers import FromRecords, Month
    from pipeline.store.made_from import MadeFrom
    from schemas.month_review import MonthReview

Stage = Callable[[str], None]


@cache
def tool_version() -> str:
    """The version of this program as installed."""
    from importlib.metadata import version

    return version("tailrace")


def made_from(
    con: Connection, month: str, audits_a_year: int | None = None, *, publishing: bool = False
) -> MadeFrom:
    """Marks of all that a month's pages are made from."""
    from pipeline.store.made_from import MadeFrom

    return MadeFrom(con, month, [tool_version(), audits_a_year], publishing=publishing)


def gathered(
    con: Connection,
    made: MadeFrom,
    standing: Path | None = None,
    stage: Stage = lambda _: None,
    audits_a_year: int | None = None,
) -> Month:
    """What a month's pages are drawn from; leaves `out_*` for its data files that are new.

    Draws the month's audit where that was not done. `standing`: the folder that its data files are
    taken from where they are the same; what is kept is not used if it has not all of those.
    """
    records = _records(con, made, standing, stage, audits_a_year)
    return _with_answers(con, made, records, stage)


def kept_month(con: Connection, month: str, stage: Stage = lambda _: None) -> MonthReview:
    """What a month's packs and pictures are drawn from: as its pages were, if that still holds."""
    stage("what is kept")
    made = made_from(con, month)
    for found in found_month(con, made):
        return found.review
    made_now = gathered(con, made, stage=stage)
    keep_answers(con, made, made_now)
    return made_now.review


def found_month(con: Connection, made: MadeFrom) -> list[Month]:
    """The month as it is kept, if it would be gathered the same; an empty list else."""
    from pipeline.month.record_and_answers import Month
    from pipeline.store.kept_results import found_kept

    return [
        Month(records, answers, made.unanswered())
        for answers in found_kept(con, f"answers {made.month}", made.everything())
        for records in found_kept(con, f"records {made.month}", made.unanswered())
    ]


def keep_answers(con: Connection, made: MadeFrom, month: Month) -> None:
    """Keep what answers add to the month, whose records are kept already."""
    from pipeline.store.kept_results import keep

    keep(con, f"answers {made.month}", made.everything(), month.answers)


def _records(
    con: Connection, made: MadeFrom, standing: Path | None, stage: Stage, audits_a_year: int | None
) -> FromRecords:
    """What no answer changes, with the tables that answers are held against."""
    from pipeline.month.record_and_answers import READ_BY_ANSWERS
    from pipeline.store.drawn_files import data_stands
    from pipeline.store.kept_results import found_kept, keep, keep_tables, use_kept_tables

    name, of = f"records {made.month}", made.unanswered()
    for found in found_kept(con, name, of):
        stands = standing is None or data_stands(con, standing, made.month, found.tables)
        if stands and use_kept_tables(con, of):
            return found  # type: ignore[no-any-return]
    records = _records_made(con, made, stage, audits_a_year)
    # an audit may have been drawn, and signals told for the first time
    made.look_again()
    of = made.unanswered()
    keep(con, name, of, records)
    keep_tables(con, READ_BY_ANSWERS, of)
    return records


def _records_made(
    con: Connection, made: MadeFrom, stage: Stage, audits_a_year: int | None
) -> FromRecords:
    # long: one line a step
    from dataclasses import replace

    from pipeline.followup.audit import A_YEAR
    from pipeline.followup.month import join_cases
    from pipeline.followup.own_signals import close_ended
    from pipeline.judging.versions import versions_in_store
    from pipeline.judging.whatif import main_curves
    from pipeline.measures import measured
    from pipeline.measures.signal_standing import with_closed
    from pipeline.measures.signal_trips import signal_events
    from pipeline.measures.signal_units import signal_units
    from pipeline.month.case_detail import case_details
    from pipeline.month.cases import cases, month_words
    from pipeline.month.data_files import frames_of, make_tables
    from pipeline.month.gather import calendar, gather
    from pipeline.month.record_and_answers import FromRecords
    from pipeline.month.work import make_equipment
    from pipeline.store.kept_results import kept

    month = made.month
    stage("cases")
    versions = versions_in_store(con)
    month_words(con, versions, month)
    cases(con, versions, month)
    join_cases(con, month, a_year=A_YEAR if audits_a_year is None else audits_a_year)
    make_equipment(con, month)
    stage("statistics")
    measures, figures = measured(con, made, calendar(con, versions, month), versions)
    close_ended(con, figures["signals"])
    figures["signals"] = with_closed(con, figures["signals"], month)
    signal_events(con, figures["signals"])
    figures["signal_units"] = signal_units(con)
    stage("data files")
    tables = make_tables(con, month, figures)
    review = gather(con, versions, month, measures, tool_version())
    details = case_details(con, versions)
    stage("what if")
    curves = kept(con, f"curves {month}", made.measured(), lambda: main_curves(con, month))
    patterns = ("occlusion_patterns", "clock_offsets")
    return FromRecords(
        replace(review, details=details, what_if=curves),
        figures | frames_of(con, patterns),
        tables,
    )


def _with_answers(con: Connection, made: MadeFrom, records: FromRecords, stage: Stage) -> Month:
    from pipeline.followup.month import followup_review
    from pipeline.measures import answered_figures
    from pipeline.month.data_files import frames_of, make_answered_tables
    from pipeline.month.record_and_answers import FromAnswers, Month
    from pipeline.month.work import make_work, month_work
    from pipeline.store.answers_view import make_answers

    stage("answers")
    month = made.month
    make_answers(con)
    make_work(con, month)
    screened = records.review.measures
    measures, followup = followup_review(con, month, screened, publishing=made.publishing)
    figures = answered_figures(con, month)
    tables = make_answered_tables(con, measures, figures)
    shown = frames_of(con, ["measures"])["measures"]
    own = FromAnswers(shown, figures, month_work(con, month), followup, tables)
    return Month(records, own, made.unanswered())
