"""Signals of control charts outside the family: with the others in the data file, in no lead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.measures.signal_counts import RATE
from pipeline.measures.signal_words import chart_words, month_words

if TYPE_CHECKING:
    import pandas as pd

KEY = ["measure", "group_by", "group_value"]


def with_exploratory(
    found: Mapping[str, pd.DataFrame], points: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """The frames of `signals`, the points of `Charts` that signal among its rows.

    They are drawn anew each month and not kept as said: limits move, and by them such signals.
    """
    import pandas as pd

    watched = found["signal_charts"][KEY].drop_duplicates()
    signalled = points[points["signal"].notna()].merge(watched, how="left", on=KEY, indicator=True)
    signalled = signalled[signalled["_merge"] == "left_only"]
    if signalled.empty:
        return dict(found)
    last = points["month"].max()
    rows = signalled[["month", *KEY]].assign(
        said_in=last, kind="exploratory", certainty="sure", missing=0,
        side=["better" if _better(row) else "worse" for row in signalled.to_dict("records")],
        sentence=[_sentence(row) for row in signalled.to_dict("records")],
    )  # fmt: skip
    signals = found["signals"]
    rows = rows.reindex(columns=signals.columns)
    # a column of nothing has no type of its own
    parts = [part for part in (signals, rows.astype(signals.dtypes.to_dict())) if len(part)]
    every = pd.concat(parts, ignore_index=True)
    every = every.sort_values(["month", "kind", *KEY], kind="stable", ignore_index=True)
    return {**found, "signals": every}


def _better(row: Mapping[Any, Any]) -> bool:
    from pipeline.measures.registry import MEASURES

    facts = MEASURES.get(str(row["measure"]))
    side = {"lower": "below", "higher": "above"}.get(facts.better if facts else "", "")
    return bool(side) and side in str(row["signal"])


def _sentence(row: Mapping[Any, Any]) -> str:
    from pipeline.measures.registry import MEASURES

    measure, by, value = (str(row[name]) for name in KEY)
    name = MEASURES[measure].name if measure in MEASURES else measure
    if by == "service" and measure != RATE:
        what = name
    else:
        what = chart_words((measure, by, value), {})
        what += "" if measure in {RATE, "deviation-share"} else f", {name.lower()}"
    return f"{what}, {month_words(str(row['month']))}: {row['signal']}."
