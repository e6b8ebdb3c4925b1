"""The same tables give the same stored rows, by whichever reader and with whatever resources."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import duckdb
import pytest

from pipeline.files import content, delimited, pieces
from pipeline.ingest import file_readers, places, rows_of_trips
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.early_rows import EarlyRows
from pipeline.ingest.load import load, rows_stored_early
from pipeline.store.database import open_store
from schemas.contract import TABLES
from schemas.stored import CHILD_TABLES
from tests.deep import examples

pytestmark = pytest.mark.usefixtures("without_screen")

RAGGED = "T,0\n"
EVERY = [(by, kind) for kind in ("csv", "parquet", "ragged") for by in ("trip_id", "hash(t), t")]
"""Files as they are found, and whether their trips are in order; in short the first in pieces, and
each kind whole in `test_reader_threads_and_memory_change_no_row`."""


def shuffled(delivery: Path, into: Path, kind: str, by: str = "hash(t), t") -> Path:
    """The delivery with the rows of each trip's tables in an order of no meaning, as `kind`."""
    shutil.copytree(delivery, into)
    for table in TABLES:
        file = into / f"{table}.csv"
        if not file.exists():
            continue
        source = f"read_csv('{file}', all_varchar=true, header=true)"
        order = f"order by {by}" if table in CHILD_TABLES else ""
        con = duckdb.connect()
        con.execute(f"create table rows as from {source} t {order}")
        if kind == "parquet":
            file.unlink()
            con.execute(f"copy rows to '{file.with_suffix('.parquet')}'")
            continue
        con.execute(f"copy rows to '{file}' (header)")
        if table in CHILD_TABLES and kind != "csv":
            with file.open("a", encoding="utf-8") as more:
                more.write(RAGGED)
    return into


end = EarlyRows.end


def stored(
    delivery: Path,
    into: Path,
    *,
    threads: int | None = None,
    memory: str | None = None,
    without: str = "exclude (line)",
) -> dict[str, list[tuple[object, ...]]]:
    """The rows of every table of trips, in the order they are stored in, without their lines."""
    with closing(open_store(into, threads=threads, memory_limit=memory)) as con:
        if memory:
            con.execute("SET debug_force_external = true")
        with rows_stored_early(con) as early:
            load(con, read_delivery(con, delivery, early=early), begun=early)
        return {
            table: con.execute(
                f"select * {without} from delivered.{table} order by rowid"
            ).fetchall()
            for table in ("trips", *CHILD_TABLES, *([] if without else ["set_aside"]))
        }


@pytest.fixture(scope="module")
def csv(clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shuffled(clean_delivery, tmp_path_factory.mktemp("shuffled") / "csv", "csv")


@pytest.fixture(scope="module")
def first(csv: Path) -> dict[str, list[tuple[object, ...]]]:
    """What is stored of it by one thread."""
    found = stored(csv, csv.parent / "first.duckdb", threads=1)
    assert all(found.values())
    return found


def test_reader_threads_and_memory_change_no_row(
    clean_delivery: Path,
    csv: Path,
    first: dict[str, list[tuple[object, ...]]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for threads, memory in ((4, "100MB"), (2, None))[: examples(1, 2)]:
        found = stored(csv, tmp_path / f"{threads}.duckdb", threads=threads, memory=memory)
        assert found == first
    parquet = shuffled(clean_delivery, tmp_path / "parquet", "parquet")
    assert stored(parquet, tmp_path / "parquet.duckdb") == first
    ragged = shuffled(clean_delivery, tmp_path / "ragged", "ragged")
    assert stored(ragged, tmp_path / "lines.duckdb") == first
    monkeypatch.setattr(delimited, "lines_rows", lambda *_: None)
    assert stored(ragged, tmp_path / "slow.duckdb") == first


@pytest.mark.parametrize(("by", "kind"), EVERY if examples(0, 1) else EVERY[:1])
def test_pieces_of_a_file_change_no_row(
    clean_delivery: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, by: str
) -> None:
    delivery = shuffled(clean_delivery, tmp_path / kind, kind, by)
    for table in CHILD_TABLES if kind == "ragged" else ():
        file = delivery / f"{table}.csv"
        lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
        # a row that does not fit, one that only has delimiters after its end, two in a row
        lines[7:7] = [RAGGED, lines[5].replace("\n", ",\n"), RAGGED, "T\n"]
        file.write_text("".join(lines), encoding="utf-8")
    whole = stored(delivery, tmp_path / "whole.duckdb", without="")
    parts: list[int] = []
    monkeypatch.setattr(content, "CHUNK", 1000)
    monkeypatch.setattr(pieces, "PIECE", 1_500)
    monkeypatch.setattr(file_readers, "ROWS_OF_A_PIECE", 100)
    monkeypatch.setattr(places, "LONG_FILE_BYTES", 0)
    in_order = rows_of_trips._in_order

    def counted(
        con: duckdb.DuckDBPyConnection,
        file: file_readers.TableFile,
        read: list[rows_of_trips.Rows],
        into: str,
    ) -> str:
        parts.append(len(read))
        assert all(part.relation.startswith("incoming.") for part in read)
        return in_order(con, file, read, into)

    monkeypatch.setattr(rows_of_trips, "_in_order", counted)
    begun: list[bool] = []
    monkeypatch.setattr(EarlyRows, "end", lambda self: (begun.append(bool(self.con)), end(self)))
    for threads, memory in ((4, "100MB"), (1, None), (2, None))[: examples(1, 3)]:
        into = tmp_path / f"{threads}.duckdb"
        assert stored(delivery, into, threads=threads, memory=memory, without="") == whole
        assert not list(tmp_path.glob("*.new*"))
        # with more than one thread they are stored while they are looked through
        assert any(begun) == (threads > 1)
        begun.clear()
    assert max(parts) > 5


def test_a_quoted_line_end_at_a_cut_is_read_whole(
    csv: Path,
    first: dict[str, list[tuple[object, ...]]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    delivery = shutil.copytree(csv, tmp_path / "csv")
    contacts = delivery / "contacts.csv"
    header, *rows = contacts.read_text(encoding="utf-8").splitlines()
    # each row begins with a cell that holds a line end, so that every second line ends in one
    contacts.write_text(
        "\n".join([f"note,{header}", *(f'"a\nb",{row}' for row in rows), ""]), encoding="utf-8"
    )
    export = delivery / "export.toml"
    export.write_text(
        export.read_text(encoding="utf-8") + '\n[ignore]\ncontacts = ["note"]\n', encoding="utf-8"
    )
    monkeypatch.setattr(content, "CHUNK", 50)
    monkeypatch.setattr(pieces, "PIECE", 100)
    assert stored(delivery, tmp_path / "cut.duckdb") == first
