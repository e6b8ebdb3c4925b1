"""Each month's W and the thresholds in force: worked out once, kept, and taken from there.

A month is worked out again only where its own counts changed; a threshold is set again only at a
change of the protocol or of the service's volume.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.clustering import trips_alike
from pipeline.measures.signal_counts import Family
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.record import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.statistics.service_dispersion import ServiceDispersion

SEED = 20_26
KEY = ("measure", "group_by", "group_value")
KEPT = ("seen", "denominator", "squares", "level", "expected", "k_eff", "increment", "better")


@dataclass(frozen=True)
class Worked:
    """What each chart made of each month, (months, charts); W is 0 where a chart is not watched.

    ``known_to`` is the last month that had been worked out before, "" if none.
    """

    level: NDArray[np.float64]
    expected: NDArray[np.float64]
    k_eff: NDArray[np.float64]
    increments: NDArray[np.float64]
    better: NDArray[np.float64]
    known_to: str


@dataclass(frozen=True)
class Thresholds:
    """Heights in force and what a headline notices, (months, charts); NaN where none is set."""

    headline: NDArray[np.float64]
    watch: NDArray[np.float64]
    noticed: NDArray[np.float64]


CLUSTERING = "clustering before each month"
"""The name it is kept under: a mark of the trips it is from, and what it is, by month."""


class Clustering:
    """The service's dispersion before each month, estimated when first asked for.

    Or as it is kept, where the months before are the same.
    """

    def __init__(self, con: Connection) -> None:
        from pipeline.store.kept_results import found_kept

        self._kept: dict[str, tuple[str, ServiceDispersion]] = {}
        for found in found_kept(con, CLUSTERING, ""):
            self._kept = found
        rows = Frame.read(con.execute(trips_alike("month, cannula")))
        self._months = rows["month"].astype(str)
        self._rows = [rows[name] for name in ("events", "hours", "cannula", "alike")]
        self._known: dict[str, tuple[str, ServiceDispersion]] = {}

    def before(self, month: str) -> ServiceDispersion:
        """From the months before `month`."""
        from pipeline.statistics.service_dispersion import service_dispersion

        if month not in self._known:
            until = int(np.searchsorted(self._months, month))
            rows = [column[:until] for column in self._rows]
            mark, kept = _mark(rows), self._kept.get(month)
            if kept is None or kept[0] != mark:
                kept = mark, service_dispersion(*rows)
            self._known[month] = kept
        return self._known[month][1]

    def k(self, month: str) -> float:
        """k before `month`."""
        return self.before(month).k

    def keep(self, con: Connection) -> None:
        """Keep what was asked for; call outside a transaction."""
        from pipeline.store.kept_results import keep

        if any(self._kept.get(month) is not known for month, known in self._known.items()):
            keep(con, CLUSTERING, "", self._known)


def _mark(columns: Sequence[np.ndarray]) -> str:
    """A hash of columns of numbers and of words."""
    found = hashlib.sha256()
    for column in columns:
        words = "\n".join(map(str, column)).encode() if column.dtype == object else b""
        found.update(words or column.tobytes())
    return found.hexdigest()


def worked(con: Connection, found: Family, clustering: Clustering) -> Worked:
    """Every month's level and W: as kept where the month's counts are the same, else new."""
    from pipeline.store.followup_tables import has_table

    now = dict(zip(KEPT[:3], (found.seen, found.denominator, found.squares), strict=True))
    frame = Frame.read(con.execute(_KEPT)) if has_table(con, "signal_month") else None
    before, known_to = _kept(frame, found)
    some = now["denominator"] > 0
    same = some & np.all([before[name] == now[name] for name in KEPT[:3]], axis=0)
    fresh = (some & ~same).any(axis=1)
    values = {**now, **{name: np.where(same, before[name], 0.0) for name in KEPT[3:]}}
    if fresh.any():
        k = np.array([clustering.k(month) if new else 1.0
                      for month, new in zip(found.months, fresh, strict=True)])  # fmt: skip
        for name, made in _reckoned(found, k).items():
            values[name] = np.where(same, before[name], made)
        _keep(con, found, values, some & ~same)
    watched = found.groups != ""
    level, expected, k_eff = (
        np.where(some, values[name], np.nan) for name in ("level", "expected", "k_eff")
    )
    return Worked(
        level, expected, k_eff,
        np.where(watched, values["increment"], 0.0), np.where(watched, values["better"], 0.0),
        known_to,
    )  # fmt: skip


def _reckoned(found: Family, k: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    from pipeline.statistics.signal_family import rate_charts, share_charts

    rates, shares = rate_charts(found.rates, k), share_charts(found.shares)
    better = (
        rate_charts(found.rates, k, better=True).increments,
        share_charts(found.shares, better=True).increments,
    )

    def side_by_side(name: str) -> NDArray[np.float64]:
        return np.column_stack([getattr(rates, name), getattr(shares, name)])

    made = {name: side_by_side(name) for name in ("level", "expected", "k_eff")}
    return {**made, "increment": side_by_side("increments"), "better": np.column_stack(better)}


_KEPT = """
    SELECT * FROM loop.signal_month
    QUALIFY worked_no = max(worked_no) OVER (PARTITION BY month, measure, group_by, group_value)
"""


def _kept(frame: Frame | None, found: Family) -> tuple[dict[str, NDArray[np.float64]], str]:
    """What is kept, as arrays with NaN where nothing is; and the last month that is."""
    shape = (len(found.months), len(found.keys))
    arrays = {name: np.full(shape, np.nan) for name in KEPT}
    if frame is None or not len(frame):
        return arrays, ""
    months = {m: i for i, m in enumerate(found.months)}
    charts = {key: i for i, key in enumerate(found.keys)}
    row = np.array([months.get(month, -1) for month in frame["month"]])
    column = np.array([charts.get(key, -1) for key in frame.keys(*KEY)])
    own = (row >= 0) & (column >= 0)
    for name, array in arrays.items():
        array[row[own], column[own]] = frame[name][own]
    # a share's k_eff is infinite, which is kept as null
    arrays["k_eff"] = np.where(np.isnan(arrays["k_eff"]), np.inf, arrays["k_eff"])
    return arrays, str(max(frame["month"]))


def _keep(
    con: Connection, found: Family, values: dict[str, NDArray[np.float64]], which: NDArray[np.bool_]
) -> None:
    """Add the months and charts marked by `which` to the store."""

    from pipeline.store.followup_tables import next_number

    at = np.nonzero(which)
    columns = {
        "month": np.array(found.months)[at[0]],
        **_key_columns(found, at[1]),
        **{name: np.where(np.isinf(values[name][at]), np.nan, values[name][at]) for name in KEPT},
    }
    add_rows(
        con, "signal_month", Frame(columns), lambda: next_number(con, "signal_month", "worked_no")
    )


def _key_columns(found: Family, charts: Any) -> dict[str, Any]:
    keys = np.array(found.keys, dtype=object).reshape(-1, 3)
    return {name: keys[charts, i] for i, name in enumerate(KEY)}


def add_rows(
    con: Connection, table: str, frame: Frame, number: Callable[[], int] | None = None
) -> None:
    """Add a frame to a table, numbered from `number()` on; not to a read-only store."""
    from pipeline.store.followup_tables import ensure_followup_tables, has_table
    from pipeline.store.kept_results import writable

    if not len(frame) or not writable(con):
        return
    if not has_table(con, table):
        ensure_followup_tables(con)
    first = ""
    if number is not None:
        first = f"row_number() OVER () + {number() - 1}, "
    rows = frame.for_database()  # noqa: F841 - the database finds it by its name
    con.execute(f"INSERT INTO loop.{table} SELECT {first}* FROM rows")


def thresholds(con: Connection, found: Family, done: Worked, clustering: Clustering) -> Thresholds:
    """The heights of every month: as kept, and set anew where a later month asks for it."""
    from pipeline.statistics.signal_family import QUIET_MONTHS
    from pipeline.statistics.signal_thresholds import twelve_month_volume, volume_stays

    shape = (len(found.months), len(found.keys))
    filled = Thresholds(*(np.full(shape, np.nan) for _ in range(3)))
    kept = _kept_thresholds(con)
    now: dict[str, tuple[float, float, float]] = {}
    noticed = np.full(shape[1], np.nan)
    for m, month in enumerate(found.months):
        if month in kept:
            heights, power = kept[month]
        elif month > done.known_to and m >= QUIET_MONTHS:
            volume = twelve_month_volume(found.trips[:m])
            changed = {"rules", "bases"} if _protocol_changed(found, m) else set()
            due = {
                group for group in set(found.groups[m]) - {""}
                if group not in now or group in changed or not volume_stays(volume, now[group][2])
            }  # fmt: skip
            heights, power = _set(con, found, m, due, clustering) if due else ({}, {})
        else:
            heights, power = {}, {}
        now |= heights
        for i, key in enumerate(found.keys):
            noticed[i] = power.get(key, noticed[i])
            if (group := str(found.groups[m, i])) in now:
                filled.headline[m, i], filled.watch[m, i], _ = now[group]
                filled.noticed[m, i] = noticed[i]
    return filled


def _protocol_changed(found: Family, m: int) -> bool:
    from pipeline.statistics.signal_futures import NO_PARENT

    return bool(found.shares.restart[m, found.shares.parent == NO_PARENT].any())


Heights = dict[str, tuple[float, float, float]]
Power = dict[tuple[str, str, str], float]


def _kept_thresholds(con: Connection) -> dict[str, tuple[Heights, Power]]:
    """By month: the heights and volume of each group set then, and what its charts notice."""
    from pipeline.store.followup_tables import has_table

    found: dict[str, tuple[Heights, Power]] = {}
    if not has_table(con, "signal_threshold"):
        return found
    rows = con.execute("SELECT * FROM loop.signal_threshold").fetchall()
    for month, charts, headline, watch, volume in rows:
        found.setdefault(month, ({}, {}))[0][charts] = (headline, watch, volume)
    for month, *key, noticed in con.execute("SELECT * FROM loop.signal_power").fetchall():
        measure, by, value = key
        found.setdefault(month, ({}, {}))[1][measure, by, value] = noticed
    return found


def _set(
    con: Connection, found: Family, m: int, due: set[str], clustering: Clustering
) -> tuple[Heights, Power]:
    """Thresholds of the groups `due` from month `m` on, from the months before it; kept."""
    from pipeline.statistics.signal_futures import RateMonths, ShareMonths, draw_futures
    from pipeline.statistics.signal_thresholds import (
        WATCH_TIMES,
        by_chart,
        heights,
        noticed_in_100,
        twelve_month_volume,
    )

    month, first = found.months[m], 1 + len(found.sizes)
    r, s = found.rates, found.shares
    rates = RateMonths(r.events[:m], r.hours[:m], r.hours_squared[:m])
    shares = ShareMonths(s.deviations[:m], s.judged[:m], s.parent, s.restart[:m])
    with_rates, with_shares = bool(due & {"service", "sizes"}), bool(due - {"service", "sizes"})
    part = slice(0 if with_rates else first, None if with_shares else first)
    futures = draw_futures(
        rates if with_rates else None, shares if with_shares else None,
        clustering.before(month), seed=SEED + m,
    )  # fmt: skip
    groups = [group if group in due else "" for group in map(str, found.groups[m, part])]
    headline = heights(futures.unchanged, groups)
    watch = heights(futures.unchanged, groups, times=WATCH_TIMES)
    volume = twelve_month_volume(found.trips[:m])
    set_now = {g: (h, watch[g], volume) for g, h in headline.items()}
    noticed = noticed_in_100(futures.changed, by_chart(headline, groups))
    power = {key: float(n) for key, n in zip(found.keys[part], noticed, strict=True)
             if np.isfinite(n)}  # fmt: skip
    _keep_set(con, month, set_now, power)
    return set_now, power


def _keep_set(con: Connection, month: str, heights: Heights, power: Power) -> None:
    """Add what was set in a month to the store."""
    in_order = [(group, *values) for group, values in sorted(heights.items())]
    charts = [(*key, noticed) for key, noticed in sorted(power.items())]
    for table, names, rows in (
        ("signal_threshold", ("charts", "headline", "watch", "volume"), in_order),
        ("signal_power", (*KEY, "noticed"), charts),
    ):
        columns = {name: [row[i] for row in rows] for i, name in enumerate(names)}
        add_rows(con, table, Frame({"month": month, **columns}))
