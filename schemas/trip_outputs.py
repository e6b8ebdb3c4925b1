"""Tables of the trips behind what pages draw: marks in order, minutes by place, flow and weight.

As in `schemas.outputs`: null means not known.
"""

from __future__ import annotations

from schemas import kinds as dt
from schemas import shape as pa

MARK_STATES = ["kept", "variance", "undecided"]
PLACES = ["bedside", "transit", "receiving", "unknown"]
WALL_TRIPS = ["all", "past"]


class TripMarks(pa.DataFrameModel):
    """One row a trip asked about, in the order of service, for each signal towards worse that
    stands and each rule shown one by one; the last 24 months.
    """

    measure: dt.String = pa.text("Id of the measure, or one-by-one")
    group_by: dt.String = pa.text("As in `signals`; rule of what is shown one by one")
    group_value: dt.String = pa.text("Which group")
    place: dt.Int32 = pa.value("1", "Order of the trip, from 1", nullable=False)
    trip_id: dt.String = pa.text("Token of the trip")
    trip_month: dt.String = pa.text("Its service month")
    state: dt.String = pa.code(
        MARK_STATES, "A variance, an occlusion or a log not complete; or none; or not decided"
    )


class ApartTrips(pa.DataFrameModel):
    """The trips judged of each rule and base that may be named, over the twelve months."""

    rule: dt.String = pa.text("Id of the rule")
    base: dt.String = pa.text("Token of the base")
    trip_id: dt.String = pa.text("Token of the trip")
    trip_month: dt.String = pa.text("Its service month")
    variance: dt.Boolean = pa.flag("Whether the rule was not kept")
    observed: dt.Float64 = pa.value("see unit", "What was measured at the least")
    limit: dt.Float64 = pa.value("see unit", "The protocol's limit for that trip")
    unit: dt.String = pa.text("Unit of both", nullable=True)


class WallPlaces(pa.DataFrameModel):
    """Where minutes on wall or cylinder oxygen went, over the twelve months."""

    base: dt.String = pa.text("Token of the base")
    trips_of: dt.String = pa.code(WALL_TRIPS, "All trips with any; or those past the limit")
    place: dt.String = pa.code(PLACES, "At the bedside, in transit, at the receiving hospital")
    trips: dt.Int32 = pa.count("Trips of that kind at the base, wherever their minutes went")
    minutes: dt.Float64 = pa.value("min", "Mean minutes of them at the place", nullable=False)
    limit: dt.Float64 = pa.value("min", "The latest protocol version's limit of such minutes")


class Transit(pa.DataFrameModel):
    """Actual minus planned transit of each base over the twelve months."""

    base: dt.String = pa.text("Token of the base")
    trips: dt.Int32 = pa.count("Trips with both times and a plan")
    p5: dt.Float64 = pa.value("min", "5 % of trips are below", nullable=False)
    p25: dt.Float64 = pa.value("min", "25 % of trips are below", nullable=False)
    median: dt.Float64 = pa.value("min", "Median", nullable=False)
    p75: dt.Float64 = pa.value("min", "75 % of trips are below", nullable=False)
    p95: dt.Float64 = pa.value("min", "95 % of trips are below", nullable=False)
    planned_within: dt.Int32 = pa.count("Planned within the limit beyond which one must blend")
    ran_past: dt.Int32 = pa.count("Of these, those that ran past it")
    wall_added: dt.Float64 = pa.value(
        "min", "Minutes on wall or cylinder past the planned arrival, of those that ran past"
    )


class CannulaUse(pa.DataFrameModel):
    """Flow and weight of each cannula over the twelve months: its longest on each trip."""

    cannula: dt.String = pa.text("Catalogue id")
    quantity: dt.String = pa.code(["flow", "weight"], "L/min, mean over the time; or kg")
    trips: dt.Int32 = pa.count("Trips with the cannula and the quantity known")
    outside: dt.Int32 = pa.count("Of these, outside the catalogue's range")
    low: dt.Float64 = pa.value("see quantity", "Catalogue's lowest; null where it gives none")
    high: dt.Float64 = pa.value("see quantity", "Catalogue's highest")
    p5: dt.Float64 = pa.value("see quantity", "5 % of trips are below", nullable=False)
    p25: dt.Float64 = pa.value("see quantity", "25 % of trips are below", nullable=False)
    median: dt.Float64 = pa.value("see quantity", "Median", nullable=False)
    p75: dt.Float64 = pa.value("see quantity", "75 % of trips are below", nullable=False)
    p95: dt.Float64 = pa.value("see quantity", "95 % of trips are below", nullable=False)


TRIP_OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "trip_marks": TripMarks,
    "apart_trips": ApartTrips,
    "wall_places": WallPlaces,
    "transit": Transit,
    "cannula_use": CannulaUse,
}
"""Tables of trips behind the figures by name; each is a data file of the month."""
