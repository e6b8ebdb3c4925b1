"""Measures through time: a control chart for every series, its signals, and its runs.

The first 24 months of a phase set the limits, or all but the month under review while there are
fewer; fewer than 12 make them provisional. A phase begins at a protocol version and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from pipeline.measures.registry import charted
from pipeline.statistics.charts import Chart
from pipeline.statistics.charts_attribute import p_chart, u_chart
from pipeline.statistics.charts_time import g_chart, trips_between, xmr_chart
from pipeline.statistics.run_rules import chart_runs, signals
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.record import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

BASELINE_MONTHS = 24
RARE = 0.05
LEAST_GAPS = 2
KEY = ("measure", "group_by", "group_value")
U_MEASURES, P_MEASURES, X_MEASURES = charted("u"), charted("p"), charted("XmR")
GAPS, RARE_FROM = "trips-between-deviations", "deviation-share"


@dataclass(frozen=True)
class Calendar:
    """The months charted, which are short of how many trips, and where a new phase begins.

    A month short of any trip gives no signal; one short of more than a tenth (`poor`) sets no
    limits either.
    """

    months: tuple[str, ...]
    incomplete: tuple[bool, ...]
    missing: tuple[int, ...]
    poor: tuple[bool, ...]
    changes: tuple[int, ...]

    @property
    def baseline(self) -> tuple[bool, ...]:
        """Which months set their phase's limits: never the month under review."""
        edges = [0, *self.changes, len(self.months)]
        chosen = [False] * len(self.months)
        for start, stop in pairwise(edges):
            whole = [i for i in range(start, stop) if not self.poor[i]]
            for i in whole[:BASELINE_MONTHS]:
                chosen[i] = i < len(self.months) - 1
        return tuple(chosen)


def charts(con: Connection, measures: Frame, calendar: Calendar) -> tuple[Frame, Frame]:
    """Chart points and runs tests of every series; see `Charts` and `Runs`."""

    from schemas.measure_outputs import Charts, Runs

    points: dict[str, list[Any]] = {column: [] for column in Charts.to_schema().columns}
    runs: list[dict[str, Any]] = []
    for key, rows, chart in [*_monthly(measures, calendar), *_gaps(con, measures, calendar)]:
        for column, values in _points(key, rows, chart).items():
            points[column] += values
        runs += _runs(key, chart)
    return (
        Frame(points).sorted_by(*KEY, "point"),
        Frame.of_rows(runs, Runs.to_schema().columns).sorted_by(*KEY),
    )


Columns = Mapping[str, "NDArray[Any]"]
"""month, numerator, denominator and incomplete of a series, an entry a point."""

Series = tuple[tuple[str, str, str], Columns, Chart]


def _monthly(measures: Frame, calendar: Calendar) -> Iterator[Series]:
    """Every series by month: months without a row have no denominator and no point."""
    known = (*U_MEASURES, *P_MEASURES, *X_MEASURES)
    chosen = measures.rows(
        measures.isin("measure", known)
        & measures.isin("month", calendar.months)
        & measures.isin("group_by", ["service", "cannula", "rule"])
    )
    places = {m: i for i, m in enumerate(calendar.months)}
    place = np.array([places[month] for month in chosen["month"]], dtype=np.intp)
    values = {n: chosen[n].astype(float) for n in ("numerator", "denominator", "estimate")}
    months, incomplete = np.array(calendar.months, dtype=object), np.array(calendar.incomplete)
    for key, own in chosen.groups(*KEY).items():
        measure, by, value = map(str, cast("tuple[str, ...]", key))
        series = {"month": months, "incomplete": incomplete}
        for name, column in values.items():
            series[name] = np.full(len(months), np.nan)
            series[name][place[own]] = column[own]
        yield (measure, by, value), series, _chart(measure, series, calendar)


def _chart(measure: str, series: Columns, calendar: Calendar) -> Chart:
    plan: dict[str, Any] = {
        "baseline": calendar.baseline,
        "changes": calendar.changes,
        "incomplete": np.array(calendar.poor),
    }
    if measure in U_MEASURES:
        return u_chart(series["numerator"], series["denominator"], per=100, laney=None, **plan)
    if measure in P_MEASURES:
        return p_chart(series["numerator"], series["denominator"], laney=None, **plan)
    return xmr_chart(series["estimate"], **plan)


def _gaps(con: Connection, measures: Frame, calendar: Calendar) -> Iterator[Series]:
    """Trips between deviations of the rules broken on fewer than 1 in 20 trips."""
    whole = measures.rows((measures["measure"] == RARE_FROM) & (measures["month"] == _to(calendar)))
    rare = whole.rows((whole["estimate"] < RARE) & (whole["numerator"] > LEAST_GAPS))
    if not len(rare):
        return
    bound = {"rules": sorted(rare["group_value"]), "month": calendar.months[-1]}
    found = Frame.read(con.execute(_IN_SERVICE_ORDER, bound))
    for (rule,), own in found.groups("rule").items():
        place = found["place"][own]
        deviated = np.zeros(place[-1], dtype=bool)
        deviated[place - 1] = True
        gaps, _ = trips_between(deviated)
        months = found["month"][own][1:]
        chart = g_chart(gaps, baseline=min(BASELINE_MONTHS, max(1, len(gaps) - 1)))
        series = {
            "month": months, "numerator": gaps, "denominator": np.ones(len(gaps)),
            "incomplete": np.zeros(len(gaps), dtype=bool),
        }  # fmt: skip
        yield (GAPS, "rule", str(rule)), series, chart


def _to(calendar: Calendar) -> str:
    return f"to {calendar.months[-1]}"


# without service_seq the file's order within a month is the best there is
_IN_SERVICE_ORDER = """
    WITH in_order AS (
        SELECT w.trip_key, w.service_month AS month, row_number() OVER (
                   ORDER BY w.service_month, t.service_seq NULLS LAST, w.trip_key) AS place
        FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
        WHERE w.service_month <= $month
    ),
    judged_trip AS (
        SELECT v.rule, o.month, v.verdict = 'deviation' AS deviated,
               row_number() OVER (PARTITION BY v.rule ORDER BY o.place) AS place
        FROM judged.verdict v JOIN in_order o USING (trip_key)
        WHERE list_contains($rules, v.rule)
          AND v.verdict IN ('met', 'authorised', 'borderline', 'deviation')
    )
    SELECT rule, month, place FROM judged_trip WHERE deviated ORDER BY rule, place
"""


def _points(key: tuple[str, str, str], rows: Columns, chart: Chart) -> Mapping[str, list[Any]]:
    """The columns of `Charts` for one series, an entry a point."""
    # long: one line a column
    n = len(chart.value)
    phrases: dict[int, list[str]] = {}
    for signal in signals(chart):
        phrases.setdefault(signal.index, []).append(signal.words)
    incomplete = rows["incomplete"].tolist()
    of_phase = [
        (number, phase) for number, phase in enumerate(chart.phases, 1)
        for _ in range(phase.start, phase.stop)
    ]  # fmt: skip
    baseline = {i for phase in chart.phases for i in phase.baseline}
    measure, by, value = key
    return {
        "measure": [measure] * n, "group_by": [by] * n, "group_value": [value] * n,
        "chart": [chart.kind] * n, "point": list(range(1, n + 1)), "month": rows["month"].tolist(),
        "numerator": rows["numerator"].tolist(), "denominator": rows["denominator"].tolist(),
        "value": chart.value.tolist(), "centre": chart.centre.tolist(),
        "lower": chart.lower.tolist(), "upper": chart.upper.tolist(),
        "sigma_z": [phase.sigma_z for _, phase in of_phase],
        "baseline": [i in baseline for i in range(n)],
        "phase": [number for number, _ in of_phase],
        "provisional": [phase.provisional for _, phase in of_phase],
        "reason": [phase.reason or None for _, phase in of_phase],
        "incomplete": incomplete,
        "signal": [
            "; ".join(phrases[i]) if i in phrases and not incomplete[i] else None for i in range(n)
        ],
    }  # fmt: skip


def _runs(key: tuple[str, str, str], chart: Chart) -> Sequence[dict[str, Any]]:
    tests = chart_runs(chart)
    if not tests:
        return []
    last = tests[-1]
    return [
        {
            "measure": key[0], "group_by": key[1], "group_value": key[2], "points": last.n,
            "longest_run": last.longest_run, "longest_run_limit": last.longest_run_limit,
            "crossings": last.crossings, "crossings_limit": last.crossings_limit,
            "signal": last.signal, "words": last.words,
        }
    ]  # fmt: skip
