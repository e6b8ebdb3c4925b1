"""What a month's results are made from, told by marks of the store's tables."""

from __future__ import annotations

from dataclasses import field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from pipeline.store.kept_results import made_from_hash, state, table_marks
from schemas.record import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb

SHOWN_NOWHERE = ("file_content", "workbook", "draft")
"""Tables of the follow-up that no page, sheet or data file is made from."""

NOT_MEASURED = (
    *("ledger", "sheet", "determination", "determination_rule", "finding", "move"),
    *("audit", "audit_draw"),
    *("audit_plan", "audit_trip", "fetch", "fetch_said"),
    *("publication", "published_figure", "published_verdict", "published_file", "shared_period"),
    *("correction", "corrected", "baseline", *SHOWN_NOWHERE),
)
"""Tables of the follow-up that measures, charts and curves do not read: what they need of a
correction is the content that holds."""


@dataclass
class MadeFrom:
    """Marks of what `month` is made from; call once everything is delivered and judged.

    `more`: whatever else what is drawn depends on, as JSON has it.
    """

    con: duckdb.DuckDBPyConnection
    month: str
    more: list[Any] = field(default_factory=list)

    @cached_property
    def _delivered(self) -> dict[str, str]:
        return state(self.con, "delivered")

    def measured(self) -> str:
        """Of what measures, charts and curves are made from: not of what people answered."""
        return made_from_hash(self._delivered, state(self.con, "loop", *NOT_MEASURED), self.month)

    def detailed(self, tables: Sequence[str]) -> str:
        """Of what is delivered, and the rows of these tables of the review at hand."""
        return made_from_hash(self._delivered, table_marks(self.con, tables), self.month)

    def everything(self) -> str:
        """Of all that the month's pages are made from."""
        loop = state(self.con, "loop", *SHOWN_NOWHERE)
        return made_from_hash(self._delivered, loop, self.month, self.more)
