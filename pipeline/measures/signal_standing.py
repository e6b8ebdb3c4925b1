"""How each signal stands as of the month under review: open, ended, closed by a person, or revised.

What was said is not touched: how it stands, the counts up to now and a conclusion are beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.signal_counts import RATE, Family
from pipeline.measures.signal_words import LATELY, lately, so_far
from schemas.connection import Connection

if TYPE_CHECKING:
    from pipeline.measures.signal_months import Worked
    from schemas.frame import Frame

KEY = ("measure", "group_by", "group_value")
OF_SIGNAL = ("month", "kind", *KEY, "side")
STANDS = "stands"
ENDS_AFTER = 12


def with_standing(kept: Frame, found: Family, done: Worked) -> Frame:
    """The rows of `signals.csv`, each with how it stands as of the month under review."""
    from schemas.signal_outputs import Signals

    place = {month: i for i, month in enumerate(found.months)}
    chart = {key: i for i, key in enumerate(found.keys)}
    # a dict keeps the last of each signal
    last = dict(zip(kept.keys(*OF_SIGNAL), kept["signal_no"].tolist(), strict=True))
    rows = [
        (*_standing(row, found, done, chart, place), row["signal_no"] == last[key])
        for row, key in zip(kept.records(), kept.keys(*OF_SIGNAL), strict=True)
    ]
    beside: dict[str, Any] = {
        "standing": ["revised" if not latest else stands for stands, _, latest in rows],
        "so_far": [said if latest else None for _, said, latest in rows],
    }
    own = kept.assign(**beside)
    return own.sorted_by("month", "signal_no").only(Signals.to_schema().columns)


def _standing(
    row: dict[Any, Any],
    found: Family,
    done: Worked,
    chart: dict[tuple[str, str, str], int],
    place: dict[str, int],
) -> tuple[str, str | None]:
    """How a signal's last row stands, and its counts up to now where months came after it."""
    key = (row["measure"], row["group_by"], row["group_value"])
    at = chart.get(key)
    if not row["found"]:
        return "found no more", None
    if at is None or row["month"] not in place:
        return STANDS, None
    first, m = place[row["since"]], place[row["month"]]
    if _ended(found, done, at, (first, m), row["side"]):
        return "ended", None
    if m == len(found.months) - 1:
        return STANDS, None
    seen, of = found.seen[first:, at], found.denominator[first:, at]
    counted = so_far(key, float(seen.sum()), float(of.sum()), row["since"], found.months[-1])
    if len(seen) <= LATELY:
        return STANDS, counted
    return (
        STANDS,
        f"{counted} {lately(key, float(seen[-LATELY:].sum()), float(of[-LATELY:].sum()))}",
    )


def _ended(found: Family, done: Worked, chart: int, span: tuple[int, int], side: str) -> bool:
    """Whether the last twelve months, all after the signal, are at the level before the change.

    At it: they are likelier at that level than at the one watched for.
    """
    from pipeline.statistics.signal_sums import (
        ODDS_RATIO,
        RATE_RATIO,
        rate_increment,
        share_increment,
    )

    first, m = span
    if len(found.months) - 1 - m < ENDS_AFTER or not first:
        return False
    year = slice(len(found.months) - ENDS_AFTER, None)
    seen, of = found.seen[year, chart].sum(), found.denominator[year, chart].sum()
    level = done.level[first, chart]
    if found.keys[chart][0] == RATE:
        # of many months together the clustering of single trips hardly matters
        ratio = RATE_RATIO if side == "worse" else 1 / RATE_RATIO
        return bool(rate_increment(seen, level * of, np.inf, ratio) <= 0)
    odds = ODDS_RATIO if side == "worse" else 1 / ODDS_RATIO
    return bool(share_increment(seen, of, level, odds) <= 0)


_CLOSED = """
    WITH closed AS (
        SELECT DISTINCT f.month, f.measure, f.group_by, f.group_value, s.why
        FROM loop.standing s JOIN signals_frame f
        ON s.key = concat_ws('|', f.month, f.measure, f.group_by, f.group_value)
        WHERE s.thing = 'signal' AND s.state = 'closed' AND s.month <= $month
    )
    SELECT s.row_no, arg_min(c.why, c.month) AS conclusion
    FROM signals_frame s JOIN closed c USING (measure, group_by, group_value)
    WHERE s.stands AND s.month <= c.month GROUP BY s.row_no
"""


def with_closed(con: Connection, signals: Frame, month: str) -> Frame:
    """`signals` with those towards worse that a person closed up to `month`, and the conclusion.

    A signal of a chart closes those said of it before.
    """
    from pipeline.store.followup_tables import has_table

    if not has_table(con, "move") or not len(signals):
        return signals
    stands = (signals["standing"] == STANDS) & (signals["side"] == "worse")
    own = signals.only(["month", *KEY]).assign(row_no=range(len(signals)), stands=stands)
    con.register("signals_frame", own.for_database())
    rows = con.execute(_CLOSED, {"month": month}).fetchall()
    con.unregister("signals_frame")
    if not rows:
        return signals
    found = signals.plain()
    for row, why in rows:
        found["standing"][row], found["so_far"][row] = "closed", None
        found["conclusion"][row] = why
    changed = ("standing", "so_far", "conclusion")
    return signals.assign(**{name: found[name] for name in changed})
