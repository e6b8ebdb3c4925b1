"""History of earlier months, loaded at first use: it counts in the measures, and opens no cases."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.errors import refused
from pipeline.store.followup_tables import ensure_followup_tables, insert
from pipeline.store.ledger import record
from schemas.connection import Connection


def baseline_months(con: Connection) -> set[str]:
    """The months of the baseline; call after `ensure_followup_tables`."""
    return {month for (month,) in con.execute("SELECT month FROM loop.baseline").fetchall()}


def mark_baseline(con: Connection, months: Sequence[str], by: str | None = None) -> None:
    """Make `months` part of the baseline; call in the transaction that loads them.

    Refused for a month with an answer, an audit or a publication: its cases were opened already.
    """
    ensure_followup_tables(con)
    new = sorted(set(months) - baseline_months(con))
    begun = con.execute(
        """SELECT month FROM loop.determination UNION SELECT month FROM loop.publication
           UNION SELECT month FROM loop.audit_draw UNION SELECT month FROM loop.audit_plan"""
    ).fetchall()
    late = sorted(set(new) & {month for (month,) in begun})
    if late:
        what = f"the cases of {', '.join(late)} have been opened already"
        raise refused("baseline-late", None, what, column="--baseline")
    if new:
        insert(con, "baseline", [(month,) for month in new])
        record(con, "baseline", {"months": new, "by": by})
