"""Which numerator over which denominator: every figure that reaches a page is made here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.measures.exposures import exposures
from pipeline.measures.full_oxygen import full_oxygen
from pipeline.measures.occlusion_rate import occlusion_rates
from pipeline.measures.rule_shares import rule_shares

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from pipeline.measures.series import Calendar
    from pipeline.store.protocol_versions import VersionInStore


def measure(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Every measure of `month`, of each earlier month, and of all months up to it together.

    Follows `schemas.outputs.Measures`; sorted, so that the same store gives the same rows.
    """
    import pandas as pd

    parts = [occlusion_rates(con, month), rule_shares(con, month), full_oxygen(con, month)]
    parts.append(exposures(con, month))
    rows = pd.concat(parts, ignore_index=True)
    return rows.sort_values(
        ["measure", "group_by", "group_value", "month"], kind="stable", ignore_index=True
    )


def figures(
    con: duckdb.DuckDBPyConnection,
    measures: pd.DataFrame,
    calendar: Calendar,
    versions: Sequence[VersionInStore],
) -> dict[str, pd.DataFrame]:
    """Charts, comparisons and power; call after `measure` and the follow-up's `make_flags`.

    Frames by the names of `schemas.measure_outputs.MEASURE_OUTPUTS`.
    """
    from pipeline.measures.bases import before_after_training, funnels
    from pipeline.measures.exploratory import with_exploratory
    from pipeline.measures.one_by_one import one_by_one
    from pipeline.measures.places import places
    from pipeline.measures.power import power
    from pipeline.measures.series import charts
    from pipeline.measures.signals import signals
    from pipeline.measures.sizes import sizes
    from pipeline.measures.trip_marks import apart_trips, trip_marks
    from pipeline.measures.years import MONTHS, years

    month, first = calendar.months[-1], calendar.months[-MONTHS:][0]
    points, runs = charts(con, measures, calendar)
    signalled = with_exploratory(signals(con, calendar, versions), points)
    compared = funnels(con, calendar.months)
    return {
        "charts": points,
        "runs": runs,
        "sizes": sizes(con, month),
        "funnels": compared,
        "power": power(measures, points, calendar.months),
        "before_after": before_after_training(con, month),
        **signalled,
        "one_by_one": one_by_one(con, month),
        "years": years(con, measures, calendar.months),
        "trip_marks": trip_marks(con, signalled["signals"], calendar.months),
        "apart_trips": apart_trips(con, compared, versions, first),
        **places(con, first, month, versions),
    }
