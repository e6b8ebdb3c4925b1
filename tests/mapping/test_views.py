"""Views: what they may reach, what they must carry, and what becomes of rows they cannot take."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mapping import small_source

pytestmark = pytest.mark.usefixtures("without_screen")

SETTINGS = "case,at,flow,oxygen,name\n007,1,8,40,SECRET\n007,2,9,,SECRET\nT2,3,7,35,SECRET\n"
MORE = """
[files.chart]
path = "chart.csv"
{file}
[views]
seen = '''{sql}'''
{view}
[tables.settings]
from = "seen"
[tables.settings.columns]
trip_id = "case"
at_s = {{ from = "at", unit = "min" }}
{columns}
"""
FLOW = 'flow_lpm = "flow"'


def source(
    folder: Path, sql: str, *, chart: str = SETTINGS, file: str = "", view: str = "",
    columns: str = FLOW, top: str = "", trips: str = "",
) -> Path:  # fmt: skip
    more = MORE.format(file=file, sql=sql, view=view, columns=columns)
    return small_source.source(
        folder, {"chart.csv": chart}, mapped=("settings",), more=more, top=top, trips=trips
    )


def settings(folder: Path) -> list[tuple[str, ...]]:
    rows = small_source.rows(folder, "settings")
    return [(row["trip_id"], row["at_s"], row["flow_lpm"]) for row in rows]


def test_rows_come_in_the_order_of_their_places(tmp_path: Path) -> None:
    sql = 'select "case", "at", flow, line, file_name from chart order by flow'
    folder = source(tmp_path / "in", sql)
    small_source.run(folder)
    assert settings(folder) == [("007", "60", "8"), ("007", "120", "9"), ("T2", "180", "7")]


def test_a_row_that_does_not_fit_still_comes_with_its_trip(tmp_path: Path) -> None:
    """It cannot go through a SELECT, and must not look as if nothing had been charted."""
    chart = SETTINGS + "T2,4,8\nT9,4\n"
    folder = source(tmp_path / "in", "select * from chart", chart=chart)
    mapped = small_source.run(folder)
    assert small_source.found(mapped) == [("chart.csv", 5, None, "ragged-row")] * 1
    assert settings(folder)[-1] == ("T2", "unreadable", "unreadable")
    assert mapped.exit_code == 4


@pytest.mark.parametrize(("file", "seen"), [("", False), ('columns = ["nam*"]', True)])
def test_a_view_sees_only_columns_that_are_named(tmp_path: Path, file: str, seen: bool) -> None:
    sql = "select *, concat_ws('-', *columns(*)) as every from chart"
    folder = source(tmp_path / "in", sql, file=file, columns='cannula = "every"')
    small_source.run(folder)
    found = small_source.column(folder, "cannula", "settings")
    assert all("007" in text or "T2" in text for text in found)
    assert ("SECRET" in "".join(found)) == seen


def test_a_column_that_is_nowhere_is_said(tmp_path: Path) -> None:
    problem = small_source.refusal(source(tmp_path / "in", "select * from chart where rate = 1"))
    assert problem.code == "view-fails"
    assert "rate" in problem.what


@pytest.mark.parametrize(
    "sql",
    [
        "select * from read_csv('/etc/hostname')",
        "select * from '/etc/hostname'",
        "select *, (select content from read_text('/etc/hostname')) as x from chart",
        "attach 'x.duckdb'",
        "set enable_external_access = true",
        "copy chart to 'chart.csv'",
        "install httpfs",
        "select 1; select 2",
        "pragma database_list",
        "create table x as select 1",
        "select * from glob('/*'), chart",
    ],
)
def test_nothing_but_the_files_can_be_reached(tmp_path: Path, sql: str) -> None:
    folder = source(tmp_path / "in", sql)
    problem = small_source.refusal(folder)
    assert problem.code == "view-fails"
    assert problem.column == "views.seen"


def test_a_message_never_shows_a_cell(tmp_path: Path) -> None:
    for number, sql in enumerate([
        'select *, cast(name as INTEGER) as x from chart',
        "select *, strptime(name, '%Y') as x from chart",
        'select *, cast(name as DATE) as x from chart',
        'select *, error(name) as x from chart',
    ]):  # fmt: skip
        problem = small_source.refusal(source(tmp_path / str(number), sql))
        assert problem.code == "view-fails"
        assert "SECRET" not in problem.sentence()


def test_typed_columns_are_read_as_what_they_are(tmp_path: Path) -> None:
    sql = (
        'select "case", "at"::DOUBLE as "at", flow::DOUBLE / 4 as flow, line, file_name from chart'
    )
    for number, view in enumerate(("", 'views.seen.decimal = ","')):
        folder = source(tmp_path / str(number), sql)
        if view:
            text = (folder / "mapping.toml").read_text()
            text = text.replace("seen = '''", "[views.seen]\ndecimal = ','\nsql = '''")
            (folder / "mapping.toml").write_text(text.replace("[views]\n", ""))
        small_source.run(folder)
        assert settings(folder) == [
            ("007", "60", "2"),
            ("007", "120", "2.25"),
            ("T2", "180", "1.75"),
        ]


def test_a_view_over_views_and_over_several_files(tmp_path: Path) -> None:
    sql = "select * from both_charts where flow is not null"
    folder = source(tmp_path / "in", sql, file='columns = []', view="""
both_charts = '''
  select "case", "at", flow, line, file_name from chart
  union all select run, minute, lpm, line, file_name from other
'''
[files.other]
path = "other *.csv"
""")  # fmt: skip
    for name in "ab":
        (folder / f"other {name}.csv").write_text(f"run,minute,lpm\nT2,{ord(name)},12\nT2,1,\n")
    mapped = small_source.run(folder)
    assert mapped.problems == []
    assert settings(folder)[-2:] == [("T2", "5820", "12"), ("T2", "5880", "12")]


def test_files_of_two_clocks_need_one_stated(tmp_path: Path) -> None:
    sql = "select c.*, o.lpm from chart c join other o on c.flow = o.lpm"
    view = '[files.other]\npath = "other.csv"\ntime_zone = "UTC"'
    folder = source(
        tmp_path / "in", sql, view=view, top='time_zone = "Europe/Berlin"',
        trips='bedside = { from = "month", time = "iso" }',
        columns='flow_lpm = "lpm"',
    )  # fmt: skip
    text = (folder / "mapping.toml").read_text()
    text = text.replace(
        'at_s = { from = "at", unit = "min" }', 'at_s = { from = "at", time = "iso" }'
    )
    (folder / "mapping.toml").write_text(text)
    problem = small_source.refusal(folder)
    assert (problem.code, problem.column) == ("toml-content", "views.seen")
    assert "time_zone" in problem.what


def test_a_place_that_is_no_files(tmp_path: Path) -> None:
    for number, (sql, word) in enumerate([
        ("select * replace ('x' as file_name) from chart", "none of the files"),
        ("select * replace (null as line) from chart", "no file_name or no line"),
        ("select * exclude (line, file_name) from chart", "no column"),
    ]):  # fmt: skip
        problem = small_source.refusal(source(tmp_path / str(number), sql))
        assert problem.code == "view-without-place"
        assert word in problem.what


REPORTS = """\
<EMSDataSet xmlns="http://www.nemsis.org">
<Header><DemographicGroup/>
<PatientCareReport UUID="u1"><eRecord><eRecord.01>007</eRecord.01></eRecord>
<eDevice><eDevice.DeviceGroup><eDevice.02>2026-03-01T10:00:00Z</eDevice.02>
<eDevice.03>17</eDevice.03><eDevice.03>18</eDevice.03></eDevice.DeviceGroup>
<eDevice.DeviceGroup><eDevice.02>2026-03-01T10:05:00Z</eDevice.02>
<eDevice.03>18</eDevice.03></eDevice.DeviceGroup></eDevice>
<eNarrative><eNarrative.01>SECRET</eNarrative.01></eNarrative></PatientCareReport>
<PatientCareReport UUID="u2"><eRecord><eRecord.01>T2</eRecord.01></eRecord>
</PatientCareReport></Header></EMSDataSet>
"""
OF_REPORTS = """
[files.devices]
path = "*.xml"
each = "{each}"
[files.watches]
path = "watches.csv"
[views]
rung = '''{sql}'''
[tables.device_events]
from = "rung"
[tables.device_events.columns]
trip_id = "run"
at_s = {{ from = "minute", unit = "min" }}
event = {{ from = "what", codes = {{ 17 = "occlusion", 18 = "restored" }} }}
"""
EACH_VALUE = """
    select "eRecord.01" as run, minute, devices.file_name, devices.line,
        unnest(string_split("eDevice.03", chr(31))) as what
    from devices join watches on watches.report = devices."UUID"
"""


def of_reports(folder: Path, sql: str, each: str = "eDevice.DeviceGroup") -> Path:
    files: dict[str, str | bytes] = {"a.xml": REPORTS, "watches.csv": "report,minute\nu1,4\n"}
    more = OF_REPORTS.format(sql=sql, each=each)
    return small_source.source(folder, files, mapped=("device_events",), more=more)


def test_a_view_reads_the_groups_of_reports(tmp_path: Path) -> None:
    """Joined with a table, and with a row for each value of an element that stands twice."""
    folder = of_reports(tmp_path / "in", EACH_VALUE)
    mapped = small_source.run(folder)
    assert mapped.problems == []
    rows = [tuple(row.values()) for row in small_source.rows(folder, "device_events")]
    assert rows == [("007", "240", what) for what in ("occlusion", "restored", "restored")]
    assert mapped.account.entries[-1].read == 3


def test_several_values_are_not_taken_for_one(tmp_path: Path) -> None:
    sql = 'select "eRecord.01" as run, 4 as minute, "eDevice.03" as what, file_name, line'
    folder = of_reports(tmp_path / "in", f"{sql} from devices")
    mapped = small_source.run(folder)
    assert small_source.found(mapped) == [("a.xml", 4, "what", "not-a-code")]
    events = [row["event"] for row in small_source.rows(folder, "device_events")]
    assert events == ["unreadable", "restored"]


@pytest.mark.parametrize(
    ("each", "sql", "code", "word"),
    [
        ("eDevice", EACH_VALUE, "toml-content", "not the name of a group"),
        ("eDevice.DeviceGroup", EACH_VALUE.replace('"eRecord.01"', "x"), "view-fails", '"x"'),
    ],
)
def test_what_reports_do_not_have(
    tmp_path: Path, each: str, sql: str, code: str, word: str
) -> None:
    (problem,) = small_source.refusals(of_reports(tmp_path / "in", sql, each))
    assert problem.code == code
    assert word in problem.what


def test_only_reports_have_groups(tmp_path: Path) -> None:
    folder = source(tmp_path / "in", "select * from chart", file='each = "eDevice.DeviceGroup"')
    (problem,) = small_source.refusals(folder)
    assert (problem.code, problem.column) == ("toml-content", "files.chart.each")
