"""Parquet as other systems write it: in folders that tell a column, with decimals, with lists."""

from __future__ import annotations

import os
from pathlib import Path

import duckdb
import pytest

from tests.acceptance import small_delivery
from tests.acceptance.command_runs import Run, refused


def settings_file(folder: Path, select: str) -> None:
    duckdb.sql(f"copy ({select}) to '{folder}/settings.parquet'")


def stored(store: Path, folder: Path) -> list[tuple[object, ...]]:
    small_delivery.store(store, folder)
    return small_delivery.ask(
        store, "select at_s, flow_lpm, source from delivered.settings order by at_s"
    )


ROWS = "select '007' as trip_id, {} as at_s, 'wall' as source, {} as flow_lpm"


def test_the_name_of_a_folder_tells_no_column(tmp_path: Path) -> None:
    """`source=cylinder` is how folders are named that hold a part of a table each."""
    folder = small_delivery.write(tmp_path / "source=cylinder" / "at_s=99" / "d", settings=None)
    settings_file(folder, ROWS.format(60, 8.5))
    assert stored(tmp_path / "store.duckdb", folder) == [(60, 8.5, "wall")]


def test_decimals_are_the_numbers_they_are(tmp_path: Path) -> None:
    folder = small_delivery.write(tmp_path / "d", settings=None)
    select = ROWS.format("{}::DECIMAL(12,3)", "{}::DECIMAL(6,2)")
    settings_file(folder, f"{select.format(600, 8.5)} union all {select.format(0, 30)}")
    assert small_delivery.aside(folder) == []
    assert stored(tmp_path / "store.duckdb", folder) == [(0, 30, "wall"), (600, 8.5, "wall")]


@pytest.mark.parametrize("cell", ["[8.5]", "{'a': 8.5}", "map {'a': 8.5}", "[{'flow': 8}]"])
def test_cells_of_several_values_are_refused_in_a_sentence(tmp_path: Path, cell: str) -> None:
    folder = small_delivery.write(tmp_path / "d", settings=None)
    settings_file(folder, ROWS.format(60, cell))
    problem = small_delivery.only(small_delivery.refusals(folder))
    assert (problem.code, problem.file, problem.column) == (
        "nested-column", "settings.parquet", "flow_lpm",
    )  # fmt: skip


def test_a_name_that_is_not_utf8_is_refused_in_a_sentence(tmp_path: Path, run: Run) -> None:
    name = os.fsdecode(os.fsencode(str(tmp_path)) + b"/out\xff")
    folder = small_delivery.write(tmp_path / "d")
    for arguments in (("review", folder, "--into", name), ("check", name),
                      ("ledger", "--into", name), ("map", folder, "--to", name)):  # fmt: skip
        refused(run(*arguments), 2, '/out\\xff" is not written in UTF-8')
    assert sorted(p.name for p in tmp_path.iterdir()) == ["d", "here"]


def test_a_file_damaged_behind_its_header_is_refused_in_a_sentence(tmp_path: Path) -> None:
    text = "\n".join(["trip_id,at_s,spo2_pct", *(f"T{n},{n},95" for n in range(1, 400))])
    folder = small_delivery.write(tmp_path / "d", observations=None)
    path = folder / "observations.parquet"
    (tmp_path / "rows.csv").write_text(text, encoding="utf-8")
    duckdb.sql(f"copy (from read_csv('{tmp_path / 'rows.csv'}')) to '{path}' (format parquet)")
    damaged = bytearray(path.read_bytes())
    damaged[4:400] = bytes(396)
    path.write_bytes(damaged)
    problem = small_delivery.only(small_delivery.refusals(folder))
    assert (problem.code, problem.file) == ("not-parquet", "observations.parquet")
