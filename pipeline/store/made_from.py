"""What a month's results are made from, told by marks of the store's tables."""

from __future__ import annotations

from dataclasses import field
from functools import cached_property
from typing import Any

from pipeline.store.kept_results import made_from_hash, state
from schemas.connection import Connection
from schemas.record import dataclass

SHOWN_NOWHERE = ("file_content", "workbook", "draft")
"""Tables of the follow-up that no page, sheet or data file is made from."""

ANSWERS = ("ledger", "sheet", "determination", "determination_rule", "finding")
"""Tables that hold what readers answered, and that somebody did."""

NOT_MEASURED = (
    *ANSWERS,
    *("move", "audit", "audit_draw"),
    *("audit_plan", "audit_trip", "fetch", "fetch_said"),
    *("publication", "published_figure", "published_verdict", "published_file", "shared_period"),
    *("correction", "corrected", "baseline"),
)
"""Tables of the follow-up that measures, charts and curves do not read: what they need of a
correction is the content that holds."""


@dataclass
class MadeFrom:
    """Marks of what `month` is made from; call once everything is delivered and judged.

    The follow-up is looked at once; whoever writes into it says so by `look_again`.
    `more`: whatever else what is drawn depends on, as JSON has it. `publishing`: the pages say that
    they are published.
    """

    con: Connection
    month: str
    more: list[Any] = field(default_factory=list)
    publishing: bool = False

    @cached_property
    def _delivered(self) -> dict[str, str]:
        return state(self.con, "delivered")

    @cached_property
    def _loop(self) -> dict[str, str]:
        return state(self.con, "loop", *SHOWN_NOWHERE)

    def look_again(self) -> None:
        """Forget what the follow-up had: something was written into it."""
        vars(self).pop("_loop", None)

    def measured(self) -> str:
        """Of what measures, charts and curves are made from: not of what people answered.

        Signals write into the follow-up what they say for the first time, so it is looked at anew.
        """
        of = state(self.con, "loop", *SHOWN_NOWHERE, *NOT_MEASURED)
        return made_from_hash(self._delivered, of, self.month)

    def unanswered(self) -> str:
        """Of all that the month's pages are made from but what readers answered."""
        of = {name: mark for name, mark in self._loop.items() if name not in ANSWERS}
        return made_from_hash(self._delivered, of, self.month, self.more)

    def everything(self) -> str:
        """Of all that the month's pages are made from."""
        return made_from_hash(self._delivered, self._loop, self.month, self.more, self.publishing)
