"""The parallel reader is believed only where it reads what the slow, strict reader reads."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.files import delimited
from pipeline.files.content import read_content
from pipeline.files.delimited import (
    SIZES,
    Delimited,
    fitting_rows,
    lines_rows,
    quick_rows,
    rows_expected,
    slow_rows,
)
from pipeline.files.text_rows import Columns, TextRows
from pipeline.ingest import stage
from pipeline.ingest.delivery_files import read_part
from pipeline.ingest.file_readers import TableFile
from pipeline.ingest.problems import Findings
from pipeline.ingest.rows_of_trips import reading
from schemas.contract import TABLES
from tests.deep import examples

HEADER = ["h1", "h2", "h3"]
CELLS = [
    "a", "", '"a"', '"a,b"', '"x""y"', ' "q"', '"q" ', 'q"r', '"', " a ", '""', '"\n"', "\\", "\0",
]  # fmt: skip
ROWS = st.lists(st.sampled_from(CELLS), min_size=2, max_size=5).map(",".join)
TIDY = st.lists(ROWS, max_size=5).map("\n".join)
RAGGED_ROWS = st.lists(
    st.lists(st.sampled_from(["a", "", "b c"]), min_size=1, max_size=5).map(",".join), max_size=8
).map("\n".join)
WILD = st.text(st.sampled_from('ab",,,\n\n \t\\é\0'), max_size=24)


con = duckdb.connect(config={"threads": 1})


def read(path: Path, header: list[str], wanted: list[str]) -> tuple[Delimited, Columns]:
    text = read_content(path).text
    assert text is not None
    return Delimited(text, header), {name: header.index(name) for name in wanted}


@settings(max_examples=examples(30, 600), deadline=None, derandomize=True)
@given(body=TIDY | WILD, newline=st.sampled_from(["\n", "\r\n"]), last=st.booleans())
def test_readers_agree(body: str, newline: str, last: bool) -> None:
    text = ",".join(HEADER) + "\n" + body + ("\n" if last else "")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text.replace("\n", newline).encode())
        file, columns = read(path, HEADER, HEADER)
        quick = quick_rows(file, columns)
        if quick is None:
            return
        try:
            rows = con.execute(f"select * from ({quick.sql})").fetchall()
        except (duckdb.InvalidInputException, duckdb.ConversionException):
            return
        if len(rows) != rows_expected(file):
            return
        slow = slow_rows(con, file, columns, "raw_slow")
        cells = "line, reject_code, h1, h2, h3"
        expected = con.execute(f"select {cells} from ({slow.sql}) order by line").fetchall()
    assert [(number, 0, *row) for number, row in enumerate(rows, start=2)] == expected


@settings(max_examples=examples(20, 400), deadline=None, derandomize=True)
@given(body=TIDY | WILD, newline=st.sampled_from(["\n", "\r\n"]), last=st.booleans())
def test_lines_are_cut_as_the_strict_reader_cuts_them(body: str, newline: str, last: bool) -> None:
    header, wanted = ["h1", "trip_id", "h3"], ["trip_id", "h3", "h1"]
    text = ",".join(header) + "\n" + body.replace('"', "") + ("\n" if last else "")
    select = f"select line, reject_code, reject_text, {', '.join(wanted)} from (%s) order by line"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text.replace("\n", newline).encode())
        file, columns = read(path, header, wanted)
        cut = lines_rows(con, file, columns, "raw_lines")
        assert cut is not None
        rows = con.execute(select % cut.sql).fetchall()
        slow = slow_rows(con, file, columns, "raw_slow")
        assert rows == con.execute(select % slow.sql).fetchall()


@settings(max_examples=examples(30, 600), deadline=None, derandomize=True)
@given(body=TIDY | WILD | RAGGED_ROWS, newline=st.sampled_from(["\n", "\r\n"]), last=st.booleans())
def test_rows_that_fit_and_those_that_do_not_are_those_of_the_strict_reader(
    body: str, newline: str, last: bool
) -> None:
    text = ",".join(HEADER) + "\n" + body + ("\n" if last else "")
    select = "select {} as line, {}, h1, h2, h3 from {} order by line"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text.replace("\n", newline).encode())
        file, columns = read(path, HEADER, HEADER)

        def create(rows: TextRows) -> int:
            con.execute(f"create or replace temp table fitting as {rows.sql}")
            return int(con.execute("select count(*) from fitting").fetchall()[0][0])

        found = fitting_rows(con, file, columns, "raw_rejected", create)
        if not found:
            return
        rows = con.execute(select.format(found[0].line, "0, null", "fitting")).fetchall()
        cut = "reject_code, reject_text"
        for rejected in found[1:]:
            rows += con.execute(select.format("line", cut, f"({rejected.sql})")).fetchall()
        slow = slow_rows(con, file, columns, "raw_slow")
        assert sorted(rows) == con.execute(select.format("line", cut, f"({slow.sql})")).fetchall()


def test_lines_are_not_cut_where_a_quotation_mark_stands(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text('h1,h2,h3\n1,"2,3",4\n1,2\n', encoding="utf-8")
    assert lines_rows(con, *read(path, HEADER, HEADER), "raw_lines") is None


def test_lines_are_those_of_the_file_whatever_the_number_of_threads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, header = 100_000, list(TABLES["settings"].to_schema().columns)
    path = tmp_path / "settings.csv"

    def in_small_parts(
        file: Delimited, columns: Columns, *, and_rejects: bool = False
    ) -> TextRows | None:
        # a file is read in parallel from some MB on: as small as that, this one is, too
        source = quick_rows(file, columns, and_rejects=and_rejects)
        assert source is not None
        assert SIZES in source.sql
        small = "max_line_size=10000, buffer_size=100000"
        return replace(source, sql=source.sql.replace(SIZES, small))

    monkeypatch.setattr(delimited, "quick_rows", in_small_parts)
    with duckdb.connect(config={"threads": 4}) as wide:
        # the columns with codes are those whose check DuckDB would make a join of
        wide.execute(
            f"copy (select range + 2 as trip_id, range % 9000 as at_s, 'high_flow' as support,"
            f" 'wall' as source, 8 as flow_lpm, 0.4 as fio2, 'heated' as humidification,"
            f" 'prong-2' as cannula, 'check' as reason from range({rows})) to '{path}' (header)"
        )
        content = read_part(path, Findings())
        assert content is not None
        stage.prepare(wide)
        file = TableFile("settings", content, header, header)
        with reading(wide, [file]) as begun:
            assert stage.stage_table(wide, file, Findings(), begun)
        (found,) = wide.execute(
            "select count(*) filter (trip_id = line::VARCHAR) from staged_settings"
        ).fetchall()
    assert found == (rows,)
