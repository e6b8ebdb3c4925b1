"""Which retrainings hold, of deliveries and of sheets."""

from __future__ import annotations

from pipeline.store.followup_tables import has_table
from schemas.connection import Connection


def held_retraining(con: Connection) -> str:
    """SQL for every retraining that holds: month, base, crew_member, rule; each once.

    Of base and crew_member one may be null. A store from before there were sheets has those of
    its deliveries alone.
    """
    delivered = "SELECT month, base, crew_member, rule FROM delivered.training_holding"
    if not has_table(con, "retraining"):
        return f"SELECT DISTINCT * FROM ({delivered})"
    return f"""
    SELECT h.* FROM (
        {delivered}
        UNION SELECT month, base, crew_member, rule FROM ({_LATEST}) WHERE NOT withdrawn
    ) h
    ANTI JOIN ({WITHDRAWN}) b ON b.month = h.month AND b.rule = h.rule
        AND b.base IS NOT DISTINCT FROM h.base
        AND b.crew_member IS NOT DISTINCT FROM h.crew_member
    """


_LATEST = """
    SELECT * FROM loop.retraining
    QUALIFY retraining_no = max(retraining_no) OVER (PARTITION BY month, base, crew_member, rule)
"""


WITHDRAWN = f"SELECT month, base, crew_member, rule FROM ({_LATEST}) WHERE withdrawn"
