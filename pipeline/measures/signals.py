"""Signals of the family: what is above its threshold, since when, how big, and what was said."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.signal_certainty import Completions
from pipeline.measures.signal_counts import Family, family
from pipeline.measures.signal_months import (
    Clustering,
    Thresholds,
    Worked,
    add_rows,
    thresholds,
    worked,
)
from pipeline.measures.signal_standing import KEY, OF_SIGNAL, with_standing
from pipeline.measures.signal_words import Said, revised, sentence
from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.record import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.measures.series import Calendar
    from pipeline.statistics.intervals import RatioInterval
    from pipeline.store.protocol_versions import VersionInStore

SUBSTANCE = ("since", "since_low", "since_high", "certainty", "missing")
"""What a signal says apart from figures that follow from it: a change of these is a revision."""

RATIOS = ("ratio", "ratio_low", "ratio_high")


@dataclass(frozen=True)
class Ground:
    """What signals are told from: counts, W, thresholds, clustering, and the sizes' labels."""

    found: Family
    done: Worked
    heights: Thresholds
    clustering: Clustering
    labels: Mapping[str, str]


@dataclass(frozen=True)
class Height:
    """One sum watched at one height: S, where it signals, and what missing trips leave open."""

    kind: str
    side: str
    increments: NDArray[np.float64]
    sums: NDArray[np.float64]
    signal: NDArray[np.bool_]
    threshold: NDArray[np.float64]
    certainty: NDArray[np.str_]


def signals(
    con: Connection, calendar: Calendar, versions: Sequence[VersionInStore]
) -> dict[str, Frame]:
    """Frames `signals` and `signal_charts` up to the calendar's last month.

    Call after the measures, which leave their counts. What is said for the first time, and what is
    revised, is kept in the store.
    """
    from pipeline.store.database import transaction

    with transaction(con):
        found = family(con, calendar.months, calendar.missing, versions)
        clustering = Clustering(con)
        done = worked(con, found, clustering)
        heights = thresholds(con, found, done, clustering)
        ground = Ground(found, done, heights, clustering, _labels(con))
        watched = _heights(con, ground)
        kept = _keep(con, list(_said(ground, watched)), found.months[-1])
    clustering.keep(con)
    rows = with_standing(kept, found, done)
    return {
        "signals": rows,
        "signal_charts": _charts(found, done, heights, watched),
    }


def _heights(con: Connection, ground: Ground) -> tuple[Height, ...]:
    """The headline, the watch, and the other side at the height of the watch."""
    from pipeline.statistics.signal_sums import signal_sums

    found, done, heights = ground.found, ground.done, ground.heights
    completions = Completions(con, found, done, ground.clustering)
    restart = found.restart
    made = []
    for kind, side, w, limit in (
        ("headline", "worse", done.increments, heights.headline),
        ("watch", "worse", done.increments, heights.watch),
        ("watch", "better", done.better, heights.watch),
    ):
        run = signal_sums(w, limit, restart)
        certainty = np.where(run.signal, "sure", "ordinary").astype("<U8")
        if side == "worse":
            certainty = completions.certainty(w, run.signal, limit)
        made.append(Height(kind, side, w, run.sums, run.signal, limit, certainty))
    return tuple(made)


def _said(ground: Ground, watched: Sequence[Height]) -> Iterator[dict[str, Any]]:
    """Every signal of every month as its own data say it; a headline's watch is not said again."""
    headline, found = watched[0].signal, ground.found
    for one in watched:
        for m, chart in np.argwhere(one.signal):
            if one.kind == "watch" and one.side == "worse" and headline[m, chart]:
                continue
            said = _measured(ground, one, int(m), int(chart))
            yield {
                "month": found.months[m], "kind": one.kind,
                **dict(zip(KEY, said.key, strict=True)), "side": one.side,
                "since": said.since, "since_low": said.since_low, "since_high": said.since_high,
                **{name: _finite(getattr(said, name)) for name in RATIOS},
                "statistic": float(one.sums[m, chart]),
                "threshold": float(one.threshold[m, chart]),
                "certainty": said.certainty, "missing": said.missing,
                "noticed_in_100": float(ground.heights.noticed[m, chart]),
                "sentence": sentence(said, ground.labels),
            }  # fmt: skip


def _finite(value: float) -> float:
    """The value; NaN for an infinite one."""
    return value if np.isfinite(value) else float("nan")


def _measured(ground: Ground, one: Height, m: int, chart: int) -> Said:
    """Since when a signal holds, and the months since against those before."""
    from pipeline.statistics.signal_sums import since

    found, w = ground.found, one.increments[:, chart]
    restart = found.restart[:, chart]
    # before the first month watched no change is sought: its W tells nothing
    watched = np.arange(len(w)) == np.flatnonzero(w)[0]
    when = since(w, m, restart | watched)
    begun = np.flatnonzero(restart[: when.month + 1])
    earlier = np.flatnonzero(one.signal[when.month : m, chart])
    now, before = slice(when.month, m + 1), slice(int(begun[-1]) if len(begun) else 0, when.month)
    ratio = _ratio(ground, m, chart, now, before)
    certainty = str(one.certainty[m, chart])
    return Said(
        key=found.keys[chart], side=one.side,
        **{name: found.months[getattr(when, at)] for name, at in
           (("since", "month"), ("since_low", "earliest"), ("since_high", "latest"))},
        seen=float(found.seen[now, chart].sum()), of=float(found.denominator[now, chart].sum()),
        seen_before=float(found.seen[before, chart].sum()),
        of_before=float(found.denominator[before, chart].sum()),
        ratio=float(ratio.ratio), ratio_low=float(ratio.lower), ratio_high=float(ratio.upper),
        certainty="sure" if certainty == "sure" else "depends",
        missing=int(found.missing[m]),
        first_said=found.months[when.month + int(earlier[0])] if len(earlier) else "",
    )  # fmt: skip


def _ratio(ground: Ground, m: int, chart: int, now: slice, before: slice) -> RatioInterval:
    from pipeline.statistics.signal_family import rate_of_periods, share_of_periods

    found = ground.found
    first_share = 1 + len(found.sizes)
    if chart >= first_share:
        return share_of_periods(found.shares, chart - first_share, now, before)
    size = None if chart == 0 else chart - 1
    level = np.nan_to_num(ground.done.level[m, 1:first_share])
    k = ground.clustering.k(found.months[m])
    return rate_of_periods(found.rates, size, now, before, level=level, k=k)


def _keep(con: Connection, now: list[dict[str, Any]], said_in: str) -> Frame:
    """What was said up to this month, and what is said now beside it; kept in the store."""

    from pipeline.store.followup_tables import has_table, next_number
    from schemas.signals import SIGNAL

    columns = list(SIGNAL.columns)
    kept = Frame.of_rows([], columns)
    if has_table(con, "signal"):
        asked = "SELECT * FROM loop.signal WHERE said_in <= ? AND month <= ? ORDER BY signal_no"
        kept = Frame.read(con.execute(asked, [said_in, said_in]))
    # a dict keeps the last of each signal
    last: dict[tuple[Any, ...], dict[str, Any]] = {
        tuple(row[name] for name in OF_SIGNAL): row for row in kept.records()
    }
    found = {tuple(row[name] for name in OF_SIGNAL): row for row in now}
    new: list[dict[str, Any]] = []
    for key, row in found.items():
        before = last.get(key)
        if before is None:
            new.append({**row, "said_in": said_in, "found": True})
        elif not before["found"] or any(before[name] != row[name] for name in SUBSTANCE):
            words = revised(True, said_in, before["sentence"], row["sentence"])
            new.append({**row, "said_in": said_in, "found": True, "sentence": words})
    for key, before in last.items():
        if before["found"] and key not in found:
            words = revised(False, said_in, before["sentence"], "")
            new.append({**dict(before), "said_in": said_in, "found": False, "sentence": words})
    if not new:
        return kept
    frame = Frame.of_rows(new, columns[1:]).sorted_by(*OF_SIGNAL)
    number = next_number(con, "signal", "signal_no") if has_table(con, "signal") else 1
    add_rows(con, "signal", frame, lambda: number)
    frame = Frame({"signal_no": range(number, number + len(frame)), **frame.columns})
    return stacked([kept, frame]) if len(kept) else frame


def _labels(con: Connection) -> dict[str, str]:
    """Each cannula's label in the catalogue received last."""
    rows = con.execute("""
        SELECT c.id, arg_max(c.label, l.receipt_no) FROM delivered.cannula c
        JOIN delivered.latest l USING (delivery_no) GROUP BY c.id ORDER BY c.id
    """).fetchall()
    return {name: label or name for name, label in rows}


def _charts(found: Family, done: Worked, heights: Thresholds, watched: Sequence[Height]) -> Frame:
    """Every month of every chart watched, with all that its sum is made from."""

    from schemas.signal_outputs import SignalCharts

    at = np.nonzero(found.groups != "")
    headline, watch = watched[0], watched[1]
    keys = np.array(found.keys, dtype=object).reshape(-1, 3)[at[1]]
    columns = {
        "month": np.array(found.months)[at[0]],
        **{name: keys[:, i] for i, name in enumerate(KEY)},
        "charts": found.groups[at], "numerator": found.seen[at],
        "denominator": found.denominator[at], "level": done.level[at],
        "expected": done.expected[at], "k_eff": done.k_eff[at],
        "restart": found.restart[at], "increment": done.increments[at],
        "statistic": headline.sums[at],
        "threshold": heights.headline[at], "watch_statistic": watch.sums[at],
        "watch_threshold": heights.watch[at], "certainty": headline.certainty[at],
        "missing": found.missing[at[0]], "noticed_in_100": heights.noticed[at],
    }  # fmt: skip
    finite = {
        name: np.where(column == np.inf, np.nan, column) if column.dtype.kind == "f" else column
        for name, column in columns.items()
    }
    return Frame(finite).only(SignalCharts.to_schema().columns).sorted_by(*KEY, "month")
