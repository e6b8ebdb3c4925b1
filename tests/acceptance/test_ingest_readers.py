"""The parallel reader is believed only where it reads what the slow, strict reader reads."""

from __future__ import annotations

import tempfile
from pathlib import Path

import duckdb
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.files import read_content
from pipeline.ingest.problems import Findings
from pipeline.ingest.read import fast_source, lines_below_header, lines_source, slow_source

HEADER = ["h1", "h2", "h3"]
CELLS = [
    "a", "", '"a"', '"a,b"', '"x""y"', ' "q"', '"q" ', 'q"r', '"', " a ", '""', '"\n"', "\\", "\0",
]  # fmt: skip
ROWS = st.lists(st.sampled_from(CELLS), min_size=2, max_size=5).map(",".join)
TIDY = st.lists(ROWS, max_size=5).map("\n".join)
WILD = st.text(st.sampled_from('ab",,,\n\n \t\\é\0'), max_size=24)


con = duckdb.connect(config={"threads": 1})


@settings(max_examples=150, deadline=None, derandomize=True)
@given(body=TIDY | WILD, newline=st.sampled_from(["\n", "\r\n"]), last=st.booleans())
def test_readers_agree(body: str, newline: str, last: bool) -> None:
    text = ",".join(HEADER) + "\n" + body + ("\n" if last else "")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text.replace("\n", newline).encode())
        content = read_content(path, Findings())
        assert content is not None
        fast = fast_source(content, HEADER, HEADER)
        if fast is None:
            return
        try:
            rows = con.execute(f"select * from ({fast.sql})").fetchall()
        except (duckdb.InvalidInputException, duckdb.ConversionException):
            return
        if len(rows) != lines_below_header(content):
            return
        findings = Findings()
        slow = slow_source(con, content, HEADER, HEADER, findings)
        assert slow is not None, findings.refusals
        cells = "line, reject_code, h1, h2, h3"
        expected = con.execute(f"select {cells} from ({slow.sql}) order by line").fetchall()
    assert [(number, 0, *row) for number, row in enumerate(rows, start=2)] == expected


@settings(max_examples=150, deadline=None, derandomize=True)
@given(body=TIDY | WILD, newline=st.sampled_from(["\n", "\r\n"]), last=st.booleans())
def test_lines_are_cut_as_the_strict_reader_cuts_them(body: str, newline: str, last: bool) -> None:
    header, wanted = ["h1", "trip_id", "h3"], ["trip_id", "h3", "h1"]
    text = ",".join(header) + "\n" + body.replace('"', "") + ("\n" if last else "")
    select = f"select line, reject_code, reject_text, {', '.join(wanted)} from (%s) order by line"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text.replace("\n", newline).encode())
        content = read_content(path, Findings())
        assert content is not None
        cut = lines_source(con, content, header, wanted)
        assert cut is not None
        rows = con.execute(select % cut.sql).fetchall()
        slow = slow_source(con, content, header, wanted, Findings())
        assert slow is not None
        assert rows == con.execute(select % slow.sql).fetchall()


def test_lines_are_not_cut_where_a_quotation_mark_stands(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text('h1,h2,h3\n1,"2,3",4\n1,2\n', encoding="utf-8")
    content = read_content(path, Findings())
    assert content is not None
    assert lines_source(con, content, HEADER, HEADER) is None
