"""What the store keeps: history, the latest word on every trip, and never half a delivery."""

from __future__ import annotations

import shutil
import signal
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import Refused
from pipeline.ingest.delivery import read_delivery
from pipeline.store.database import LAYOUT_VERSION, open_store
from tests.deep import examples
from tests.process import started
from tests.stores import attached

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


HOLDING = """
select trips.trip_id, trips.weight_kg, holding.delivery_no
from delivered.holding join delivered.trips using (trip_key) order by trips.trip_id
"""


@pytest.fixture(scope="module")
def first_stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the first delivery."""
    folder = tmp_path_factory.mktemp("first")
    small_delivery.store(folder / "store.duckdb", small_delivery.write(folder / "a"))
    return folder / "store.duckdb"


@pytest.fixture
def path(first_stored: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copy(first_stored, tmp_path))


def counts(path: Path) -> dict[str, int]:
    """Rows of every kept table."""
    with attached(path) as con:
        names = con.execute("""
            select table_name from duckdb_tables()
            where database_name = 'store' and schema_name = 'delivered' order by 1""").fetchall()
        counted = "select '{0}', count(*) from delivered.{0}"
        sql = " union all ".join(counted.format(name) for (name,) in names)
        return dict(con.execute(sql).fetchall())


def refused(path: Path, folder: Path) -> list[tuple[str | None, str | None, str]]:
    """Where and why the store refuses a delivery."""
    con = open_store(path)
    try:
        return [(p.file, p.column, p.code) for p in small_delivery.refusals(folder, con)]
    finally:
        con.close()


def test_same_bytes_twice_store_nothing_new(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    folder = small_delivery.write(tmp_path / "d", **small_delivery.swap("crew", "T2", "T9"))
    staged, first = small_delivery.store(path, folder)
    assert (first.new, first.received) == (True, True)
    before = counts(path)
    again, second = small_delivery.store(path, folder)
    assert (second.delivery_no, second.new, second.received) == (1, False, False)
    assert counts(path) == before
    con = open_store(path)
    assert [p.line for p in again.problems(con)] == [3]
    assert again.set_aside_count(con) == 1
    con.close()
    assert staged.known is None
    assert again.known == 1


def test_a_newer_delivery_replaces_and_history_stays(path: Path, tmp_path: Path) -> None:
    """And a trip that is set aside later keeps its older content."""
    changed = small_delivery.TABLES["trips"][1:].replace("8.4", "eight").replace("T2,", "T4,")
    changed = changed.replace("croup,,", "croup,8.6,")
    _, loaded = small_delivery.store(path, small_delivery.write(tmp_path / "b", trips=changed))
    assert loaded.delivery_no == 2
    assert small_delivery.ask(path, HOLDING) == [
        ("007", 8.4, 1), ("T2", 10.0, 1), ("T3", 8.6, 2), ("T4", 10.0, 2),
    ]  # fmt: skip
    rows = "select weight_kg from delivered.trips where trip_id = 'T3' order by trip_key"
    assert small_delivery.ask(path, rows) == [(None,), (8.6,)]
    told = small_delivery.ask(
        path, "select what from delivered.mention where delivery_no = 2 and file = 'trips.csv'"
    )
    assert any("still holds" in what for (what,) in told)


def test_a_then_b_then_a_holds_a(path: Path, tmp_path: Path) -> None:
    a = small_delivery.write(tmp_path / "a")
    b = small_delivery.write(
        tmp_path / "b",
        **small_delivery.swap("trips", "8.4", "8.6"),
        **small_delivery.swap("training", "wall-oxygen-time", "unheated-time"),
        export=small_delivery.EXPORT.replace("2026-01 = 3", "2026-01 = 4"),
    )
    small_delivery.store(path, b)
    assert {row[2] for row in small_delivery.ask(path, HOLDING)} == {2}
    assert small_delivery.ask(path, "select trips from delivered.expected_holding") == [(4,)]
    _, third = small_delivery.store(path, a)
    assert (third.delivery_no, third.new, third.received) == (1, False, True)
    assert small_delivery.ask(path, HOLDING)[0] == ("007", 8.4, 1)
    assert {row[2] for row in small_delivery.ask(path, HOLDING)} == {1}
    assert small_delivery.ask(path, "select trips from delivered.expected_holding") == [(3,)]
    assert small_delivery.ask(path, "select rule from delivered.training_holding") == [
        ("wall-oxygen-time",)
    ]
    assert counts(path)["receipt"] == 3
    assert counts(path)["trips"] == 6


def test_set_aside_rows_know_their_trip_and_month(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    changes = small_delivery.swap(
        "settings", "T3,0,high_flow", "T3,0,high flow"
    ) | small_delivery.swap("training", "b1", "")
    small_delivery.store(path, small_delivery.write(tmp_path / "d", **changes))
    rows = small_delivery.ask(
        path,
        "select trip_id, set_aside.service_month, file, set_aside.line, column_name, problem"
        " from delivered.set_aside left join delivered.trips using (trip_key) order by file",
    )
    assert rows == [
        ("T3", "2026-02", "settings.csv", 5, "support", "not-a-code"),
        (None, "2026-02", "training.csv", 2, None, "no-subject"),
    ]


def test_what_a_delivery_says_of_itself_is_kept_and_no_date(first_stored: Path) -> None:
    row = small_delivery.ask(
        first_stored,
        "select service, contract, privacy_basis, months, res_trips, res_device_events,"
        " max_offset_s, not_recorded from delivered.delivery",
    )
    assert row == [("demo-service", 1, "limited-data-set", ["2026-01", "2026-02"], 60, 1, 900, [])]
    files = small_delivery.ask(
        first_stored, "select file, rows_read, rows_kept from delivered.file order by file"
    )
    assert ("settings.csv", 4, 4) in files
    assert ("protocol.toml", None, None) in files
    cannulas = "select id, flow_max_lpm, carried from delivered.cannula"
    assert small_delivery.ask(first_stored, cannulas) == [("prong-2", 12.0, True)]
    kinds = "select distinct data_type from duckdb_columns() where schema_name = 'delivered'"
    assert {kind for (kind,) in small_delivery.ask(first_stored, kinds)} == {
        "BOOLEAN", "DOUBLE", "INTEGER", "SMALLINT", "VARCHAR", "VARCHAR[]",
    }  # fmt: skip


def test_the_same_deliveries_give_the_same_store(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.duckdb"
    small_delivery.store(other, small_delivery.write(tmp_path / "a"))
    second = small_delivery.write(tmp_path / "b", **small_delivery.swap("crew", "T2", "T9"))
    contents = []
    for one in (path, other):
        small_delivery.store(one, second)
        contents.append({t: small_delivery.ask(one, f"from delivered.{t}") for t in counts(one)})
    assert contents[0] == contents[1]


def test_what_contradicts_the_store_is_refused_and_stores_nothing(
    path: Path, tmp_path: Path
) -> None:
    before = counts(path)
    changed = small_delivery.write(
        tmp_path / "b",
        protocol=small_delivery.PROTOCOL.replace("= 50", "= 55"),
        cannulas=small_delivery.CANNULAS.replace("= 1.9", "= 2.1"),
    )
    assert sorted(refused(path, changed)) == [
        ("cannulas.toml", "cannula[prong-2]", "cannula-changed"),
        ("protocol.toml", "version", "protocol-changed"),
    ]
    export = small_delivery.EXPORT.replace("demo-service", "other")
    other = small_delivery.write(tmp_path / "c", export=export, settings="")
    assert refused(path, other) == [
        ("export.toml", "service", "service-changed"), ("settings.csv", None, "empty-file"),
    ]  # fmt: skip
    assert counts(path) == before


def test_a_month_of_the_protocol_is_taken_and_approval_is_not_a_change(
    path: Path, tmp_path: Path
) -> None:
    taken = small_delivery.write(
        tmp_path / "c", protocol=small_delivery.PROTOCOL.replace('"2026.1"', '"2026.2"')
    )
    assert refused(path, taken) == [("protocol.toml", "version", "protocol-month-taken")]
    approval = 'from_month = "2026-01"\napproved = { by = "D1", month = "2025-12" }'
    approved = small_delivery.PROTOCOL.replace('from_month = "2026-01"', approval)
    limits = small_delivery.CANNULAS.replace("= 12", "= 10") + "carried = false\n"
    small_delivery.store(
        path, small_delivery.write(tmp_path / "d", protocol=approved, cannulas=limits)
    )
    current = "select id, approved_by, approved_month from delivered.protocol"
    assert small_delivery.ask(path, current) == [("2026.1", "D1", "2025-12")]
    assert counts(path)["protocol_version"] == 2
    # nor are other limits of a cannula
    rows = "select delivery_no, flow_max_lpm, carried from delivered.cannula order by 1"
    assert small_delivery.ask(path, rows) == [(1, 12.0, True), (2, 10.0, False)]
    # the file from before the approval comes again: nothing is taken back
    small_delivery.store(
        path, small_delivery.write(tmp_path / "e", **small_delivery.swap("crew", "T2", "T3"))
    )
    assert small_delivery.ask(path, current) == [("2026.1", "D1", "2025-12")]
    other = small_delivery.write(tmp_path / "f", protocol=approved.replace("D1", "D2"))
    assert refused(path, other) == [("protocol.toml", "version", "protocol-changed")]


@pytest.mark.parametrize("content", [b"", b"hello", b"\0" * 20_000])
def test_unreadable_store(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "store.duckdb"
    path.write_bytes(content)
    with pytest.raises(Refused) as caught:
        open_store(path)
    assert [p.code for p in caught.value.problems] == ["store-unreadable"]
    assert caught.value.exit_code == 3
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    duckdb.connect(str(path)).execute("create table notes (x int)")
    with pytest.raises(Refused) as caught:
        open_store(path)
    assert [p.code for p in caught.value.problems] == ["store-unreadable"]


def test_store_that_is_missing_newer_or_a_folder(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    with pytest.raises(Refused) as caught:
        open_store(path, create=False)
    assert [p.code for p in caught.value.problems] == ["store-missing"]
    con = open_store(path)
    con.execute("update delivered.layout set version = ?", [LAYOUT_VERSION + 1])
    con.close()
    with pytest.raises(Refused) as caught:
        open_store(path)
    assert [p.code for p in caught.value.problems] == ["store-newer"]
    with pytest.raises(Refused):
        open_store(tmp_path)


def test_a_store_in_use_says_who_uses_it(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    con = open_store(path)
    code = """
import sys
from pathlib import Path
from pipeline.errors import Refused
from pipeline.store.database import open_store
try:
    open_store(Path(sys.argv[1]))
except Refused as refusal:
    print(refusal)
    sys.exit(refusal.exit_code)
"""
    other = started(code, path)
    printed = other.printed.read()
    assert other.wait() == 3
    con.close()
    assert "is using this store" in printed
    assert "Traceback" not in printed


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.ingest import load, places
from pipeline.ingest.delivery import read_delivery
from pipeline.store.database import open_store

store, delivery, moment, early = sys.argv[1:]

def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)

setattr(load, moment, die)
if early == "True":
    places.LONG_FILE_BYTES = 0
con = open_store(Path(store), threads=2)
with load.rows_stored_early(con) as begun:
    staged = read_delivery(con, Path(delivery), early=begun)
    assert early == str(begun.con is not None)
    load.load(con, staged, begun=begun)
"""


MOMENTS = [
    ("_insert_tables", False, True),
    ("_insert_outcome", False, False),
    ("_receive", False, False),
    ("drop_staged", True, True),
    ("_insert_tables", False, False),
    ("_insert_description", False, False),
    ("_insert_outcome", False, True),
    ("drop_staged", True, False),
]


@pytest.mark.parametrize(("moment", "stored", "early"), MOMENTS[: examples(4, 8)])
def test_killed_while_loading(
    path: Path, tmp_path: Path, moment: str, stored: bool, early: bool
) -> None:
    """Also where rows were stored while they were looked through, before it was the time."""
    before = counts(path)
    second = small_delivery.write(tmp_path / "b", **small_delivery.swap("trips", "8.4", "8.6"))
    killed = started(KILLED, path, second, moment, str(early))
    assert killed.wait() == -signal.SIGKILL, killed.printed.read()
    after = counts(path)
    if not stored:
        assert after == before
    _, loaded = small_delivery.store(path, second)
    assert (loaded.delivery_no, loaded.new) == (2, not stored)
    twice = {"delivery", "trips", "settings", "observations", "receipt"}
    assert all(counts(path)[name] == 2 * before[name] for name in twice)
    assert small_delivery.ask(path, HOLDING)[0] == ("007", 8.6, 2)
    assert not path.with_name("store.duckdb.tmp").exists()


def test_reading_alone_stores_nothing(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    con = open_store(path)
    read_delivery(con, small_delivery.write(tmp_path / "d"))
    con.close()
    assert counts(path)["delivery"] == 0
