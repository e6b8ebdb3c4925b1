"""Inputs at random into every reader: no traceback, no hang, nothing half-stored.

A few inputs of a fixed seed; many with `pytest --deep`. TAILRACE_FUZZ sets the number of inputs for
each target, and another seed each time; more than a few hundred take long.
"""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import Any

import duckdb
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.mapping.words import toml
from pipeline.simulate.service import protocol_text
from tests.deep import examples
from tests.mapping import fuzzing, reports_system, small_source, test_reports, wide_csv

EXAMPLES = int(os.environ.get("TAILRACE_FUZZ", examples(3, 300)))
fuzz = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize="TAILRACE_FUZZ" not in os.environ,
    suppress_health_check=list(HealthCheck),
)


@st.composite
def mutated(draw: st.DrawFn, seed: bytes) -> bytes:
    """A sound input with some bytes cut, swapped, repeated or put in."""
    data = bytearray(seed)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        length = draw(st.integers(1, 40))
        kind = draw(st.sampled_from(["cut", "set", "put", "copy"]))
        piece = draw(st.one_of(st.binary(min_size=1, max_size=8), st.sampled_from(PIECES)))
        if kind == "cut":
            del data[at : at + length]
        elif kind == "set":
            data[at : at + len(piece)] = piece
        elif kind == "put":
            data[at:at] = piece
        else:
            other = draw(st.integers(0, max(len(data) - 1, 0)))
            data[at:at] = data[other : other + length]
    return bytes(data)


PIECES = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"'", b"\r", b"\n", b"\r\n", b",", b";",
    b"[[", b"]]", b"{", b"}", b"=", b"#", b"\\", b"-1", b"1e999", b"nan", b"9" * 30, b"&a;",
    b"<![CDATA[", b"]]>", b"<!--", b"<?", b"/>", b"xsi:nil='true'", b"NV='7701001'", b"{n}", b"%Y",
    b"2026-02-30", b"\xf0\x9f\x98\x80", b"\xed\xa0\x80", b"\x1b[31m",
]  # fmt: skip

TABLE = (small_source.TRIPS + '"a\nb",2026-03,"x ""y""",ground,1,z\n').encode()


@fuzz
@given(st.one_of(st.binary(max_size=400), mutated(wide_csv.MAPPING.encode()),
                 mutated(reports_system.MAPPING.encode())))  # fmt: skip
@example(b"x = " + b"[" * 100_000)
@example(b"x = " + b"9" * 5000)
@example(b"mapping = 1\nextends = 'nemsis-3.5'\ntables = 1")
@example(b"mapping = 1\nextends = 'nemsis-3.5'\nnot_recorded = 1\ntables = []")
def test_mapping_files(data: bytes) -> None:
    fuzzing.mapping(data)


@fuzz
@given(
    st.one_of(st.binary(max_size=400), mutated(protocol_text("2026-01", all_rules=True).encode()))
)
@example(b"x = " + b"[" * 100_000)
@example(b"x = " + b"9" * 5000)
def test_protocol_files(data: bytes) -> None:
    fuzzing.protocol(data)


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-3, 70), st.floats(), st.text(max_size=6),
              st.sampled_from(["trips", "iso", "bedside", "min", "%H:%M", "{n}", "1-3", "lb"])),
    lambda inner: st.one_of(st.lists(inner, max_size=3),
                            st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=6,
)  # fmt: skip


def written(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, dict):
        inner = ", ".join(f"{toml(k)} = {written(v)}" for k, v in value.items() if v is not None)
        return f"{{ {inner} }}"
    if isinstance(value, list):
        return f"[{', '.join(written(v) for v in value if v is not None)}]"
    if isinstance(value, float):
        return repr(value)
    return toml(value)


@fuzz
@given(st.data())
def test_mapping_files_with_keys_of_other_kinds(data: st.DataObject) -> None:
    """Each key of a sound mapping may hold anything at all."""
    lines = wide_csv.MAPPING.splitlines()
    keys = [n for n, line in enumerate(lines) if " = " in line]
    for at in data.draw(st.lists(st.sampled_from(keys), min_size=1, max_size=3)):
        value = data.draw(VALUES)
        key = lines[at].partition(" = ")[0]
        lines[at] = "" if value is None else f"{key} = {written(value)}"
    text = "\n".join(lines).encode("utf-8", "surrogatepass")
    fuzzing.mapping(text)


@fuzz
@given(st.one_of(st.binary(max_size=300), mutated(TABLE), mutated(TABLE.decode().encode("utf-16"))))
@example(b"\xff\xfe")
@example(b'case,kg\n"' + b"\n" * 2000)
@example(b"case,kg\r\r\n1,2\r")
def test_delimited_files(data: bytes) -> None:
    fuzzing.delimited(data)


@fuzz
@given(st.one_of(st.binary(max_size=300), mutated(TABLE)))
@example(b"x\n")
def test_drafts(data: bytes) -> None:
    fuzzing.suggested(data)


DOCUMENT = test_reports.document(
    test_reports.report(
        vitals='<eVitals.VitalGroup CorrelationID="v"><eVitals.01>2015-03-03T10:00:00Z</eVitals.01>'
        '<eVitals.12 xsi:nil="true" NV="7701003"/></eVitals.VitalGroup>',
        results=test_reports.result("hf-set", "2015-03-03T10:00:00Z", own="a")
        + test_reports.result("hf-flow", "8", ref="a"),
    )
).encode()


@fuzz
@given(st.one_of(st.binary(max_size=300), mutated(DOCUMENT), mutated(DOCUMENT[400:])))
def test_reports_documents(data: bytes) -> None:
    fuzzing.reports(data)


BOOK = fuzzing.book([["case", "kg"], ["a", 8.5], [None, "x"]])
SHEET = b""


def sheet_of(data: bytes) -> bytes:
    import zipfile

    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return book.read("xl/worksheets/sheet1.xml")


@fuzz
@given(mutated(BOOK))
def test_workbooks(data: bytes) -> None:
    fuzzing.workbook(data)


@fuzz
@given(mutated(sheet_of(BOOK)))
def test_sheets_of_workbooks(sheet: bytes) -> None:
    fuzzing.workbook(fuzzing.repacked(BOOK, "sheet1.xml", sheet))


CREW = b'trip_id,crew_member,role\n007,c1,nurse\nT2,c2,"respiratory\ntherapist"\n'
CREW_BOOK = fuzzing.book(
    [["trip_id", "crew_member", "role"], ["007", "c1", "nurse"], [7, 8.5, None]], "crew"
)


@settings(fuzz, max_examples=max(EXAMPLES // 3, 8))
@given(st.one_of(st.binary(max_size=300), mutated(CREW)))
@example(CREW.replace(b"c1", b"c\x001"))
@example(CREW + b'"' + b"\n" * 2000)
def test_tables_of_deliveries(data: bytes) -> None:
    fuzzing.delivered(data)


@settings(fuzz, max_examples=max(EXAMPLES // 3, 8))
@given(mutated(sheet_of(CREW_BOOK)))
def test_sheets_of_deliveries(sheet: bytes) -> None:
    fuzzing.delivered_book(fuzzing.repacked(CREW_BOOK, "sheet1.xml", sheet))


def parquet_bytes() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "p.parquet"
        duckdb.sql("select 'a' as \"case\", 8.5 as kg from range(9)").write_parquet(str(path))
        return path.read_bytes()


@fuzz
@given(mutated(parquet_bytes()))
def test_parquet_files(data: bytes) -> None:
    fuzzing.parquet(data)


CELLS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["", " ", "-", "1", "-1.5", "1,5", "1e400", "NaN", "2026-03",
                     "2026-03-29 02:30",
                     "29/03/2026 02:30", "25/10/2026 02:30", "10:35", "99:99", "wall", "true"]),
)  # fmt: skip
WHOLE = """
[files.settings]
path = "settings.csv"
decimal = ","
[tables.settings]
from = "settings"
repeat = "1-2"
[tables.settings.columns]
trip_id = "case"
at_s = { from = "when_{n}", time = ["iso", "%d/%m/%Y %H:%M"] }
flow_lpm = { from = "flow_{n}", unit = "mL/min" }
fio2 = { from = "o2_{n}", unit = { column = "case", means = { a = "percent", b = "1" } } }
source = { from = "gas_{n}", codes = { "w*" = "wall", "" = "" } }
"""


@settings(fuzz, max_examples=max(EXAMPLES // 4, 4))
@given(st.lists(st.lists(CELLS, min_size=9, max_size=9), max_size=6), st.lists(CELLS, max_size=4))
def test_cells_of_any_kind(rows: list[list[str]], bedside: list[str]) -> None:
    """Whatever the cells hold: a delivery that can be checked, or nothing."""
    import csv

    with tempfile.TemporaryDirectory() as made:
        trips = io.StringIO()
        writer = csv.writer(trips)
        writer.writerow(["case", "site", "kind", "dx", "at"])
        writer.writerow(["ok", "b", "ground", "x", "2026-03-29 01:30"])
        writer.writerows(["ab"[n % 2], "b", "ground", "x", at] for n, at in enumerate(bedside))
        settings_ = io.StringIO()
        writer = csv.writer(settings_)
        heads = [f"{name}_{n}" for n in (1, 2) for name in ("when", "flow", "o2", "gas")]
        writer.writerows([["case", *heads], *rows])
        files: dict[str, str | bytes] = {
            name: text.getvalue().encode("utf-8", "replace")
            for name, text in (("trips.csv", trips), ("settings.csv", settings_))
        }
        folder = small_source.source(
            Path(made) / "in", files, mapped=("settings",), top='time_zone = "Europe/Berlin"',
            trips='bedside = { from = "at", time = ["iso", "%d/%m/%Y %H:%M"] }', more=WHOLE,
        )  # fmt: skip
        if not fuzzing.whole(folder):
            return
        for row in small_source.rows(folder, "settings"):
            assert row["source"] in ("", "wall", "unreadable")
            for name in ("at_s", "flow_lpm", "fio2"):
                assert row[name] in ("", "unreadable") or float(row[name]) is not None


@pytest.mark.parametrize("name", sorted(fuzzing.TARGETS))
def test_every_target_is_fuzzed(name: str) -> None:
    source = Path(__file__).read_text(encoding="utf-8")
    assert f"fuzzing.{name}(" in source
