"""Two trips of 62 missing: what they could change is bounded, and a plain excess is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.simulate import simulate
from tests.deep import with_deep

from .command_runs import command_in, signals_alone
from .test_signals import Row, chart_of, read, without, write

pytestmark = [pytest.mark.usefixtures("without_screen"), with_deep]

LAST, TRIPS, MONTHS = "2026-12", 62, 12
PLANTED, MISSING = 34, 2
OF_SERVICE = ("occlusion-rate", "service", "all")


def plant(delivery: Path, left: set[str]) -> int:
    """An occlusion more on each ventilator trip of LAST that is delivered, then a second one."""
    rows = read(delivery / "device_events.csv")
    starts = [row for row in rows if row["event"] == "started" and row["trip_id"] in left]
    wanted = [(row, after) for after in (300, 900) for row in starts][:PLANTED]
    for start, after in wanted:
        at = {"event": "occlusion", "at_s": str(int(start["at_s"]) + after)}
        rows.append({**dict.fromkeys(start, ""), "trip_id": start["trip_id"], **at})
    write(delivery / "device_events.csv", rows)
    return len(wanted)


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Row]]:
    """Signals and charts of the last month: `plain` and `planted`, both two trips short."""
    folder = tmp_path_factory.mktemp("missing")
    simulate(folder / "whole", trips=TRIPS * MONTHS, months=MONTHS, seed=8, first_month="2026-01")
    last = [
        r["trip_id"] for r in read(folder / "whole" / "trips.csv") if r["service_month"] == LAST
    ]
    found = {}
    for name in ("plain", "planted"):
        delivery = folder / name
        without(folder / "whole", delivery, set(last[-MISSING:]))
        if name == "planted":
            assert plant(delivery, set(last[:-MISSING])) == PLANTED
        (folder / f"in-{name}").mkdir()
        with signals_alone():
            ran = command_in(folder / f"in-{name}", "review", delivery)
        assert ran.code == 0, ran.err
        for path in (folder / f"in-{name}" / "tailrace-out" / LAST / "data").glob("signal*.csv"):
            found[f"{name} {path.stem}"] = [r for r in read(path) if r["month"] == LAST]
    return found


def test_thirty_four_more_occlusions_are_sure_whatever_two_trips_hold(
    said: dict[str, list[Row]],
) -> None:
    own = [
        row for row in said["planted signals"]
        if chart_of(row) == OF_SERVICE and row["kind"] == "headline"
    ]  # fmt: skip
    assert [(row["certainty"], row["missing"]) for row in own] == [("sure", str(MISSING))]
    assert f"whatever the {MISSING} missing trips would ordinarily hold." in own[0]["sentence"]
    # and the excess alone makes the signal
    assert not [row for row in said["plain signals"] if chart_of(row) == OF_SERVICE]


def test_what_two_trips_leave_open_is_said_of_few_charts(said: dict[str, list[Row]]) -> None:
    for name in ("plain", "planted"):
        charts = said[f"{name} signal_charts"]
        assert {row["missing"] for row in charts} == {str(MISSING)}
        assert sum(row["certainty"] != "depends" for row in charts) >= 0.9 * len(charts)
