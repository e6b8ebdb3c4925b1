"""Two reviews begun together where there is no store yet: one makes it, and none replaces it."""

from __future__ import annotations

from pathlib import Path

from pipeline.store.database import open_store
from tests.process import started

SLOW = """
import sys, time
from pathlib import Path
import pipeline.store.database as database

create = database.create_layout

def slowly(con):
    create(con)
    print("laid out", flush=True)
    while not Path(sys.argv[2]).exists():
        time.sleep(0.001)

database.create_layout = slowly
database.open_store(Path(sys.argv[1])).close()
"""

AT_ONCE = """
import sys, time
from pathlib import Path
from pipeline.store.session import open_waiting
print("there", flush=True)
while not Path(sys.argv[3]).exists():
    time.sleep(0.001)
con = open_waiting(Path(sys.argv[1]), create=True)
con.execute("create schema if not exists said")
con.execute("create table if not exists said.by (who INTEGER)")
con.execute("insert into said.by values (?)", [int(sys.argv[2])])
con.close()
"""


def test_a_slow_process_never_replaces_a_store_that_was_finished_meanwhile(tmp_path: Path) -> None:
    path, go = tmp_path / "kept" / "store.duckdb", tmp_path / "go"
    path.parent.mkdir()
    slow = started(SLOW, path, go)
    assert slow.printed.readline() == "laid out\n"
    con = open_store(path)
    con.execute("create table delivered.mark as select 7 as mark")
    con.close()
    go.touch()
    assert (slow.wait(), slow.printed.read()) == (0, "")
    con = open_store(path, create=False)
    assert con.execute("from delivered.mark").fetchall() == [(7,)]
    con.close()
    assert [p.name for p in path.parent.iterdir()] == ["store.duckdb"]


def test_three_begun_together_all_find_what_they_stored(tmp_path: Path) -> None:
    for round_ in range(3):
        path, go = tmp_path / f"{round_}" / "store.duckdb", tmp_path / f"go-{round_}"
        path.parent.mkdir()
        several = [started(AT_ONCE, path, who, go) for who in range(3)]
        assert [process.printed.readline() for process in several] == ["there\n"] * 3
        go.touch()
        ends = [(process.wait(), process.printed.read()) for process in several]
        assert ends == [(0, "")] * 3
        con = open_store(path, create=False, read_only=True)
        assert con.execute("from said.by order by who").fetchall() == [(0,), (1,), (2,)]
        con.close()


def test_a_store_begun_by_a_killed_process_is_taken_away(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    slow = started(SLOW, path, tmp_path / "never")
    assert slow.printed.readline() == "laid out\n"
    slow.kill()
    assert not path.exists()
    assert list(tmp_path.iterdir())
    open_store(path).close()
    assert [p.name for p in tmp_path.iterdir()] == ["store.duckdb"]


def test_where_files_have_one_name_only(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """As on exFAT, and on some shares: no second name, and then no renaming that never replaces."""
    from pipeline.store import renaming

    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", no_links)
    for can in (renaming._renameat2, lambda *_: False):
        monkeypatch.setattr(renaming, "_renameat2", can)
        made, path = tmp_path / "made", tmp_path / "named"
        made.write_text("1")
        assert renaming.name_unless_taken(made, path)
        made.write_text("2")
        assert not renaming.name_unless_taken(made, path)
        assert path.read_text() == "1"
        path.unlink()
