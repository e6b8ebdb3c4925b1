"""Signals as somebody's work: which stand, the trips behind one, and how one ends by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.followup.moves import Move, month_under_review, move, standing
from pipeline.followup.states import CLOSED, OPEN, Facts
from pipeline.store.database import transaction

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

_KEY = ("month", "measure", "group_by", "group_value")

SIGNALS = f"""
    SELECT concat_ws('|', {", ".join(_KEY)}) AS key, kind, {", ".join(_KEY)}, since, sentence
    FROM loop.signal WHERE side = 'worse'
    QUALIFY signal_no = max(signal_no) OVER (PARTITION BY {", ".join(_KEY)}) AND found
"""
"""SQL of each signal towards worse that was not taken back."""

ENDED = "Twelve months are at the level before it."


def trips_behind(con: duckdb.DuckDBPyConnection, key: str) -> list[tuple[str, str, bool, bool]]:
    """Trips of a signal since it began: token, month, whether it was read, whether it held.

    Those that its months' pages list; leaves their temporary tables.
    """
    from pipeline.followup.confirmed import make_flags
    from pipeline.measures.occlusion_rate import ventilator_time
    from pipeline.measures.signal_trips import signal_trips

    signal = con.execute(f"SELECT *, 'stands' AS standing, 'worse' AS side FROM ({SIGNALS})"
                         " WHERE key = ?", [key]).df()  # fmt: skip
    if signal.empty:
        return []
    con.execute(ventilator_time(), {"month": str(signal["month"][0])})
    make_flags(con, month_under_review(con))
    found = signal_trips(con, signal).sort_values(["trip_month", "trip_id"])
    columns = found[["trip_id", "trip_month", "read", "held"]]
    return [(str(t), str(m), bool(r), bool(h)) for t, m, r, h in columns.itertuples(index=False)]


def close_ended(con: duckdb.DuckDBPyConnection, signals: pd.DataFrame) -> int:
    """Store that signals are closed which the figures show to have ended; how many were.

    `signals`: rows of `schemas.signal_outputs.Signals` as of the month under review.
    """
    ended = signals[(signals["standing"] == "ended") & (signals["side"] == "worse")]
    closed = 0
    if not len(ended):  # perhaps no trip is judged: then no month is under review
        return closed
    with transaction(con):
        now = month_under_review(con)
        for row in ended[list(_KEY)].drop_duplicates().itertuples(index=False):
            key = "|".join(map(str, row))
            before = standing(con, "signal", key)
            if (before.state if before else OPEN) != CLOSED:
                closed += move(con, Move("signal", key, CLOSED, now, why=ENDED),
                               Facts(worked_out=True))  # fmt: skip
    return closed
