"""What the store keeps of the desk's work, beside the tables of 0.1.0; these only grow but drafts.

A row of `move` is a whole: it says all that is known of its thing from then on.
"""

from __future__ import annotations

from typing import Any

from schemas import kinds as dt
from schemas import shape as pa


def _text(description: str, *, nullable: bool = False) -> Any:
    return pa.Column(dt.string, nullable=nullable, description=description)


def _whole(description: str) -> Any:
    return pa.Column(dt.int32, nullable=False, description=description)


def _table(description: str, columns: dict[str, Any]) -> pa.DataFrameSchema:
    return pa.DataFrameSchema(columns, strict=True, description=description)


FINDING = _table(
    "The two questions to each rule of an answer; answers of 0.1.0 have no row here",
    {
        "determination_no": _whole("The answer"),
        "rule": _text("Id of the rule; null: the case as a whole", nullable=True),
        "conclusion": _text(
            "holds, not_documented, does_not_hold, cannot_say, missed; null: nothing missed, or"
            " not concluded", nullable=True,
        ),
        "contributed": _text("What contributed, where it holds, between spaces", nullable=True),
        "basis": _text("read; together: concluded with others of its rule; sample: likewise, of"
                       " which some were read"),
    },
)  # fmt: skip

MOVE = _table(
    "Every move of a thing that people look after; of a thing the last row holds",
    {
        "move_no": _whole("Order of storing, from 1"),
        "thing": _text(
            "second_reading, action, fetch, signal, query, reply, good_care, approval, added, month"
            " or readers"
        ),
        "key": _text("Which one of its kind"),
        "state": _text("The state it is in from here on"),
        "month": _text("The month under review when it was moved"),
        "trip_id": _text("Token of the trip it is about", nullable=True),
        "rule": _text("Ids of the rules it is about, between spaces", nullable=True),
        "base": _text("Token of the base it is about", nullable=True),
        "owner": _text("Token of whose it is", nullable=True),
        "due_month": _text("Month by which it should be done", nullable=True),
        "what": _text("What it is, or what is asked", nullable=True),
        "why": _text("Why, or what came of it; screened, never leaves the store", nullable=True),
        "recorded_by": _text("Token of whoever moved it; null: worked out", nullable=True),
    },
)

DRAFT = _table(
    "What somebody has begun to write and not saved; replaced as it is written",
    {
        "recorded_by": _text("Token of whoever writes"),
        "place": _text("The form, by its address"),
        "seen": _text("The state of what it is about when it was begun", nullable=True),
        "fields": _text("What stands in the form, as JSON"),
    },
)

DESK_TABLES: dict[str, pa.DataFrameSchema] = {"finding": FINDING, "move": MOVE, "draft": DRAFT}
"""Schema of every table of the desk in `loop`, by name."""
