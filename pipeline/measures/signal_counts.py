"""The months of every chart of the family, as arrays: counts from the store, nothing reckoned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.clustering import SIZED_TRIPS
from pipeline.statistics.signal_futures import NO_PARENT, RateMonths, ShareMonths
from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.record import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.store.protocol_versions import VersionInStore

RATE, SHARE, RECORD = "occlusion-rate", "deviation-share", "incomplete-log-share"
AT_BASE = "rule at base"
OFTEN = 10
"""A medium rule is watched from so many judged trips a month on."""

LAST_MONTHS = 12


def one_by_one_rules() -> tuple[str, ...]:
    """Rules of which each deviation is shown by itself; they are not in the family."""
    from pipeline.rules import all_rules

    return tuple(sorted(name for name, rule in all_rules().items() if rule.one_by_one))


Key = tuple[str, str, str]
"""Measure, group_by and group_value of a chart."""


@dataclass(frozen=True)
class Family:
    """Every chart's counts: columns are the service's rate, the sizes', then those of ``shares``.

    ``groups`` (months, charts) names the group whose threshold holds, "" where a chart is not
    watched in that month. ``trips`` (months,) counts the trips judged, ``missing`` (months,) those
    expected and not received. ``squares`` (months, charts) is 0 for shares.
    """

    months: tuple[str, ...]
    sizes: tuple[str, ...]
    keys: tuple[Key, ...]
    rates: RateMonths
    shares: ShareMonths
    groups: NDArray[np.str_]
    trips: NDArray[np.float64]
    missing: NDArray[np.int64]

    @property
    def seen(self) -> NDArray[np.float64]:
        """Events and deviations, (months, charts)."""
        x = self.rates.events
        return np.column_stack([x.sum(axis=1), x, self.shares.deviations])

    @property
    def denominator(self) -> NDArray[np.float64]:
        """Hours and trips judged, (months, charts)."""
        t = self.rates.hours
        return np.column_stack([t.sum(axis=1), t, self.shares.judged])

    @property
    def restart(self) -> NDArray[np.bool_]:
        """Months in which a chart begins anew, (months, charts)."""
        never = np.zeros((len(self.months), 1 + len(self.sizes)), dtype=bool)
        return np.column_stack([never, self.shares.restart])

    @property
    def squares(self) -> NDArray[np.float64]:
        """Sums of squared hours, (months, charts)."""
        q = self.rates.hours_squared
        return np.column_stack([q.sum(axis=1), q, np.zeros_like(self.shares.judged)])


_RATES = f"""
    SELECT month, cannula AS chart, sum(events)::DOUBLE AS seen, sum(seconds) / 3600.0 AS hours,
           sum(seconds::HUGEINT * seconds)::DOUBLE / 12960000.0 AS squares
    FROM {SIZED_TRIPS} GROUP BY ALL HAVING sum(seconds) > 0 ORDER BY ALL
"""

_SHARES = """
    SELECT month, rule, base, sum(deviation)::DOUBLE AS seen, sum(judged)::DOUBLE AS judged
    FROM verdict_counts WHERE judged > 0 GROUP BY ALL ORDER BY ALL
"""

_RECORDS = """
    SELECT w.service_month AS month, t.base, count(*) FILTER (NOT w.log_complete)::DOUBLE AS seen,
           count(*)::DOUBLE AS judged
    FROM (SELECT DISTINCT trip_key FROM ventilator_time) v
    JOIN judged.trip_window w USING (trip_key) JOIN delivered.trips t USING (trip_key)
    GROUP BY ALL ORDER BY ALL
"""

_TRIPS = """
    SELECT service_month AS month, count(*)::DOUBLE AS trips FROM judged.trip_window
    WHERE service_month <= $month GROUP BY ALL
"""


def family(
    con: Connection,
    months: Sequence[str],
    missing: Sequence[int],
    versions: Sequence[VersionInStore],
) -> Family:
    """The family's counts over `months`, without gaps; call after the rates and rule shares."""
    place = {month: i for i, month in enumerate(months)}
    rates = Frame.read(con.execute(_RATES))
    sizes = tuple(sorted(set(rates["chart"])))
    of_size = {size: i for i, size in enumerate(sizes)}
    at = (_places(rates["month"], place), _places(rates["chart"], of_size))
    shape = (len(months), len(sizes))
    of_rates = RateMonths(
        *(_pivot(rates[name], at, shape) for name in ("seen", "hours", "squares"))
    )
    severity = _severities(months, versions)
    counts = Frame.read(con.execute(_SHARES))
    records = Frame.read(con.execute(_RECORDS)).assign(rule=RECORD)
    keys, groups, shares = _shares(con, counts, records, place, severity)
    trips = dict(con.execute(_TRIPS, {"month": months[-1]}).fetchall())
    rate_keys = [(RATE, "service", "all"), *((RATE, "cannula", size) for size in sizes)]
    of_rate = np.array([["service", *["sizes"] * len(sizes)]] * len(months))
    return Family(
        months=tuple(months), sizes=sizes, keys=(*rate_keys, *keys), rates=of_rates, shares=shares,
        groups=np.column_stack([of_rate, groups]), missing=np.array(missing, dtype=np.int64),
        trips=np.array([trips.get(month, 0.0) for month in months], dtype=np.float64),
    )  # fmt: skip


def _places(values: Iterable[str], known: dict[str, int]) -> NDArray[np.int64]:
    """The place of each value; -1 for one without."""
    return np.array([known.get(value, -1) for value in values], dtype=np.int64)


def _pivot(
    values: NDArray[np.float64], at: tuple[NDArray[np.int64], ...], shape: tuple[int, ...]
) -> NDArray[np.float64]:
    table = np.zeros(shape)
    np.add.at(table, at, values)
    return table


def _severities(
    months: Sequence[str], versions: Sequence[VersionInStore]
) -> dict[str, list[tuple[str, Any]]]:
    """Of every rule: severity and parameters in each month; ("", None) where it is not in force."""
    nothing: tuple[str, Any] = ("", None)
    asked = [
        {rule: (p.severity, p.model_dump(exclude={"severity", "text", "source"}))
         for rule, p in version.rules.items()}
        for version in versions
    ]  # fmt: skip
    since = [version.version.from_month for version in versions]
    in_force = [sum(first <= month for first in since) - 1 for month in months]
    return {
        rule: [asked[at].get(rule, nothing) if at >= 0 else nothing for at in in_force]
        for rule in sorted({rule for one in asked for rule in one})
    }


def _shares(
    con: Connection,
    counts: Frame,
    records: Frame,
    place: dict[str, int],
    severity: dict[str, list[tuple[str, Any]]],
) -> tuple[list[Key], NDArray[np.str_], ShareMonths]:
    """Columns: each rule and the record over the service, then high rules and records by base."""

    ranks = {rule: {s for s, _ in by_month} for rule, by_month in severity.items()}
    rules = [r for r in sorted(set(counts["rule"]) & ranks.keys() - {*one_by_one_rules()})
             if ranks[r] & {"high", "medium"}]  # fmt: skip
    every = stacked([counts.rows(counts.isin("rule", rules)), records])
    tops = [*rules, RECORD]
    by_base = [
        (rule, base) for rule in tops if rule == RECORD or "high" in ranks[rule]
        for base in sorted(set(every["base"][every["rule"] == rule]))
    ]  # fmt: skip
    names = [*tops, *(f"{rule} at {base}" for rule, base in by_base)]
    of_name = {name: i for i, name in enumerate(names)}
    shape = (len(place), len(names))
    seen, judged = np.zeros(shape), np.zeros(shape)
    when = _places(every["month"], place)
    for name in (every["rule"], every["rule"] + " at " + every["base"]):
        at = _places(name, of_name)
        own = at >= 0
        where = (when[own], at[own])
        seen += _pivot(every["seen"][own], where, shape)
        judged += _pivot(every["judged"][own], where, shape)
    parent = np.array([NO_PARENT] * len(tops) + [tops.index(rule) for rule, _ in by_base])
    restart = _restarts(con, place, severity, of_name)
    keys = [(SHARE, "rule", r) if r != RECORD else (RECORD, "service", "all") for r in tops]
    keys += [
        (SHARE, AT_BASE, f"{r} at {b}") if r != RECORD else (RECORD, "base", b) for r, b in by_base
    ]
    groups = _groups(tops, by_base, severity, judged)
    return keys, groups, ShareMonths(seen, judged, parent, restart)


def _groups(
    tops: list[str],
    by_base: list[tuple[str, str]],
    severity: dict[str, list[tuple[str, Any]]],
    judged: NDArray[np.float64],
) -> NDArray[np.str_]:
    """Whose threshold holds in each month and column; "" where a column is not watched."""
    groups = np.full(judged.shape, "", dtype="<U8")
    for i, rule in enumerate(tops):
        if rule == RECORD:
            continue
        rank = np.array([s for s, _ in severity[rule]])
        before = np.array([judged[max(0, m - LAST_MONTHS) : m, i].mean() if m else 0.0
                           for m in range(len(judged))])  # fmt: skip
        groups[(rank == "high") | ((rank == "medium") & (before >= OFTEN)), i] = "rules"
    for i, (rule, _) in enumerate(by_base, len(tops)):
        if rule == RECORD:
            groups[:, i] = "records"
        else:
            groups[np.array([s for s, _ in severity[rule]]) == "high", i] = "bases"
    return groups


def _restarts(
    con: Connection,
    place: dict[str, int],
    severity: dict[str, list[tuple[str, Any]]],
    of_name: dict[str, int],
) -> NDArray[np.bool_]:
    """Months in which a rule's parameters changed, or that follow a retraining of it at a base."""
    from pipeline.store.retrainings import held_retraining

    restart = np.zeros((len(place), len(of_name)), dtype=bool)
    for name, i in of_name.items():
        asked = [parameters for _, parameters in severity.get(name.partition(" at ")[0], [])]
        for m in range(1, len(asked)):
            restart[m, i] = asked[m - 1] is not None and asked[m - 1] != asked[m]
    held = con.execute(f"SELECT month, base, rule FROM ({held_retraining(con)})").fetchall()
    for month, base, rule in held:
        own, after = of_name.get(f"{rule} at {base}"), place.get(month, len(place)) + 1
        if base is not None and own is not None and after < len(place):
            restart[after, own] = True
    return restart


_POOL = """
    SELECT trip_key, row_number() OVER (ORDER BY service_month, trip_key) - 1 AS place
    FROM judged.trip_window WHERE service_month BETWEEN $first AND $month
"""

_POOL_HOURS = f"""
    SELECT place, chart, sum(seconds) / 3600.0 AS hours
    FROM ventilator_time JOIN ({_POOL}) USING (trip_key)
    JOIN (SELECT unnest($sizes::VARCHAR[]) AS cannula, unnest($places::INTEGER[]) AS chart)
        USING (cannula)
    WHERE counted GROUP BY ALL HAVING sum(seconds) > 0
"""

_POOL_JUDGED = f"""
    WITH judged AS (
        SELECT trip_key, rule FROM judged.verdict
        WHERE verdict IN ('met', 'authorised', 'borderline', 'deviation')
        UNION ALL SELECT DISTINCT trip_key, '{RECORD}' FROM ventilator_time
    )
    SELECT place, chart
    FROM judged j JOIN ({_POOL}) USING (trip_key) JOIN delivered.trips t USING (trip_key)
    JOIN (SELECT unnest($rules::VARCHAR[]) AS rule, unnest($bases::VARCHAR[]) AS base,
                 unnest($places::INTEGER[]) AS chart) c
        ON c.rule = j.rule AND (c.base IS NULL OR c.base = t.base)
"""


def own_trips(
    con: Connection, found: Family, first: str, month: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """The service's own trips of `first` to `month`: hours at each size, and what judged them.

    (trips, sizes) and (trips, columns of shares), month by month, rows of zeros included.
    """
    from pipeline.store.database import one

    span = {"first": first, "month": month}
    asked = "SELECT count(*) FROM judged.trip_window WHERE service_month BETWEEN ? AND ?"
    trips = int(one(con, asked, [first, month])[0])
    sizes, columns = found.sizes, [_column(key) for key in found.keys[1 + len(found.sizes) :]]
    hours, judged = np.zeros((trips, len(sizes))), np.zeros((trips, len(columns)), dtype=bool)
    of_sizes = {"sizes": list(sizes), "places": list(range(len(sizes)))}
    rows = con.execute(_POOL_HOURS, span | of_sizes).fetchnumpy()
    hours[rows["place"], rows["chart"]] = rows["hours"]
    of_rules = {
        "rules": [rule for rule, _ in columns], "bases": [base for _, base in columns],
        "places": list(range(len(columns))),
    }  # fmt: skip
    rows = con.execute(_POOL_JUDGED, span | of_rules).fetchnumpy()
    judged[rows["place"], rows["chart"]] = True
    return hours, judged


def _column(key: Key) -> tuple[str, str | None]:
    """The rule or record that a column of shares is of, and its base; None for all bases."""
    measure, by, value = key
    if measure == RECORD:
        return RECORD, None if by == "service" else value
    rule, _, base = value.partition(" at ")
    return rule, base or None
