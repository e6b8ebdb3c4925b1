"""What the store keeps of the desk's work, beside the tables of 0.1.0; these only grow but drafts.

A row of `move` is a whole: it says all that is known of its thing from then on.
"""

from __future__ import annotations

from schemas import shape as pa

FINDING = pa.table(
    "The two questions to each rule of an answer; answers of 0.1.0 have no row here",
    {
        "determination_no": pa.whole("The answer"),
        "rule": pa.text("Id of the rule; null: the case as a whole", nullable=True),
        "conclusion": pa.text(
            "holds, not_documented, does_not_hold, cannot_say, missed; null: nothing missed, or"
            " not concluded", nullable=True,
        ),
        "contributed": pa.text("What contributed, where it holds, between spaces", nullable=True),
        "basis": pa.text("read; together: concluded with others of its rule; sample: likewise, of"
                       " which some were read"),
    },
)  # fmt: skip

MOVE = pa.table(
    "Every move of a thing that people look after; of a thing the last row holds",
    {
        "move_no": pa.whole("Order of storing, from 1"),
        "thing": pa.text(
            "second_reading, action, fetch, signal, query, reply, good_care, approval, added, month"
            " or readers"
        ),
        "key": pa.text("Which one of its kind"),
        "state": pa.text("The state it is in from here on"),
        "month": pa.text("The month under review when it was moved"),
        "trip_id": pa.text("Token of the trip it is about", nullable=True),
        "rule": pa.text("Ids of the rules it is about, between spaces", nullable=True),
        "base": pa.text("Token of the base it is about", nullable=True),
        "owner": pa.text("Token of whose it is", nullable=True),
        "due_month": pa.text("Month by which it should be done", nullable=True),
        "what": pa.text("What it is, or what is asked", nullable=True),
        "why": pa.text("Why, or what came of it; screened, never leaves the store", nullable=True),
        "recorded_by": pa.text("Token of whoever moved it; null: worked out", nullable=True),
    },
)

DRAFT = pa.table(
    "What somebody has begun to write and not saved; replaced as it is written",
    {
        "recorded_by": pa.text("Token of whoever writes"),
        "place": pa.text("The form, by its address"),
        "seen": pa.text("The state of what it is about when it was begun", nullable=True),
        "fields": pa.text("What stands in the form, as JSON"),
    },
)

DESK_TABLES: dict[str, pa.DataFrameSchema] = {"finding": FINDING, "move": MOVE, "draft": DRAFT}
"""Schema of every table of the desk in `loop`, by name."""
