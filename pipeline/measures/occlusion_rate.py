"""Occlusion events per 100 ventilator high-flow hours, by month, cannula and share of flow range.

Numerator and denominator are taken from the same time: known ventilator time with known cannula
and known flow, of trips whose device log is complete. What is left out is counted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.rows import with_interval

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

PER_HOURS = 100
UNIT = "events per 100 ventilator hours"

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


# counts of each group, by month and of all months, and how far its trips pull the rate (see
# `quasi_poisson`)
_RATES = """
    WITH by_trip AS (
        SELECT month, group_by, group_value, trip_key, bool_or(counted) AS counted,
               coalesce(sum(events) FILTER (counted), 0) AS events,
               coalesce(sum(seconds) FILTER (counted), 0) AS seconds
        FROM (SELECT month, trip_key, counted, events, seconds,
                     unnest(['service', 'cannula', 'flow_share']) AS group_by,
                     unnest(['all', cannula, flow_share]) AS group_value
              FROM ventilator_time)
        WHERE group_value IS NOT NULL
        GROUP BY ALL
    ),
    shown AS (FROM by_trip UNION ALL SELECT * REPLACE ($to AS month) FROM by_trip),
    totalled AS (
        SELECT *, sum(events) OVER own AS all_events, sum(seconds) OVER own AS all_seconds
        FROM shown WINDOW own AS (PARTITION BY month, group_by, group_value)
    ),
    pulled AS (
        SELECT *, CASE WHEN counted AND all_events > 0 AND seconds < all_seconds
                       THEN (events * all_seconds - all_events * seconds)
                            / ((all_seconds - seconds) * all_events)::DOUBLE END AS pull
        FROM totalled
    )
    SELECT 'occlusion-rate' AS measure, month, group_by, group_value,
           sum(events)::DOUBLE AS numerator, sum(seconds) / 3600.0 AS denominator,
           count(*) FILTER (counted)::INTEGER AS trips,
           count(*) FILTER (NOT counted)::INTEGER AS left_out,
           -- in order, so that the sums do not depend on the number of threads
           sum(pull ** 2 ORDER BY trip_key) AS squares, sum(pull ** 4 ORDER BY trip_key) AS fourths
    FROM pulled GROUP BY ALL
"""


def occlusion_rates(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Rates up to `month` with trips as clusters, and the month's ratio to the months before.

    Without an event, or with one trip only, the interval is the exact Poisson one. `left_out`
    counts trips with ventilator time none of which could be counted.
    """
    import pandas as pd

    rates = grouped_rates(con, month)
    return pd.concat([rates, _ratio(con, rates, month)], ignore_index=True)


def grouped_rates(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """The rates alone, by month and of all months to `month`; leaves `ventilator_time`."""
    con.execute(ventilator_time(), {"month": month})
    return rates_of(con, month)


def rates_of(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """The rates of what stands in `ventilator_time`, by month and of all months to `month`."""
    return _with_intervals(con.execute(_RATES, {"to": f"to {month}"}).df())


def _with_intervals(counts: pd.DataFrame) -> pd.DataFrame:
    """The counts as rows of the measures table, each with the interval that it allows."""
    import numpy as np

    from pipeline.statistics.clustered import quasi_poisson
    from pipeline.statistics.intervals import poisson_exact

    exact = poisson_exact(counts["numerator"], counts["denominator"], per=PER_HOURS)
    by_trip = quasi_poisson(
        counts["numerator"], counts["denominator"], counts["squares"], counts["fourths"],
        counts["trips"], per=PER_HOURS,
    )  # fmt: skip
    clustered = np.isfinite(by_trip.upper)
    return with_interval(counts, exact, UNIT).assign(
        low=np.where(clustered, by_trip.lower, exact.lower),
        high=np.where(clustered, by_trip.upper, exact.upper),
        method=np.where(clustered, by_trip.method, exact.method),
    )


def _ratio(con: duckdb.DuckDBPyConnection, rates: pd.DataFrame, month: str) -> pd.DataFrame:
    """The month's rate over that of all earlier months together; no row without both.

    Occlusions cluster within trips, so the interval takes the trip as the unit; where there are
    too few trips with one, it is the exact conditional interval instead, and says so.
    """
    from pipeline.statistics.intervals import rate_ratio_exact
    from pipeline.statistics.rate_model import rate_model

    service = rates[(rates["group_by"] == "service") & ~rates["month"].str.startswith("to ")]
    now, before = service[service["month"] == month], service[service["month"] < month]
    if now.empty or now["denominator"].sum() <= 0 or before["denominator"].sum() <= 0:
        return rates.iloc[:0]
    trips = con.execute(_BY_TRIP, {"month": month}).df()
    model = rate_model(
        trips["events"], trips["hours"], trips["period"].tolist(),
        reference="before", trip=trips["trip_key"],
    )  # fmt: skip
    found = next(group for group in model.groups if group.label == "now")
    low, high = found.crude_ratio.lower, found.crude_ratio.upper
    estimate, method = found.crude_ratio.estimate, model.method
    if found.too_few:
        exact = rate_ratio_exact(
            now["numerator"].sum(), now["denominator"].sum(),
            before["numerator"].sum(), before["denominator"].sum(),
        )  # fmt: skip
        estimate, low, high = map(float, (exact.ratio, exact.lower, exact.upper))
        method = exact.method
    return now.assign(
        measure="occlusion-rate-ratio",
        unit="ratio to the months before",
        estimate=estimate,
        low=low,
        high=high,
        method=method,
    )


_BY_TRIP = """
    SELECT trip_key, CASE WHEN month = $month THEN 'now' ELSE 'before' END AS period,
           sum(events)::DOUBLE AS events, sum(seconds) / 3600.0 AS hours
    FROM ventilator_time WHERE counted GROUP BY ALL HAVING hours > 0 ORDER BY trip_key
"""
