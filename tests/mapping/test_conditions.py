"""Conditions: on elements that stand several times, on numbers; what goes with left-out trips."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deep import examples, with_deep
from tests.mapping import reports_system, small_source
from tests.mapping.test_reports import SAMPLES, document, report

pytestmark = pytest.mark.usefixtures("without_screen")

TRANSFER = "2024-EMS-4-COVID-Transfer_v350.xml"
EVENTS = ("4103005", "4103011", "4103013", "4103015", "4103035", "4103037", "4103039", "4103049")
"""The event types of the one device group of the published case, as they stand there."""

MAPPING = """
mapping = 1
extends = "nemsis-3.5"
service = "demo-service"
privacy_basis = "limited-data-set"
time_zone = "America/Denver"
not_recorded = ["contacts", "training", "settings"]
time_resolution_s = {{ trips = 60, device_events = 1, observations = 60 }}
tokens = {{ key_file = "keep/key" }}
{top}
[files.reports]
path = "in.xml"

[tables.trips.columns]
base = {{ constant = "b1" }}
diagnosis_group = {{ constant = "any" }}
{trips}

[tables.device_events]
from = "reports"
each = "eDevice.DeviceGroup"
where = {where}
[tables.device_events.columns]
trip_id = {trip_id}
at_s = {{ from = "eDevice.02", time = "iso" }}
event = {event}
{more}
"""
TRIP = '{ from = "eRecord.01", token = "trip" }'
OCCLUSION = '{ from = "eDevice.03", codes = { 4103035 = "occlusion" }, otherwise = "started" }'


def source(
    folder: Path, text: str | bytes, where: str = "[]", *, event: str = OCCLUSION, more: str = "",
    trips: str = "", top: str = "", trip_id: str = TRIP,
) -> Path:  # fmt: skip
    (folder / "keep").mkdir(parents=True)
    (folder / "keep" / "key").write_text("k" * 40)
    (folder / "keep" / "key").chmod(0o600)
    (folder / "in.xml").write_bytes(text if isinstance(text, bytes) else text.encode())
    (folder / "mapping.toml").write_text(
        MAPPING.format(where=where, event=event, more=more, trips=trips, top=top, trip_id=trip_id)
    )
    return folder


def device(*events: str, at: str = "2015-03-03T10:05:00-07:00", more: str = "") -> str:
    kinds = "".join(f"<eDevice.03>{event}</eDevice.03>" for event in events)
    return f"<eDevice.DeviceGroup><eDevice.02>{at}</eDevice.02>{kinds}{more}</eDevice.DeviceGroup>"


def transfer(tmp_path: Path, where: str) -> list[str]:
    folder = source(tmp_path / "in", (SAMPLES / TRANSFER).read_bytes(), where)
    small_source.run(folder)
    return small_source.column(folder, "event", "device_events")


def in_one_group(tmp_path: Path, where: str) -> list[str]:
    folder = source(tmp_path / "own", document(report(device(*EVENTS))), where)
    small_source.run(folder)
    return small_source.column(folder, "event", "device_events")


def on(condition: str) -> str:
    return f'[{{ column = "eDevice.03", {condition} }}]'


@pytest.mark.parametrize("made", [in_one_group, *([transfer] if SAMPLES.is_dir() else [])])
class TestEightEventTypesInOneGroup:
    """A document of our own of the shape of a published case, and that case where it is here."""

    # else `test_two_get_two_and_all_get_eight`
    @with_deep
    def test_each_of_them_gets_its_one_row(self, tmp_path: Path, made: object) -> None:
        """Of the published case one is asked."""
        every = made is in_one_group and examples(0, 1)
        for number, event in enumerate(EVENTS if every else EVENTS[4:5]):
            found = made(tmp_path / str(number), on(f'is = "{event}"'))  # type: ignore[operator]
            assert found == ["occlusion" if event == "4103035" else "started"], event

    def test_two_get_two_and_all_get_eight(self, tmp_path: Path, made: object) -> None:
        two = made(tmp_path / "two", on('is = ["4103035", "4103005"]'))  # type: ignore[operator]
        assert two == ["started", "occlusion"]
        every = made(tmp_path / "all", on("empty = false"))  # type: ignore[operator]
        assert every == ["started"] * 4 + ["occlusion"] + ["started"] * 3
        others = made(tmp_path / "not", on('is_not = "4103035"'))  # type: ignore[operator]
        assert others == ["started"] * 7


def test_one_that_is_not_there_is_said_first(tmp_path: Path) -> None:
    folder = source(tmp_path / "in", document(report(device(*EVENTS))), on('is = "4103099"'))
    mapped = small_source.run(folder)
    assert mapped.exit_code == 4
    (first,) = mapped.account.first
    assert (first.code, first.column) == ("nothing-matches", "tables.device_events.where")
    assert mapped.report(100).startswith(first.sentence())


def test_without_a_condition_it_is_not_taken_for_one_value(tmp_path: Path) -> None:
    folder = source(tmp_path / "in", document(report(device(*EVENTS))))
    mapped = small_source.run(folder)
    assert small_source.column(folder, "event", "device_events") == ["unreadable"]
    assert [p.code for p in mapped.problems] == ["several-values"]


def test_conditions_on_two_repeated_elements_make_every_pair(tmp_path: Path) -> None:
    more = "<eDevice.07>1</eDevice.07><eDevice.07>2</eDevice.07><eDevice.07>3</eDevice.07>"
    text = document(report(device("4103035", "4103005", more=more)))
    where = on("empty = false")[:-1] + ', { column = "eDevice.07", from = 2 }]'
    folder = source(tmp_path / "in", text, where, more='pressure_cmh2o = "eDevice.07"')
    small_source.run(folder)
    rows = small_source.rows(folder, "device_events")
    assert [(row["event"], row["pressure_cmh2o"]) for row in rows] == [
        ("occlusion", "2"), ("occlusion", "3"), ("started", "2"), ("started", "3"),
    ]  # fmt: skip


def test_a_trip_is_taken_once_if_any_value_meets(tmp_path: Path) -> None:
    several = "<eResponse><eResponse.24>a</eResponse.24><eResponse.24>b</eResponse.24></eResponse>"
    texts = [report(device("4103035") + several, record="R1"), report(record="R2")]
    for number, (test, expected) in enumerate([
        ('is = ["a", "b"]', 1), ('is_not = "a"', 2),
        *examples(0, 1) * [('is = "b"', 1), ("empty = false", 1)],
    ]):  # fmt: skip
        folder = source(tmp_path / str(number), document(*texts))
        with (folder / "mapping.toml").open("a") as file:
            file.write(f'[tables.trips]\nwhere = [{{ column = "eResponse.24", {test} }}]\n')
        assert small_source.run(folder).rows["trips"] == expected, test


def test_a_group_in_a_group_has_what_is_said_around_it(tmp_path: Path) -> None:
    """Each shock has its own device group's time, and not what another shock says."""
    shock = "<eDevice.ShockGroup><eDevice.09>{}</eDevice.09>{}</eDevice.ShockGroup>"
    first = device("4103035", more=shock.format("a", "<eDevice.10>7</eDevice.10>"))
    at = "2015-03-03T10:09:00-07:00"
    second = device("4103035", at=at, more=shock.format("b", "") + shock.format("c", ""))
    folder = source(tmp_path / "in", document(report(first + second)),
                    more='pressure_cmh2o = "eDevice.10"')  # fmt: skip
    text = (folder / "mapping.toml").read_text()
    (folder / "mapping.toml").write_text(text.replace("DeviceGroup", "ShockGroup"))
    small_source.run(folder)
    rows = small_source.rows(folder, "device_events")
    assert [(row["at_s"], row["pressure_cmh2o"]) for row in rows] == [
        ("300", "7"), ("540", ""), ("540", ""),
    ]  # fmt: skip


def test_attributes_the_agency_and_the_report_itself(tmp_path: Path) -> None:
    vital = (
        "<eVitals.VitalGroup><eVitals.01>2015-03-03T10:05:00-07:00</eVitals.01>"
        '<eVitals.16 ETCO2Type="3340001">30</eVitals.16></eVitals.VitalGroup>'
    )
    text = document(report(device("4103035"), vitals=vital))
    text = text.replace(f"<dAgency.01>{reports_system.MARK}", "<dAgency.01>A7", 1)
    folder = source(tmp_path / "in", text, trips='base = "dAgency.01"\nheater_unit = "UUID"')
    more = '[tables.observations.columns]\nbehaviour = { from = "eVitals.16@ETCO2Type", codes = {'
    with (folder / "mapping.toml").open("a") as file:
        file.write(more + ' 3340001 = "calm" } }\n')
    text = (folder / "mapping.toml").read_text().replace('base = { constant = "b1" }\n', "")
    (folder / "mapping.toml").write_text(text)
    small_source.run(folder)
    (trip,) = small_source.rows(folder)
    assert (trip["base"], trip["heater_unit"]) == ("A7", "u-R1")
    assert small_source.column(folder, "behaviour", "observations") == ["calm"]


def test_a_trip_that_goes_by_two_numbers(tmp_path: Path) -> None:
    """Record numbers that begin anew with every unit."""
    unit = "<eResponse><eResponse.14>{}</eResponse.14></eResponse>"
    reports = [report(device("4103035") + unit.format(u), record="1") for u in ("x", "y")]
    both = '{ from = ["eResponse.14", "eRecord.01"], token = "trip" }'
    folder = source(tmp_path / "in", document(*reports), trips=f"trip_id = {both}", trip_id=both)
    with (folder / "mapping.toml").open("a") as file:
        for table in ("crew", "observations"):
            file.write(f"[tables.{table}.columns]\ntrip_id = {both}\n")
    mapped = small_source.run(folder)
    assert mapped.problems == []
    trips = small_source.column(folder, "trip_id")
    assert len(set(trips)) == 2
    assert small_source.column(folder, "trip_id", "device_events") == trips


def test_the_shipped_filter_stays_when_a_condition_is_added(tmp_path: Path) -> None:
    vitals = "".join(
        f"<eVitals.VitalGroup><eVitals.01>2015-03-03T10:0{n}:00-07:00</eVitals.01>"
        f"<eVitals.02>{prior}</eVitals.02><eVitals.12>{spo2}</eVitals.12></eVitals.VitalGroup>"
        for n, (prior, spo2) in enumerate([("9923003", 91), ("9923001", 92), ("9923001", 50)])
    )
    text = document(report(device("4103035"), vitals=vitals))
    add = '[tables.observations]\nwhere = [{{ column = "{}", {} }}]\n'
    for number, (column, test, expected) in enumerate([
        ("eVitals.12", "from = 60", ["92"]),
        ("eVitals.02", "is_not = []", ["91", "92", "50"]),
    ]):  # fmt: skip
        folder = source(tmp_path / str(number), text)
        with (folder / "mapping.toml").open("a") as file:
            file.write(add.format(column, test))
        small_source.run(folder)
        assert small_source.column(folder, "spo2_pct", "observations") == expected


# ---- numbers, and tables

SETTINGS = """
[files.settings]
path = "settings.csv"
{decimal}
[tables.settings]
from = "settings"
where = [{where}]
[tables.settings.columns]
trip_id = "case"
at_s = {{ from = "at", unit = "min" }}
flow_lpm = "flow"
"""


def settings(
    tmp_path: Path, rows: list[str], where: str, *, decimal: str = "", trips: str = ""
) -> Path:
    return small_source.source(
        tmp_path / "in",
        {"settings.csv": "\n".join(["case,at,flow", *rows, ""])},
        mapped=("settings",), trips=trips,
        more=SETTINGS.format(where=where, decimal=decimal),
    )  # fmt: skip


def test_bounds_on_numbers(tmp_path: Path) -> None:
    rows = ["007,1,0.5", "007,2,8", "007,3,60", "007,4,", "007,5,high"]
    folder = settings(tmp_path, rows, '{ column = "flow", from = 0.5, below = 60 }')
    mapped = small_source.run(folder)
    assert small_source.column(folder, "flow_lpm", "settings") == ["0.5", "8"]
    assert small_source.found(mapped) == [("settings.csv", 6, "flow", "not-a-number")]
    assert mapped.exit_code == 4


def test_rows_of_trips_left_out_go_with_them(tmp_path: Path) -> None:
    rows = ["007,1,8", "T2,2,9", "T2,3,9", "T9,4,9", ",5,9"]
    trips = 'where = [{ column = "kind", is = "ground" }]'
    mapped = small_source.run(folder := settings(tmp_path, rows, "", trips=trips))
    assert small_source.column(folder, "trip_id", "settings") == ["007"]
    # only the rows of a trip that trips does not have at all are amiss
    assert small_source.found(mapped) == [("settings.csv", 5, "case", "row-of-no-trip")]
    entry = mapped.account.entries[1]
    assert (entry.read, entry.taken) == (5, 1)
    assert entry.other["of trips left out"] == 2
    assert entry.other["of no trip"] == 2
    assert mapped.account.entries[0].left_out[0][1:] == (2, 1)


def test_blank_rows_and_footers_make_no_trips(tmp_path: Path) -> None:
    text = small_source.TRIPS + ",,,,,\n,,,,,\nTotal: 2,,,,,\n"
    folder = small_source.source(tmp_path / "in", {"trips.csv": text})
    mapped = small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2"]
    assert mapped.account.entries[0].other["that say nothing"] == 3
    (tmp_path / "in-mapped").rename(tmp_path / "first")
    (folder / "trips.csv").write_text(small_source.TRIPS + "Printed on Monday\n")
    again = small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2"]
    assert small_source.found(again) == [("trips.csv", 4, None, "ragged-row")]


def test_rows_that_the_mapping_skips(tmp_path: Path) -> None:
    text = small_source.TRIPS.replace(
        "007", "-,YYYY-MM,-,-,kg,-\n007"
    ) + "Page 1\nT3,2026-03,b1,ground,1,x\nTotal,2\nprinted by hand,,,\n"  # fmt: skip
    folder = small_source.source(
        tmp_path / "in", {"trips.csv": text},
        trips_file='skip_rows = ["-", "Page*"]\nfooter = "Total"',
    )  # fmt: skip
    mapped = small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2", "T3"]
    assert mapped.problems == []
    assert mapped.account.entries[0].other["that the mapping skips"] == 4
    by_number = (folder / "mapping.toml").read_text()
    by_number = by_number.replace('skip_rows = ["-", "Page*"]\nfooter = "Total"', "skip_rows = 1")
    (folder / "mapping.toml").write_text(by_number + "")
    (folder / "trips.csv").write_text(small_source.TRIPS)
    (tmp_path / "in-mapped").rename(tmp_path / "first")
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["T2"]


def test_a_table_whose_rows_are_of_no_trip_is_said_first(tmp_path: Path) -> None:
    mapped = small_source.run(settings(tmp_path, ["0007,1,8", "t2,1,8"], ""))
    assert [first.code for first in mapped.account.first] == ["no-rows"]
    assert mapped.exit_code == 4


def test_what_is_tolerated_still_exits_with_0(tmp_path: Path) -> None:
    rows = [f"007,{n},8" for n in range(19)] + ["007,19,much"]
    for number, (share, code) in enumerate([(0.05, 0), (0.04, 4)]):
        folder = small_source.source(
            tmp_path / f"in-{number}",
            {"settings.csv": "\n".join(["case,at,flow", *rows, ""])},
            mapped=("settings",), top=f"tolerated = {{ settings = {share} }}",
            more=SETTINGS.format(where="", decimal=""),
        )  # fmt: skip
        assert small_source.run(folder).exit_code == code


def test_a_month_that_is_not_there(tmp_path: Path) -> None:
    from pipeline.errors import NothingFound

    folder = small_source.source(tmp_path / "in")
    with pytest.raises(NothingFound) as caught:
        small_source.run(folder, months=["2026-05"])
    assert caught.value.exit_code == 6
    assert [p.code for p in caught.value.problems] == ["nothing-found"]


def test_a_table_that_had_rows_the_month_before_is_said_first(tmp_path: Path) -> None:
    folder = settings(tmp_path, ["007,1,8"], "")
    trips = small_source.TRIPS.replace("T2,2026-03", "T2,2026-04")
    (folder / "trips.csv").write_text(trips)
    mapped = small_source.run(folder, months=["2026-04"])
    assert [first.code for first in mapped.account.first] == ["no-rows"]
    assert mapped.account.entries[1].before == ("2026-03", 1)
