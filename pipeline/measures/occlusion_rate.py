"""Occlusion events per 100 ventilator high-flow hours, by month, cannula and share of flow range.

Numerator and denominator are taken from the same time: known ventilator time with known cannula
and known flow, of trips whose device log is complete. What is left out is counted.
"""

from __future__ import annotations

import numpy as np

from pipeline.measures.estimate_rows import with_interval
from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.units import Unit

PER_HOURS = 100
UNIT = Unit.RATE

_SHARE = """
    CASE WHEN x.flow_lpm < c.flow_min_lpm THEN 'below range'
         WHEN x.flow_lpm > c.flow_max_lpm THEN 'above range'
         WHEN c.flow_max_lpm IS NULL THEN 'not in the catalogue'
         WHEN x.flow_lpm - c.flow_min_lpm < 0.25 * (c.flow_max_lpm - c.flow_min_lpm) THEN '0-25 %'
         WHEN x.flow_lpm - c.flow_min_lpm < 0.50 * (c.flow_max_lpm - c.flow_min_lpm) THEN '25-50 %'
         WHEN x.flow_lpm - c.flow_min_lpm < 0.75 * (c.flow_max_lpm - c.flow_min_lpm) THEN '50-75 %'
         ELSE '75-100 %' END
"""


def ventilator_time() -> str:
    """Ventilator time by trip, cannula and share of the flow range, and its events.

    One row a trip, cannula and share: seconds, events, and whether the rates count them.
    """
    return f"""
    CREATE OR REPLACE TEMP TABLE ventilator_time AS
    WITH ventilator AS (
        SELECT w.trip_key, w.service_month, w.delivery_no,
               w.log_complete AND t.cannula IS NOT NULL AND t.flow_lpm IS NOT NULL AS counted,
               t.cannula, t.flow_lpm, t.until_s - t.from_s AS seconds, 0 AS events
        FROM judged.timeline t JOIN judged.trip_window w USING (trip_key)
        WHERE t.source = 'ventilator' AND w.service_month <= $month
        UNION ALL
        SELECT w.trip_key, w.service_month, w.delivery_no, TRUE, o.cannula, o.flow_lpm, 0, 1
        FROM judged.occlusion o JOIN judged.trip_window w USING (trip_key)
        WHERE o.not_counted_because IS NULL AND w.service_month <= $month
    )
    SELECT x.trip_key, x.service_month AS month, x.counted, x.cannula, {_SHARE} AS flow_share,
           sum(x.seconds) AS seconds, sum(x.events) AS events
    FROM ventilator x
    LEFT JOIN delivered.cannula c ON c.delivery_no = x.delivery_no AND c.id = x.cannula
    GROUP BY ALL
    """


# counts of each group, by month and of all months; what the sizes' levels expect of it, and the sum
# over trips and sizes of its squares, from which a group's own k follows; a trip belongs to one
# month, so that all months are the sum of each
_RATES = """
    WITH unit AS (
        SELECT month, trip_key, cannula, bool_or(counted) AS counted,
               coalesce(sum(events) FILTER (counted), 0) AS events,
               coalesce(sum(seconds) FILTER (counted), 0) AS seconds
        FROM ventilator_time GROUP BY ALL
    ),
    by_trip AS (
        SELECT 'service' AS group_by, 'all' AS group_value, * FROM unit
        UNION ALL
        SELECT 'cannula', cannula, * FROM unit WHERE cannula IS NOT NULL
        UNION ALL
        SELECT 'flow_share', flow_share, month, trip_key, cannula, counted,
               if(counted, events, 0), if(counted, seconds, 0)
        FROM ventilator_time
    ),
    trips AS (
        SELECT month, group_by, group_value, count(*) FILTER (counted) AS trips,
               count(*) FILTER (NOT counted) AS left_out
        FROM (SELECT month, group_by, group_value, trip_key, bool_or(counted) AS counted
              FROM by_trip GROUP BY ALL)
        GROUP BY ALL
    ),
    sizes AS (
        SELECT month, group_by, group_value, cannula, sum(events) AS events,
               sum(seconds) AS seconds, sum(seconds::HUGEINT * seconds) AS squares
        FROM by_trip GROUP BY ALL
    ),
    of_trips AS (
        SELECT month, group_by, group_value, sum(trips)::INTEGER AS trips,
               sum(left_out)::INTEGER AS left_out
        FROM (FROM trips UNION ALL SELECT * REPLACE ($to AS month) FROM trips) GROUP BY ALL
    ),
    of_sizes AS (
        SELECT month, group_by, group_value, cannula, sum(events) AS events,
               sum(seconds) AS seconds, sum(squares)::DOUBLE AS squares
        FROM (FROM sizes UNION ALL SELECT * REPLACE ($to AS month) FROM sizes) GROUP BY ALL
    ),
    of_groups AS (
        SELECT month, group_by, group_value, sum(events)::DOUBLE AS numerator,
               sum(seconds) / 3600.0 AS denominator,
               -- in order, so that the sums do not depend on the number of threads
               coalesce(sum(level * seconds ORDER BY cannula), 0) AS expected,
               coalesce(sum(level ** 2 * squares ORDER BY cannula), 0) AS expected_squared
        FROM of_sizes LEFT JOIN size_level USING (cannula) GROUP BY ALL
    )
    SELECT 'occlusion-rate' AS measure, *
    FROM of_groups JOIN of_trips USING (month, group_by, group_value)
    ORDER BY month, group_by, group_value
"""


def occlusion_rates(con: Connection, month: str) -> Frame:
    """Rates up to `month` with one k for the service, and the month's ratio to the months before.

    With fewer than ten trips a rate has an upper bound only. `left_out` counts trips with
    ventilator time none of which could be counted. The last row is the clustering itself.
    """

    con.execute(ventilator_time(), {"month": month})
    counts = _counts(con, month)
    parts = [_with_intervals(counts), _ratio(counts, month)]
    parts.append(Frame.read(con.execute(_CLUSTERING, {"to": f"to {month}"})))
    return stacked([part for part in parts if len(part)])


def rates_of(con: Connection, month: str) -> Frame:
    """The rates of what stands in `ventilator_time`, by month and of all months to `month`."""
    return _with_intervals(_counts(con, month))


def _counts(con: Connection, month: str) -> Frame:
    """Events and hours of each group, with k and what its k_eff is made from."""
    from pipeline.measures.clustering import cluster
    from pipeline.statistics.clustered_intervals import effective_k

    k = cluster(con).k
    counts = Frame.read(con.execute(_RATES, {"to": f"to {month}"}))
    k_eff = effective_k(k, counts["expected"], counts["expected_squared"])
    return counts.assign(k=k, k_eff=k_eff)


def _with_intervals(counts: Frame) -> Frame:
    from pipeline.statistics.clustered_intervals import rate_intervals

    found = rate_intervals(
        counts["numerator"], counts["denominator"], counts["k_eff"], counts["trips"], per=PER_HOURS
    )
    return with_interval(counts, found, UNIT)


def _ratio(counts: Frame, month: str) -> Frame:
    """The month's rate over that of all earlier months together; no row without both."""
    from pipeline.statistics.clustered_intervals import LEAST_TRIPS, effective_k, rate_ratio
    from schemas.outputs import Measures

    single = np.array([not name.startswith("to ") for name in counts["month"]], dtype=bool)
    service = counts.rows((counts["group_by"] == "service") & single)
    summed = ("numerator", "denominator", "expected", "expected_squared", "trips")
    own = service.rows(service["month"] == month)
    now, before = (
        {name: chosen[name].sum() for name in summed}
        for chosen in (own, service.rows(service["month"] < month))
    )
    if now["denominator"] <= 0 or before["denominator"] <= 0:
        return counts.rows(slice(0))
    k = float(counts["k"][0])
    k_now, k_before = (
        effective_k(k, side["expected"], side["expected_squared"]) for side in (now, before)
    )
    found = rate_ratio(
        now["numerator"], now["denominator"], k_now,
        before["numerator"], before["denominator"], k_before,
    )  # fmt: skip
    rows = own.assign(
        measure="occlusion-rate-ratio", unit=Unit.MONTHS_RATIO, estimate=found.ratio,
        low=np.nan if now["trips"] < LEAST_TRIPS else found.lower, high=found.upper,
        method=found.method, k_eff=np.nan,
    )  # fmt: skip
    return rows.only(Measures.to_schema().columns)


_CLUSTERING = """
    SELECT 'occlusion-clustering' AS measure, $to AS month, 'service' AS group_by,
           'all' AS group_value, events AS numerator, trips AS denominator, 'k' AS unit,
           k AS estimate, trips::INTEGER AS trips, 0::INTEGER AS left_out,
           CASE WHEN assumed THEN 'assumed: fewer than 10 events'
                ELSE 'Cox-Reid likelihood, penalised' END AS method
    FROM occlusion_k
"""
