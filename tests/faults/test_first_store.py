"""Two reviews begun together where there is no store yet: one makes it, and none replaces it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from pipeline.store.database import open_store

SLOW = """
import sys
from pathlib import Path
import pipeline.store.database as database

create = database.create_layout

def slowly(con):
    create(con)
    print("laid out", flush=True)
    sys.stdin.readline()

database.create_layout = slowly
database.open_store(Path(sys.argv[1])).close()
"""

AT_ONCE = """
import sys, time
from pathlib import Path
from pipeline.store.session import open_waiting
sys.stdin.readline()
con = open_waiting(Path(sys.argv[1]), create=True)
con.execute("create schema if not exists said")
con.execute("create table if not exists said.by (who INTEGER)")
con.execute("insert into said.by values (?)", [int(sys.argv[2])])
con.close()
"""


def begin(code: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)], text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def test_a_slow_process_never_replaces_a_store_that_was_finished_meanwhile(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    slow = begin(SLOW, path)
    assert slow.stdout is not None
    assert slow.stdout.readline() == "laid out\n"
    con = open_store(path)
    con.execute("create table delivered.mark as select 7 as mark")
    con.close()
    go(slow)
    _, sentence = slow.communicate(timeout=60)
    assert (slow.returncode, sentence) == (0, "")
    con = open_store(path, create=False)
    assert con.execute("from delivered.mark").fetchall() == [(7,)]
    con.close()
    assert [p.name for p in tmp_path.iterdir()] == ["store.duckdb"]


def test_three_begun_together_all_find_what_they_stored(tmp_path: Path) -> None:
    for round_ in range(3):
        path = tmp_path / f"{round_}" / "store.duckdb"
        path.parent.mkdir()
        several = [begin(AT_ONCE, path, who) for who in range(3)]
        for process in several:
            go(process)
        sentence = [process.communicate(timeout=60)[1] for process in several]
        assert (sentence, [process.returncode for process in several]) == ([""] * 3, [0] * 3)
        con = open_store(path, create=False, read_only=True)
        assert con.execute("from said.by order by who").fetchall() == [(0,), (1,), (2,)]
        con.close()


def test_a_store_begun_by_a_killed_process_is_taken_away(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    slow = begin(SLOW, path)
    assert slow.stdout is not None
    slow.stdout.readline()
    slow.kill()
    slow.communicate()
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
