"""What the sample's crews took from a cylinder, against what a cylinder holds.

Nothing in the program reckons with a cylinder's pressure, which no export carries; these values
bound the invented service instead. Handbook cylinder factors (found; litres for each psi): D 0.16,
E 0.28, M 1.56, H 3.14, 200 psi kept back, and their worked example of 576 minutes.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

SAMPLE = Path(__file__).parents[2] / "sample_data"

LITRES_PER_PSI = {"D": 0.16, "E": 0.28, "M": 1.56, "H": 3.14}
KEPT_BACK, FULL = 200, 2000

DRAWN = """
WITH charted AS (
    SELECT trip_id, TRY_CAST(at_s AS INTEGER) AS at_s, NULLIF(source, '') AS source,
        TRY_CAST(flow_lpm AS DOUBLE) AS flow_lpm
    FROM read_csv(?, all_varchar = true)
    WHERE TRY_CAST(at_s AS INTEGER) IS NOT NULL
),
ended AS (
    SELECT trip_id, MAX(TRY_CAST(handover_s AS INTEGER)) AS handover_s
    FROM read_csv(?, all_varchar = true)
    GROUP BY ALL
),
held AS (
    SELECT trip_id, at_s,
        LAST_VALUE(source IGNORE NULLS) OVER until_now AS source,
        LAST_VALUE(flow_lpm IGNORE NULLS) OVER until_now AS flow_lpm,
        LEAD(at_s, 1, handover_s) OVER (PARTITION BY trip_id ORDER BY at_s) AS until_s
    FROM charted JOIN ended USING (trip_id)
    WINDOW until_now AS (PARTITION BY trip_id ORDER BY at_s)
)
SELECT trip_id, SUM((until_s - at_s) / 60 * flow_lpm) AS litres
FROM held WHERE source = 'cylinder'
GROUP BY ALL
"""


def litres(size: str, psi: float = FULL) -> float:
    """What a cylinder of a size gives before its reserve is touched."""
    return (psi - KEPT_BACK) * LITRES_PER_PSI[size]


def test_the_worked_example_of_the_factors() -> None:
    assert litres("D") / 0.5 == pytest.approx(576)


def test_no_trip_of_the_sample_takes_more_from_a_cylinder_than_it_holds() -> None:
    files = [str(SAMPLE / "settings.csv"), str(SAMPLE / "trips.csv")]
    drawn = duckdb.execute(DRAWN, files).df()["litres"].dropna()

    assert len(drawn) > 20
    # a full M outlasts each of them, and an E does not: an hour at 20 L/min is between the two
    assert litres("E") < drawn.max() < litres("M")
