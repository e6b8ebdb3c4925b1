"""Signals of the family: what is above its threshold, since when, how big, and what was said."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.signal_certainty import Completions
from pipeline.measures.signal_counts import RATE, Family, family
from pipeline.measures.signal_months import (
    Clustering,
    Thresholds,
    Worked,
    add_rows,
    thresholds,
    worked,
)
from pipeline.measures.signal_words import Said, revised, sentence

if TYPE_CHECKING:
    import duckdb
    import pandas as pd
    from numpy.typing import NDArray

    from pipeline.measures.series import Calendar
    from pipeline.statistics.clustered_intervals import LogInterval
    from pipeline.store.protocol_versions import VersionInStore

KEY = ("measure", "group_by", "group_value")
OF_SIGNAL = ("month", "kind", *KEY, "side")
SUBSTANCE = ("since", "since_low", "since_high", "certainty", "missing")
"""What a signal says apart from figures that follow from it: a change of these is a revision."""

RATIOS = ("ratio", "ratio_low", "ratio_high")
ENDS_AFTER = 12


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
    con: duckdb.DuckDBPyConnection, calendar: Calendar, versions: Sequence[VersionInStore]
) -> dict[str, pd.DataFrame]:
    """Frames `signals` and `signal_charts` up to the calendar's last month.

    Call after the measures, which leave their counts. What is said for the first time, and what is
    revised, is kept in the store.
    """
    from pipeline.store.database import together

    with together(con):
        found = family(con, calendar.months, calendar.missing, versions)
        clustering = Clustering(con)
        done = worked(con, found, clustering)
        heights = thresholds(con, found, done, clustering)
        ground = Ground(found, done, heights, clustering, _labels(con))
        watched = _heights(con, ground)
        kept = _keep(con, list(_said(ground, watched)), found.months[-1])
    rows = _with_standing(kept, found, done)
    return {
        "signals": rows,
        "signal_charts": _charts(found, done, heights, watched),
    }


def _heights(con: duckdb.DuckDBPyConnection, ground: Ground) -> tuple[Height, ...]:
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
    from pipeline.statistics.signal_sums import begun_again, since

    found = ground.found
    restart = found.restart[:, chart]
    again = begun_again(one.signal[:, chart], restart)
    # before the first month watched no change is sought: its W tells nothing
    again[np.flatnonzero(one.increments[:, chart])[0]] = True
    when = since(one.increments[:, chart], one.sums[:, chart], m, again)
    begun = np.flatnonzero(restart[: when.month + 1])
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
    )  # fmt: skip


def _ratio(ground: Ground, m: int, chart: int, now: slice, before: slice) -> LogInterval:
    from pipeline.statistics.signal_family import rate_of_periods, share_of_periods

    found = ground.found
    first_share = 1 + len(found.sizes)
    if chart >= first_share:
        return share_of_periods(found.shares, chart - first_share, now, before)
    size = None if chart == 0 else chart - 1
    level = np.nan_to_num(ground.done.level[m, 1:first_share])
    k = ground.clustering.k(found.months[m])
    return rate_of_periods(found.rates, size, now, before, level=level, k=k)


def _keep(con: duckdb.DuckDBPyConnection, now: list[dict[str, Any]], said_in: str) -> pd.DataFrame:
    """What was said up to this month, and what is said now beside it; kept in the store."""
    import pandas as pd

    from pipeline.store.followup_tables import has_table, next_number
    from schemas.signals import SIGNAL

    columns = list(SIGNAL.columns)
    kept = pd.DataFrame(columns=columns)
    if has_table(con, "signal"):
        asked = "SELECT * FROM loop.signal WHERE said_in <= ? AND month <= ? ORDER BY signal_no"
        kept = con.execute(asked, [said_in, said_in]).df()
    # a dict keeps the last of each signal
    last: dict[tuple[Any, ...], dict[str, Any]] = {
        tuple(row[name] for name in OF_SIGNAL): {str(k): v for k, v in row.items()}
        for row in kept.to_dict("records")
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
    frame = pd.DataFrame(new)[columns[1:]]
    frame = frame.sort_values([*OF_SIGNAL], kind="stable", ignore_index=True)
    number = next_number(con, "signal", "signal_no") if has_table(con, "signal") else 1
    add_rows(con, "signal", frame, lambda: number)
    frame.insert(0, "signal_no", range(number, number + len(frame)))
    return pd.concat([kept, frame], ignore_index=True) if len(kept) else frame


def _with_standing(kept: pd.DataFrame, found: Family, done: Worked) -> pd.DataFrame:
    """The rows of `signals.csv`, each with how it stands as of the month under review."""
    from schemas.signal_outputs import Signals

    place = {month: i for i, month in enumerate(found.months)}
    chart = {key: i for i, key in enumerate(found.keys)}
    last = kept.groupby([*OF_SIGNAL])["signal_no"].transform("max") if len(kept) else ()
    standing = []
    for row, latest in zip(kept.to_dict("records"), last, strict=True):
        at = chart.get(tuple(row[name] for name in KEY))
        if row["signal_no"] != latest:
            standing.append("revised")
        elif not row["found"]:
            standing.append("found no more")
        elif at is None or row["month"] not in place:
            standing.append("stands")
        else:
            span = (place[row["since"]], place[row["month"]])
            ended = _ended(found, done, at, span, row["side"])
            standing.append("ended" if ended else "stands")
    rows = kept.assign(standing=standing).sort_values(
        ["month", "signal_no"], kind="stable", ignore_index=True
    )
    return rows.reindex(columns=list(Signals.to_schema().columns))


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


def _labels(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Each cannula's label in the catalogue received last."""
    rows = con.execute("""
        SELECT c.id, arg_max(c.label, l.receipt_no) FROM delivered.cannula c
        JOIN delivered.latest l USING (delivery_no) GROUP BY c.id ORDER BY c.id
    """).fetchall()
    return {name: label or name for name, label in rows}


def _charts(
    found: Family, done: Worked, heights: Thresholds, watched: Sequence[Height]
) -> pd.DataFrame:
    """Every month of every chart watched, with all that its sum is made from."""
    import pandas as pd

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
    frame = pd.DataFrame(columns).replace([np.inf], np.nan)
    frame = frame.reindex(columns=list(SignalCharts.to_schema().columns))
    return frame.sort_values([*KEY, "month"], kind="stable", ignore_index=True)
