"""Heavy results are kept under what they were made from, and made again when that changed."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest

from pipeline.kept_month import kept_month
from pipeline.review import review
from pipeline.store import kept_results
from pipeline.store.database import open_store
from pipeline.store.kept_results import found_kept, keep, kept, made_from_hash, state, table_marks
from schemas.frame import Frame, whole_numbers
from schemas.kinds import Kind

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


def test_a_result_is_made_once_for_what_it_was_made_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []

    def make() -> list[float]:
        made.append(1)
        return [0.1 + 0.2, len(made)]

    with duckdb.connect(str(tmp_path / "s.duckdb")) as con:
        first = kept(con, "draws", made_from_hash([1, 2]), make)
        assert kept(con, "draws", made_from_hash([1, 2]), make) == first == [0.1 + 0.2, 1]
        assert kept(con, "draws", made_from_hash([1, 3]), make) == [0.1 + 0.2, 2]
        assert con.execute("SELECT count(*) FROM kept.made").fetchall() == [(1,)]
    with duckdb.connect(str(tmp_path / "s.duckdb"), read_only=True) as con:
        assert kept(con, "draws", made_from_hash([1, 3]), make) == [0.1 + 0.2, 2]
        assert kept(con, "draws", made_from_hash([9]), make) == [0.1 + 0.2, 3]
    with duckdb.connect(str(tmp_path / "s.duckdb")) as con:
        monkeypatch.setattr(kept_results, "program", lambda: "another")
        assert kept(con, "draws", made_from_hash([1, 3]), make) == [0.1 + 0.2, 4]


def test_what_comes_back_is_what_was_made() -> None:
    frame = Frame({
        "n": whole_numbers([1, None]), "x": [0.1 + 0.2, float("nan")], "t": ["a", None],
        "b": [True, False], "m": np.ma.masked_array([True, False], [False, True]),
    })  # fmt: skip
    made = {"frame": frame, "own": Kind("int32", "INT"), "bytes": b"\0\xff", "none": (None, {1})}
    with duckdb.connect() as con:
        keep(con, "all", "", made)
        (found,) = found_kept(con, "all", "")
    back = found.pop("frame")
    del made["frame"]
    assert back.records() == frame.records()
    assert {n: c.dtype for n, c in back.columns.items()} == {
        n: c.dtype for n, c in frame.columns.items()
    }
    assert found == made


class Runs:
    """What runs a command where it is read back as pickles are."""

    def __reduce__(self) -> tuple[Any, ...]:
        return (eval, ("1 / 0",))


@dataclass
class Strange:
    """A class that is none of the program's."""


@pytest.mark.parametrize("made", [Runs(), Strange(), Path("x")])
def test_a_store_runs_nothing_when_read_and_what_is_strange_is_made_again(made: object) -> None:
    with duckdb.connect() as con:
        keep(con, "it", "", made)
        assert found_kept(con, "it", "") == []
        assert kept(con, "it", "", lambda: 7) == 7


def test_what_is_damaged_is_made_again() -> None:
    with duckdb.connect() as con:
        for content in (b"", b"\x00" * 9, pickle.dumps(1)):
            keep(con, "it", "", 1)
            con.execute("UPDATE kept.made SET content = ?", [content])
            assert kept(con, "it", "", lambda: 7) == 7


def test_the_oldest_go_where_there_is_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_results, "MOST_BYTES", 60)
    with duckdb.connect() as con:
        for number in range(9):
            keep(con, f"result {number}", "", number)
        names = con.execute("SELECT name FROM kept.made ORDER BY made_no").fetchall()
        assert 0 < len(names) < 9
        assert names[-1] == ("result 8",)
        assert names == sorted(names)


@pytest.mark.parametrize(
    "change",
    ["INSERT INTO s.t VALUES (3, 'c')", "DELETE FROM s.t WHERE n = 1", "UPDATE s.t SET v = NULL",
     "UPDATE s.t SET n = NULL, v = '1' WHERE n = 1", "CREATE TABLE s.other (n INTEGER)",
     "INSERT INTO s.t VALUES (NULL, NULL)"],
)  # fmt: skip
def test_the_state_changes_with_any_row(change: str) -> None:
    with duckdb.connect() as con:
        con.execute("CREATE SCHEMA s; CREATE TABLE s.t (n INTEGER, v VARCHAR)")
        con.execute("INSERT INTO s.t VALUES (1, NULL), (2, 'b')")
        before = state(con, "s")
        assert before == state(con, "s")
        con.execute(change)
        assert before != state(con, "s")
        assert state(con, "s", "t", "other") == {}


@pytest.mark.parametrize(
    "change",
    ["INSERT INTO t VALUES (3, 'c')", "UPDATE t SET v = 'x' WHERE n = 2", "DROP TABLE t",
     "CREATE OR REPLACE TEMP TABLE t AS FROM t ORDER BY n DESC",
     "ALTER TABLE t RENAME v TO w",
     "CREATE OR REPLACE TEMP TABLE t AS SELECT n::DOUBLE AS n, v FROM t",
     "UPDATE t SET n = NULL, v = '1' WHERE n = 1"],
)  # fmt: skip
def test_a_tables_mark_changes_with_rows_their_order_and_columns(change: str) -> None:
    made = "CREATE OR REPLACE TEMP TABLE t AS SELECT * FROM (VALUES (1, NULL), (2, 'b')) r(n, v)"
    with duckdb.connect() as con:
        con.execute(made)
        before = table_marks(con, ["t"])["t"]
        con.execute(made)
        assert table_marks(con, ["t"])["t"] == before
        assert before[0] == 2
        con.execute(change)
        con.execute("CREATE TEMP TABLE IF NOT EXISTS t AS SELECT 1::INTEGER AS n, 'b' AS v")
        assert table_marks(con, ["t"])["t"] != before


def test_a_month_comes_back_as_it_was_gathered(tmp_path: Path) -> None:
    reviewed = review(small_delivery.write(tmp_path / "delivery"), tmp_path / "out").month
    asked: list[str] = []
    con = open_store(tmp_path / "out" / "store.duckdb")
    try:
        found = kept_month(con, reviewed.month, asked.append)
    finally:
        con.close()
    assert asked == ["what is kept"]
    assert found.rules == reviewed.rules
    for name in ("measures", "cases", "occlusions", "problems", "what_if"):
        assert getattr(found, name).records() == getattr(reviewed, name).records()
