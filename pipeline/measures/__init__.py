"""Which numerator over which denominator: every figure that reaches a page is made here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.measures.exposures import exposures
from pipeline.measures.full_oxygen import full_oxygen
from pipeline.measures.occlusion_rate import occlusion_rates, ventilator_time
from pipeline.measures.rule_shares import rule_shares, verdict_counts
from pipeline.store.kept_results import kept
from schemas.connection import Connection
from schemas.frame import Frame, stacked

if TYPE_CHECKING:
    from pipeline.measures.series import Calendar
    from pipeline.store.made_from import MadeFrom
    from pipeline.store.protocol_versions import VersionInStore


def measure(con: Connection, month: str) -> Frame:
    """Every measure of `month`, of each earlier month, and of all months up to it together.

    Follows `schemas.outputs.Measures`; sorted, so that the same store gives the same rows.
    """
    from schemas.outputs import Measures

    parts = [occlusion_rates(con, month), rule_shares(con, month), full_oxygen(con, month)]
    parts.append(exposures(con, month))
    every = stacked(parts).only(Measures.to_schema().columns)
    return every.sorted_by("measure", "group_by", "group_value", "month")


def measured(
    con: Connection, made: MadeFrom, calendar: Calendar, versions: Sequence[VersionInStore]
) -> tuple[Frame, dict[str, Frame]]:
    """`measure` and `figures`, or what they gave when made from the same.

    Leaves the counts that flags and signals are held against.
    """
    new = []

    def make() -> tuple[Frame, dict[str, Frame]]:
        new.append(True)
        rows = measure(con, made.month)
        return rows, figures(con, rows, calendar, versions)

    # signals keep in the store what was said for the first time, so it is asked afterwards, too
    found = kept(con, f"measures {made.month}", made.measured, make)
    for counts in () if new else (ventilator_time(), verdict_counts()):
        con.execute(counts, {"month": made.month})
    return found


def answered_figures(con: Connection, month: str) -> dict[str, Frame]:
    """The figures that answers change; call after the others and the follow-up's `make_flags`."""
    from pipeline.measures.bases import before_after_training
    from pipeline.measures.signal_trips import signal_trips

    return {"before_after": before_after_training(con, month), "signal_trips": signal_trips(con)}


def figures(
    con: Connection, measures: Frame, calendar: Calendar, versions: Sequence[VersionInStore]
) -> dict[str, Frame]:
    """Charts, comparisons and power, which no answer changes; call after `measure`.

    Frames by the names of `schemas.measure_outputs.MEASURE_OUTPUTS`.
    """
    from pipeline.measures.bases import funnels
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
        **signalled,
        "one_by_one": one_by_one(con, month),
        "years": years(con, measures, calendar.months),
        "trip_marks": trip_marks(con, signalled["signals"], calendar.months),
        "apart_trips": apart_trips(con, compared, versions, first),
        **places(con, first, month, versions),
    }
