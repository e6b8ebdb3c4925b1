"""Occlusion rate by cannula size done properly: trips as clusters, flow and child allowed for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.clustering import service_k
from schemas.connection import Connection
from schemas.frame import Frame

if TYPE_CHECKING:
    from pipeline.statistics.rate_model import Estimate, GroupRate, RateModel

PER_HOURS = 100
WIDEST = 50
"""Bounds further apart than this factor say nothing; assumed."""
REFERENCE_TERMS = {
    "flow_share": "flow share",
    "flow_share_squared": "flow share squared",
    "unsettled": "unsettled share",
    "not_charted": "behaviour not charted",
    "log_weight": "weight",
}
"""The columns adjusted for, and what they are in words."""

# Ventilator time and its events by trip, cannula and flow; how much of the trip the child was
# seen crying, coughing or agitated; and the weight on a log scale.
_ROWS = """
    WITH ventilator AS (
        SELECT w.trip_key, w.delivery_no, t.cannula, t.flow_lpm,
               t.until_s - t.from_s AS seconds, 0 AS events
        FROM judged.timeline t JOIN judged.trip_window w USING (trip_key)
        WHERE t.source = 'ventilator' AND w.log_complete AND t.cannula IS NOT NULL
          AND t.flow_lpm IS NOT NULL AND w.service_month <= $month
        UNION ALL
        SELECT w.trip_key, w.delivery_no, o.cannula, o.flow_lpm, 0, 1
        FROM judged.occlusion o JOIN judged.trip_window w USING (trip_key)
        WHERE o.not_counted_because IS NULL AND w.service_month <= $month
    ),
    by_flow AS (
        SELECT trip_key, delivery_no, cannula, flow_lpm, sum(seconds) / 3600.0 AS hours,
               sum(events) AS events
        FROM ventilator GROUP BY ALL HAVING hours > 0
    ),
    unsettled AS (
        SELECT trip_key,
               avg((behaviour IN ('crying', 'coughing', 'agitated'))::INTEGER) AS share
        FROM delivered.observations
        SEMI JOIN by_flow USING (trip_key)
        WHERE behaviour IS NOT NULL GROUP BY trip_key
    )
    SELECT b.trip_key, b.cannula, b.hours, b.events,
           (b.flow_lpm - c.flow_min_lpm) / nullif(c.flow_max_lpm - c.flow_min_lpm, 0) AS flow_share,
           flow_share * flow_share AS flow_share_squared,
           coalesce(u.share, 0) AS unsettled, (u.share IS NULL)::INTEGER AS not_charted,
           ln(t.weight_kg) AS log_weight
    FROM by_flow b
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN delivered.cannula c ON c.delivery_no = b.delivery_no AND c.id = b.cannula
    LEFT JOIN unsettled u ON u.trip_key = b.trip_key
    ORDER BY b.trip_key, b.cannula, b.flow_lpm
"""


def size_rows(con: Connection, month: str) -> Frame:
    """Stretches of trips to `month` at one cannula and flow: hours, events, and the terms."""
    return Frame.read(con.execute(_ROWS, {"month": month}))


def sizes(con: Connection, month: str) -> Frame:
    """Crude and adjusted rates by size over all months to `month`; see `Sizes`.

    The reference is the size with the most hours. Rows whose flow share or weight is unknown are
    left out of the model, and counted in `method`; the crude rates keep them. Call after
    `occlusion_rates`, which leaves the service's k.
    """
    from pipeline.statistics.rate_model import rate_model
    from schemas.measure_outputs import Sizes

    columns = list(Sizes.to_schema().columns)
    rows = size_rows(con, month)
    if not len(rows):
        return Frame.of_rows([], columns)
    k = service_k(con)
    hours = rows.sums(["cannula"], ["hours"])
    reference = str(max(hours, key=lambda size: hours[size][0])[0])
    model = rate_model(
        rows["events"], rows["hours"], rows["cannula"].tolist(),
        reference=reference, trip=rows["trip_key"], k=k, per=PER_HOURS,
        names=list(REFERENCE_TERMS.values()),
        covariates=np.array([rows[name] for name in REFERENCE_TERMS], dtype=float).T,
    )  # fmt: skip
    crude = {row["cannula"]: row for row in _crude(rows, k).records()}
    method = _method(model)
    found = [_row(group, crude[group.label], reference, method) for group in model.groups]
    missing = [label for label in crude if label not in {g.label for g in model.groups}]
    found += [
        {**crude[label], "cannula": label, "reference": reference, "method": method,
         "reason": "No row with known flow share and weight."}
        for label in missing
    ]  # fmt: skip
    return Frame.of_rows(found, columns).sorted_by("cannula")


def _crude(rows: Frame, k: float) -> Frame:
    """Crude rate of each size from every counted row, a row a cannula."""
    from pipeline.statistics.clustered_intervals import effective_k, rate_intervals
    from pipeline.statistics.intervals import poisson_exact

    by_trip = rows.sums(["cannula", "trip_key"], ["events", "hours"])
    events, hours = np.array([*by_trip.values()]).T
    units = Frame({
        "cannula": [cannula for cannula, _ in by_trip], "events": events, "hours": hours,
        "squares": hours**2, "trips": np.ones_like(events), "trips_with_event": 1.0 * (events > 0),
    })  # fmt: skip
    summed = ("events", "hours", "squares", "trips", "trips_with_event")
    of_size = units.sums(["cannula"], summed)
    columns = np.array([*of_size.values()]).T
    sums = Frame({
        "cannula": [cannula for (cannula,) in of_size], **dict(zip(summed, columns, strict=True)),
    })  # fmt: skip
    k_eff = effective_k(k, sums["hours"], sums["squares"])
    found = rate_intervals(sums["events"], sums["hours"], k_eff, sums["trips"], per=PER_HOURS)
    naive = poisson_exact(sums["events"], sums["hours"], per=PER_HOURS)
    return sums.assign(
        crude=found.estimate, crude_low=found.lower, crude_high=found.upper,
        naive_low=naive.lower, naive_high=naive.upper, k_eff=k_eff,
        # variance of the count over that of independent events
        dispersion=np.where(sums["events"] > 0, 1 + sums["events"] / k_eff, np.nan),
    )  # fmt: skip


def _row(group: GroupRate, crude: dict[str, Any], reference: str, method: str) -> dict[str, Any]:
    return {
        **crude,
        "cannula": group.label,
        **_estimate("adjusted", group.adjusted_rate),
        **_estimate("ratio", group.crude_ratio),
        **_estimate("adjusted_ratio", group.adjusted_ratio),
        "reference": reference,
        "reason": group.reason or None,
        "method": method,
    }


def _estimate(name: str, found: Estimate) -> dict[str, float]:
    """Null throughout where the bounds lie so far apart that the estimate is no answer."""
    if found.upper > WIDEST * found.lower:
        return dict.fromkeys((name, f"{name}_low", f"{name}_high"), float("nan"))
    return {name: found.estimate, f"{name}_low": found.lower, f"{name}_high": found.upper}


def _method(model: RateModel) -> str:
    """The method in words, with what it adjusts for and what it leaves out."""
    used = [term for term, _ in model.terms] or [
        term for term in REFERENCE_TERMS.values() if term not in model.dropped
    ]
    method = f"{model.method}; adjusted for {', '.join(used)}"
    if model.dropped:
        method += f"; not told apart from the rest: {', '.join(model.dropped)}"
    if model.rows_left_out:
        method += (
            f"; {model.rows_left_out} rows with {model.events_left_out:g} events left out of the"
            " model for want of weight or range"
        )
    return method
