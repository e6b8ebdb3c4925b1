"""The same delivery gives the same bytes, whatever the number of threads and however little memory.

Once as anybody does, and once with all that may make a difference; with `--deep` by parts of it,
too.

A small delivery would be worked through by one thread and in memory: DuckDB is told to divide even
that among its threads, and to put its sorting and joining on disk; and with more than one thread
other processes write the workbook and some of the pages, as those of a larger month are.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb
import pytest

from pipeline.review import review
from pipeline.runtime import worker_process as apart
from pipeline.store import database as store
from tests.deep import examples

from .command_runs import Reviewed

LITTLE = "100MB"


def written(
    delivery: Path,
    into: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    threads: int,
    memory: str | None,
    processes: int,
) -> dict[str, str]:
    """Review with so many threads; the hash of every file but the store itself, by name.

    What is reviewed once more, and what is kept and drawn once more, is the same.
    """
    connect, settings = store._connect, store._config

    def divided(*arguments: object, **named: object) -> duckdb.DuckDBPyConnection:
        con = connect(*arguments, **named)  # type: ignore[arg-type]
        if threads > 1:
            con.execute("PRAGMA verify_parallelism")
        if memory:
            con.execute("SET debug_force_external = true")
        return con

    with monkeypatch.context() as patched:
        patched.setattr(apart, "processors", lambda: processes)
        patched.setattr("pipeline.review.processors", lambda: processes)
        patched.setattr("pipeline.review.MANY_TRIPS", 1)
        patched.setattr(store, "_connect", divided)
        patched.setattr(store, "_config", lambda spill, *_: settings(spill, memory, threads))
        review(delivery, into)
        first = hashes(into)
        review(delivery, into)
        assert hashes(into) == first
        # what is kept is taken, and the page drawn from it
        (into / max(reviewed_in(into)) / "index.html").unlink()
        review(delivery, into)
    with duckdb.connect(into / "store.duckdb", read_only=True) as con:
        kept = con.execute("SELECT count(*) FROM judged.verdict").fetchone()
    assert kept is not None
    assert kept[0] > 0
    assert hashes(into) == first
    return first


def reviewed_in(into: Path) -> list[str]:
    return [path.name for path in into.iterdir() if (path / "index.html").exists()]


def hashes(into: Path) -> dict[str, str]:
    """The hash of every file but the store itself, by name."""
    return {
        path.relative_to(into).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(into.rglob("*"))
        if path.is_file() and not path.name.startswith("store.duckdb")
    }


def test_threads_and_memory_change_no_byte(
    dirty_delivery: Path,
    dirty_review: Reviewed,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def by(threads: int, processes: int, memory: str | None = None) -> dict[str, str]:
        folder = tmp_path / f"{threads} {processes} {memory}"
        return written(
            dirty_delivery, folder, monkeypatch,
            threads=threads, processes=processes, memory=memory,
        )  # fmt: skip

    alone = hashes(dirty_review.out)
    assert {Path(name).suffix for name in alone} >= {".html", ".csv", ".xlsx", ".json"}
    assert by(4, 2, LITTLE) == alone
    if examples(0, 1):
        assert by(1, 1) == alone
        assert by(2, 2) == alone
        assert by(4, 4, LITTLE) == alone
