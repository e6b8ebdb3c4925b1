"""Signals of control charts outside the family: with the others in the data file, in no lead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.measures.signal_counts import RATE
from pipeline.measures.signal_words import chart_words
from schemas.frame import Frame, stacked
from schemas.months import month_name

KEY = ["measure", "group_by", "group_value"]


def with_exploratory(found: Mapping[str, Frame], points: Frame) -> dict[str, Frame]:
    """The frames of `signals`, the points of `Charts` that signal among its rows.

    They are drawn anew each month and not kept as said: limits move, and by them such signals.
    """

    watched = set(found["signal_charts"].keys(*KEY))
    signalled = points.rows(
        [
            bool(signal) and key not in watched
            for signal, key in zip(points["signal"], points.keys(*KEY), strict=True)
        ]
    )
    if not len(signalled):
        return dict(found)
    said = signalled.records()
    rows = signalled.only(["month", *KEY]).assign(
        said_in=max(points["month"]), kind="exploratory", certainty="sure", missing=0,
        side=["better" if _better(row) else "worse" for row in said],
        sentence=[_sentence(row) for row in said],
    )  # fmt: skip
    signals = found["signals"]
    every = stacked([signals, rows.only(signals.columns)])
    return {**found, "signals": every.sorted_by("month", "kind", *KEY)}


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
    return f"{what}, {month_name(str(row['month']))}: {row['signal']}."
