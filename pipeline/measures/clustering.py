"""How a service's occlusions cluster within trips: one k for every interval, to the month."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.connection import Connection
from schemas.frame import Frame

if TYPE_CHECKING:
    from pipeline.statistics.service_dispersion import ServiceDispersion

SIZED_TRIPS = """(
        SELECT month, trip_key, cannula, sum(events) AS events, sum(seconds) AS seconds
        FROM ventilator_time WHERE counted GROUP BY ALL
    )"""
"""SQL of each trip's events and seconds at each size, as far as the rates count them."""

# squares of whole seconds are added exactly, whatever the number of threads
_SIZES = f"""
    SELECT cannula, sum(events)::DOUBLE AS events, sum(seconds) / 3600.0 AS hours,
           sum(seconds::HUGEINT * seconds)::DOUBLE / 12960000.0 AS hours_squared
    FROM {SIZED_TRIPS} GROUP BY cannula HAVING sum(seconds) > 0 ORDER BY cannula
"""


def trips_alike(by: str) -> str:
    """SQL of trips at a size, those alike in hours and events, and in `by`, counted once."""
    return f"""
    SELECT {by}, events::DOUBLE AS events, seconds / 3600.0 AS hours, count(*)::DOUBLE AS alike
    FROM {SIZED_TRIPS} WHERE seconds > 0 GROUP BY ALL ORDER BY ALL
    """


def cluster(con: Connection) -> ServiceDispersion:
    """The service's dispersion from `ventilator_time`; leaves `occlusion_k` and `size_level`.

    `occlusion_k` has one row: k, events and trips it was estimated from, and whether it is mostly
    assumed. `size_level` has each cannula's rate per hour, drawn towards the service's where the
    size has few hours, so that a size without an event has a level, too.
    """
    from pipeline.statistics.service_dispersion import service_dispersion

    rows = Frame.read(con.execute(trips_alike("cannula")))
    found = service_dispersion(rows["events"], rows["hours"], rows["cannula"], rows["alike"])
    con.execute(
        "CREATE OR REPLACE TEMP TABLE occlusion_k AS SELECT $k AS k, $events AS events,"
        " $trips AS trips, $assumed AS assumed",
        {"k": found.k, "events": found.events, "trips": found.trips, "assumed": found.assumed},
    )
    level = _levels(Frame.read(con.execute(_SIZES)), found.k)
    con.register("level_frame", level.for_database())
    con.execute("""
        CREATE OR REPLACE TEMP TABLE size_level AS
        SELECT cannula::VARCHAR AS cannula, level::DOUBLE AS level FROM level_frame
    """)
    con.unregister("level_frame")
    return found


def service_k(con: Connection) -> float:
    """The k that :func:`cluster` left."""
    from pipeline.store.database import one

    return float(one(con, "SELECT k FROM occlusion_k")[0])


def _levels(sizes: Frame, k: float) -> Frame:
    """Each size's rate per hour after all months of the frame."""
    import numpy as np

    from pipeline.statistics.running_levels import Sums, service_rate, size_rate

    none = np.zeros((1, len(sizes)))
    service = service_rate(
        np.zeros(1), np.zeros(1), Sums(sizes["events"].sum(), sizes["hours"].sum())
    )
    own = Sums(*(sizes[name] for name in ("events", "hours", "hours_squared")))
    level = size_rate(none, none, none, service[:, None], k=k, start=own)[0]
    return sizes.assign(level=level).only(["cannula", "level"])
