"""A month in two parts: what its records say, and what people's answers add to them.

An answer changes nothing of the first, which is kept by itself.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

from pipeline.measures.registry import MEASURES
from pipeline.month.data_files import Marks
from schemas.followup_outputs import FollowUpReview
from schemas.frame import Frame
from schemas.month_review import MeasureFigures, MonthReview
from schemas.record import dataclass
from schemas.work import MonthWork

READ_BY_ANSWERS = (
    *("month_case", "month_flag", "month_fetch", "month_equipment"),
    *("verdict_counts", "signal_event"),
    # data files that the review has no frame of: a new workbook takes their rows from here
    *("out_verdicts", "out_evidence", "out_timeline", "out_equipment"),
)
"""Tables made from the records that are read once more when somebody has answered."""


@dataclass(frozen=True)
class FromRecords:
    """What no answer changes: a review without follow-up, work and figures; and most figures.

    Its measures are those before any answer. `tables`: marks of its data files.
    """

    review: MonthReview
    figures: dict[str, Frame]
    tables: Marks


@dataclass(frozen=True)
class FromAnswers:
    """What answers change: the other figures, and all measures, since some are of answers."""

    measures: Frame
    figures: dict[str, Frame]
    work: MonthWork
    followup: FollowUpReview
    tables: Marks


@dataclass(frozen=True)
class Month:
    """Both parts, and the review that they make together; `made_from`: a mark of the records."""

    records: FromRecords
    answers: FromAnswers
    made_from: str

    @cached_property
    def review(self) -> MonthReview:
        """What the month's pages are drawn from."""
        own = self.answers
        figures = MeasureFigures(
            facts=tuple(MEASURES.values()), **self.records.figures, **own.figures
        )
        return replace(
            self.records.review, measures=own.measures, figures=figures, work=own.work,
            followup=own.followup, records=self.made_from,
        )  # fmt: skip

    @property
    def tables(self) -> Marks:
        """Of every data file that is made from a table."""
        return {**self.records.tables, **self.answers.tables}
