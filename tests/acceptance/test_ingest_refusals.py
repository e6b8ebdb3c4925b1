"""What refuses a whole delivery: each with a place, a sentence and a remedy."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import Refused
from pipeline.ingest.delivery import read_delivery
from tests.deep import examples

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


def test_the_delivery_itself_is_fine_whatever_its_path(tmp_path: Path) -> None:
    """What is left out is mentioned; other tables than trips may have no rows."""
    header = "trip_id,at_s,contacted,about,authorised"
    crew = "trip_id,crew_member,role\n"
    folder = small_delivery.write(tmp_path / "o'dd \"[dir]* name", contacts=header, crew=crew)
    (folder / "planted.csv").write_text("trip_id,rule\n")
    con = duckdb.connect()
    staged = read_delivery(con, folder)
    assert staged.problems(con) == []
    assert any(file == "planted.csv" for file, _ in staged.mentions)
    assert ("observations.csv", "the column behaviour is absent, so it is empty throughout") in (
        staged.mentions
    )


def test_missing_and_unknown_columns(tmp_path: Path) -> None:
    text = small_delivery.TABLES["crew"][1:].replace("crew_member,role", "member,role,rank")
    problems = {
        (p.code, p.column): p
        for p in small_delivery.refusals(small_delivery.write(tmp_path / "d", crew=text))
    }
    assert set(problems) == {
        ("missing-column", "crew_member"), ("unknown-column", "member"), ("unknown-column", "rank"),
    }  # fmt: skip
    unknown = problems["unknown-column", "rank"]
    assert (unknown.file, unknown.line) == ("crew.csv", 1)
    missing = problems["missing-column", "crew_member"]
    assert missing.sentence() == (
        "crew.csv, line 1: crew_member: the column is missing. Add the column to the header."
    )


IGNORED = ['["rank"]', '["crew.rank"]', '{ crew = ["rank"] }']


@pytest.mark.parametrize("ignore", IGNORED[: examples(1, 3)])
@pytest.mark.usefixtures("with_screen")
def test_ignored_column_is_dropped_unread(tmp_path: Path, ignore: str) -> None:
    """However it is written, which the table of `export.toml` alone tells apart."""
    crew = "trip_id,crew_member,role,rank\n007,c1,nurse,Ann Example 1990-01-02\n"
    folder = small_delivery.write(
        tmp_path / "d", crew=crew, export=f"ignore = {ignore}\n{small_delivery.EXPORT}"
    )
    con = duckdb.connect()
    staged = read_delivery(con, folder)
    assert staged.problems(con) == []
    assert ("crew.csv", "the column rank was left unread, as export.toml asks") in staged.mentions
    tables = con.execute("select table_name from duckdb_tables()").fetchall()
    for (table,) in tables:
        assert "Example" not in str(con.execute(f'from "{table}"').fetchall())


def test_ignored_columns_may_be_called_anything(tmp_path: Path) -> None:
    crew = 'trip_id,z,crew_member,Role,role,z,"a""b\'c"\n007,1,c1,x,nurse,2,3\n'
    export = 'ignore = ["z", "Role", "a\\"b\'c"]\n' + small_delivery.EXPORT
    path = tmp_path / "store.duckdb"
    small_delivery.store(path, small_delivery.write(tmp_path / "d", crew=crew, export=export))
    assert small_delivery.ask(path, "select crew_member, role from delivered.crew") == [
        ("c1", "nurse")
    ]


def test_required_column_cannot_be_ignored(tmp_path: Path) -> None:
    folder = small_delivery.write(
        tmp_path / "d", export=f'ignore = ["crew.role"]\n{small_delivery.EXPORT}'
    )
    problem = small_delivery.only(small_delivery.refusals(folder))
    assert (problem.code, problem.column) == ("ignored-column", "role")


def test_repeated_column(tmp_path: Path) -> None:
    folder = small_delivery.write(
        tmp_path / "d", crew="trip_id,crew_member,role,role\n007,c1,nurse,nurse\n"
    )
    assert small_delivery.only(small_delivery.refusals(folder)).code == "repeated-column"


def test_wrong_month(tmp_path: Path) -> None:
    """Of a trip, and of a training."""
    folder = small_delivery.write(
        tmp_path / "d", **small_delivery.swap("trips", "T2,2026-01", "T2,2025-12"),
        **small_delivery.swap("training", "2026-02", "2026-03"),
    )  # fmt: skip
    trip, training = small_delivery.refusals(folder)
    assert (trip.file, trip.line, trip.column, trip.code) == (
        "trips.csv", 3, "service_month", "wrong-month",
    )  # fmt: skip
    assert (training.file, training.line, training.code) == ("training.csv", 2, "wrong-month")


def test_empty_file(tmp_path: Path) -> None:
    problems = small_delivery.refusals(small_delivery.write(tmp_path, trips="", settings=""))
    assert {(p.file, p.line, p.code) for p in problems} == {
        ("settings.csv", 1, "empty-file"), ("trips.csv", 1, "empty-file"),
    }  # fmt: skip


def test_trips_without_rows(tmp_path: Path) -> None:
    header = small_delivery.TABLES["trips"].strip().split("\n")[0] + "\n"
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", trips=header))
    assert [p.code for p in problems] == ["empty-file"]


def test_directory_that_is_not_a_delivery(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("hello")
    for place in (tmp_path, tmp_path / "absent", tmp_path / "file"):
        problem = small_delivery.only(small_delivery.refusals(place))
        assert problem.code == "not-a-delivery"
        assert str(place) in problem.sentence()


def test_missing_table(tmp_path: Path) -> None:
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", contacts=None))
    )
    assert (problem.file, problem.code) == ("contacts.csv", "missing-table")
    assert "not_recorded" in problem.remedy
    export = f'not_recorded = ["contacts"]\n{small_delivery.EXPORT}'
    assert (
        small_delivery.aside(small_delivery.write(tmp_path / "e", contacts=None, export=export))
        == []
    )


def test_table_declared_not_recorded_yet_there(tmp_path: Path) -> None:
    folder = small_delivery.write(
        tmp_path / "d", export=f'not_recorded = ["contacts"]\n{small_delivery.EXPORT}'
    )
    assert small_delivery.only(small_delivery.refusals(folder)).code == "table-not-recorded"


def test_files_that_are_no_tables_of_commas_in_utf_8(tmp_path: Path) -> None:
    """Each told by itself; a first row of data is not repeated in the message."""
    text = {name: table[1:] for name, table in small_delivery.TABLES.items()}
    folder = small_delivery.write(
        tmp_path / "d",
        crew=text["crew"].encode().replace(b"nurse", b"infirmi\xe8re"),
        training="month".encode("utf-16"),
        settings=text["settings"].replace(",", ";"),
        contacts="007,300,medical_direction,Ann Example\n",
        observations='trip_id,at_s,spo2_pct,resp_rate\n007,"0,96,40\nT2,60,88,\n',
    )
    problems = small_delivery.refusals(folder)
    assert sorted((p.file or "", p.line, p.code) for p in problems) == [
        ("contacts.csv", 1, "missing-header"), ("crew.csv", 2, "not-utf8"),
        ("observations.csv", 2, "open-quote"), ("settings.csv", 1, "wrong-delimiter"),
        ("training.csv", 1, "not-utf8"),
    ]  # fmt: skip
    assert not any("Example" in p.sentence() for p in problems)


def test_safe_harbor(tmp_path: Path) -> None:
    export = small_delivery.EXPORT.replace("limited-data-set", "safe-harbor")
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", export=export))
    )
    assert (problem.file, problem.column, problem.code) == (
        "export.toml", "privacy_basis", "safe-harbor",
    )  # fmt: skip
    assert "164.514(b)(2)(i)" in problem.what


def test_every_problem_is_listed_at_once(tmp_path: Path) -> None:
    folder = small_delivery.write(
        tmp_path / "d",
        **small_delivery.swap("trips", "T2,2026-01", "T2,2025-12"),
        **small_delivery.swap("crew", "crew_member", "member"),
        contacts=None,
        settings="",
        protocol=small_delivery.PROTOCOL.replace("= 50", "= -5"),
    )
    assert {p.code for p in small_delivery.refusals(folder)} == {
        "wrong-month", "missing-column", "unknown-column", "missing-table", "empty-file",
        "toml-content",
    }  # fmt: skip


def test_unknown_contract_version(tmp_path: Path) -> None:
    export = small_delivery.EXPORT.replace("contract = 1", "contract = 2")
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", export=export))
    )
    assert (problem.file, problem.column, problem.code) == (
        "export.toml", "contract", "toml-content",
    )  # fmt: skip


def test_protocol_and_catalogue_must_be_there(tmp_path: Path) -> None:
    folder = small_delivery.write(tmp_path / "d", protocol=None, cannulas=None)
    assert {(p.file, p.code) for p in small_delivery.refusals(folder)} == {
        ("protocol.toml", "not-found"),
        ("cannulas.toml", "not-found"),
    }
    (tmp_path / "p.toml").write_text(small_delivery.PROTOCOL)
    (tmp_path / "c.toml").write_text(small_delivery.CANNULAS)
    read_delivery(
        duckdb.connect(), folder, protocol=tmp_path / "p.toml", cannulas=tmp_path / "c.toml"
    )
    with pytest.raises(Refused) as caught:
        read_delivery(duckdb.connect(), folder, protocol=tmp_path / "absent.toml")
    assert {p.code for p in caught.value.problems} == {"not-found"}
