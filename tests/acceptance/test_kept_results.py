"""Heavy results are kept under what they were made from, and made again when that changed."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.store.kept_results import kept, made_from_hash


def test_a_result_is_made_once_for_what_it_was_made_from(tmp_path: Path) -> None:
    made = []

    def make() -> list[float]:
        made.append(1)
        return [0.1 + 0.2, len(made)]

    with duckdb.connect(str(tmp_path / "s.duckdb")) as con:
        first = kept(con, "draws", made_from_hash([1, 2]), make)
        assert kept(con, "draws", made_from_hash([1, 2]), make) == first == [0.1 + 0.2, 1]
        assert kept(con, "draws", made_from_hash([1, 3]), make) == [0.1 + 0.2, 2]
        assert con.execute("SELECT count(*) FROM kept.result").fetchall() == [(1,)]
    with duckdb.connect(str(tmp_path / "s.duckdb"), read_only=True) as con:
        assert kept(con, "draws", made_from_hash([1, 3]), make) == [0.1 + 0.2, 2]
        assert kept(con, "draws", made_from_hash([9]), make) == [0.1 + 0.2, 3]
