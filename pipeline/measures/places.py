"""Where wall-oxygen minutes went, transit against its plan, and what each cannula was used for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.rules import all_rules
from pipeline.store.database import temporary_table
from schemas.connection import Connection
from schemas.frame import Frame

if TYPE_CHECKING:
    from pipeline.store.protocol_versions import VersionInStore

_QUANTILES = """quantile_cont({0}, 0.05) AS p5, quantile_cont({0}, 0.25) AS p25,
           median({0}) AS median,
           quantile_cont({0}, 0.75) AS p75, quantile_cont({0}, 0.95) AS p95"""

# a stretch whose place is not charted is of no known place
_WALL = """
    CREATE OR REPLACE TEMP TABLE wall_stretch AS
    SELECT w.trip_key, t.base, l.from_s, l.until_s, t.departed_s, t.arrived_s
    FROM judged.timeline l
    JOIN judged.trip_window w USING (trip_key) JOIN delivered.trips t USING (trip_key)
    WHERE w.service_month BETWEEN $first AND $month AND l.source IN ('wall', 'cylinder')
"""

_PLACES = """
    WITH stretch AS (
        SELECT trip_key, base, until_s - from_s AS seconds,
               CASE WHEN departed_s IS NOT NULL
                    THEN greatest(0, least(until_s, departed_s) - from_s) END AS bedside,
               CASE WHEN departed_s IS NOT NULL AND arrived_s IS NOT NULL
                    THEN greatest(0, least(until_s, arrived_s) - greatest(from_s, departed_s)) END
                   AS transit,
               CASE WHEN arrived_s IS NOT NULL
                    THEN greatest(0, until_s - greatest(from_s, arrived_s)) END AS receiving
        FROM wall_stretch
    ),
    trip AS (
        SELECT trip_key, base, coalesce(sum(bedside), 0) AS bedside,
               coalesce(sum(transit), 0) AS transit, coalesce(sum(receiving), 0) AS receiving,
               sum(seconds) - coalesce(sum(bedside), 0) - coalesce(sum(transit), 0)
                   - coalesce(sum(receiving), 0) AS unknown
        FROM stretch GROUP BY ALL
    ),
    past AS (SELECT trip_key FROM judged.verdict WHERE verdict = 'deviation' AND rule = $rule),
    either AS (
        SELECT 'all' AS trips_of, * FROM trip
        UNION ALL SELECT 'past', * FROM trip SEMI JOIN past USING (trip_key)
    )
    SELECT base, trips_of, unnest(['bedside', 'transit', 'receiving', 'unknown']) AS place,
           count(*)::INTEGER AS trips,
           unnest([avg(bedside), avg(transit), avg(receiving), avg(unknown)]) / 60.0 AS minutes
    FROM either GROUP BY base, trips_of ORDER BY ALL
"""

_TRANSIT = f"""
    WITH moved AS (
        SELECT w.trip_key, t.base, t.planned_transit_min AS planned, t.departed_s,
               (t.arrived_s - t.departed_s) / 60.0 AS actual, l.transit_limit
        FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
        LEFT JOIN transit_limit l ON l.protocol_no = w.protocol_no
        WHERE w.service_month BETWEEN $first AND $month AND t.planned_transit_min IS NOT NULL
          AND t.arrived_s >= t.departed_s
    ),
    late AS (
        SELECT trip_key,
               sum(greatest(0, least(s.until_s, m.departed_s + 60 * m.actual)
                   - greatest(s.from_s, m.departed_s + 60 * m.planned))) / 60.0 AS wall
        FROM moved m JOIN wall_stretch s USING (trip_key)
        WHERE planned <= transit_limit AND actual > transit_limit GROUP BY trip_key
    )
    SELECT base, count(*)::INTEGER AS trips, {_QUANTILES.format("actual - planned")},
           count(*) FILTER (planned <= transit_limit)::INTEGER AS planned_within,
           count(*) FILTER (planned <= transit_limit AND actual > transit_limit)::INTEGER
               AS ran_past,
           sum(wall) AS wall_added
    FROM moved LEFT JOIN late USING (trip_key) GROUP BY base ORDER BY base
"""

_CANNULAS = f"""
    WITH spent AS (
        SELECT w.trip_key, l.cannula, sum(l.until_s - l.from_s) AS seconds,
               sum((l.until_s - l.from_s) * l.flow_lpm) / nullif(sum(l.until_s - l.from_s)
                   FILTER (l.flow_lpm IS NOT NULL), 0) AS flow
        FROM judged.timeline l JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month BETWEEN $first AND $month AND l.cannula IS NOT NULL
        GROUP BY ALL
    ),
    longest AS (
        SELECT s.*, t.weight_kg AS weight FROM spent s JOIN delivered.trips t USING (trip_key)
        QUALIFY row_number() OVER (PARTITION BY trip_key ORDER BY seconds DESC, cannula) = 1
    ),
    catalogue AS (
        SELECT c.* FROM delivered.cannula c JOIN delivered.latest l USING (delivery_no)
        QUALIFY row_number() OVER (PARTITION BY c.id ORDER BY l.receipt_no DESC) = 1
    ),
    value AS (
        SELECT u.cannula, u.quantity, u.value, u.low, u.high FROM (
            SELECT x.cannula, unnest(['flow', 'weight']) AS quantity,
                   unnest([x.flow, x.weight]) AS value,
                   unnest([c.flow_min_lpm, c.weight_min_kg]) AS low,
                   unnest([c.flow_max_lpm, c.weight_max_kg]) AS high
            FROM longest x LEFT JOIN catalogue c ON c.id = x.cannula) u
        WHERE u.value IS NOT NULL
    )
    SELECT cannula, quantity, count(*)::INTEGER AS trips,
           count(*) FILTER (value < low OR value > high)::INTEGER AS outside,
           any_value(low) AS low, any_value(high) AS high, {_QUANTILES.format("value")}
    FROM value GROUP BY cannula, quantity ORDER BY cannula, quantity
"""


def places(
    con: Connection, first: str, month: str, versions: Sequence[VersionInStore]
) -> dict[str, Frame]:
    """`WallPlaces`, `Transit` and `CannulaUse` from the month `first` on, by name."""
    span = {"first": first, "month": month}
    con.execute(_WALL, span)
    limits = [
        (stored.protocol_no, getattr(parameters, limit))
        for stored in versions
        for name, parameters in stored.rules.items()
        if (limit := all_rules()[name].transit_limit)
    ]
    temporary_table(con, "transit_limit", "protocol_no INTEGER, transit_limit DOUBLE", limits)
    of_wall = next((name for name, rule in all_rules().items() if rule.limits_wall_oxygen), "")
    walls = [stored.rules[of_wall] for stored in versions if of_wall in stored.rules]
    past = float(getattr(walls[-1], str(all_rules()[of_wall].limit))) if walls else float("nan")
    return {
        "wall_places": Frame.read(con.execute(_PLACES, {"rule": of_wall})).assign(limit=past),
        "transit": Frame.read(con.execute(_TRANSIT, span)),
        "cannula_use": Frame.read(con.execute(_CANNULAS, span)),
    }
