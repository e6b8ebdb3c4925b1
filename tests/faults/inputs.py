"""Spoiled inputs by the thousand into every reader: `python -m tests.faults --inputs N`.

An input is read, set aside or refused in a sentence. Everything else is a fault: a traceback, more
than `MOST_S` seconds, a store that holds a part of what was refused, or a cell of nonsense that
nothing was said about. Input number K of a kind is the same for the same seed, so that a fault
can be looked at again: `spoiled(kind, K, seed)`.
"""

from __future__ import annotations

import io
import random
import re
import shutil
import signal
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from pipeline.errors import Mistake
from pipeline.ingest.check import check_delivery
from pipeline.simulate.service import protocol_text
from schemas.contract import TABLES
from tests.acceptance import small_delivery
from tests.faults import world
from tests.mapping import fuzzing, reports_system, wide_csv

MOST_S = 30.0
AT_ONCE = 200
"""Inputs that one process is given at a time."""

NONSENSE = ["abc", "12abc", "1e400", "-1e9", "nan", "inf", "0x1f", "1_000", "½", "٣", "--", "1 2",
            "#REF!", "<b>", "9" * 40]  # fmt: skip
"""Never a value of a column of numbers or codes."""

PIECES = [b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"\r", b"\n", b"\r\n", b",", b";",
          b"[[", b"]]", b"{", b"}", b"=", b"#", b"\\", b"-1", b"1e999", b"9" * 30, b"&a;", b"]]>",
          b"<!--", b"/>", b"2026-02-30", "😀".encode(), b"\xed\xa0\x80", b"\x1b[31m",
          b"'; DROP TABLE delivered.trips; --", b"=1+1", b"<script>"]  # fmt: skip


@dataclass
class Found:
    """What came of the inputs of one kind."""

    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)


class TooLongError(Exception):
    """An input took longer than `MOST_S`."""


def spoiled_bytes(draw: random.Random, data: bytes) -> bytes:
    """A sound input with some bytes cut, overwritten, repeated or put in."""
    found = bytearray(data)
    for _ in range(draw.randint(1, 6)):
        at, length = draw.randint(0, max(len(found) - 1, 0)), draw.randint(1, 40)
        piece = draw.choice(PIECES) if draw.random() < 0.7 else draw.randbytes(draw.randint(1, 8))
        kind = draw.randrange(4)
        if kind == 0:
            del found[at : at + length]
        elif kind == 1:
            found[at : at + len(piece)] = piece
        elif kind == 2:
            found[at:at] = piece
        else:
            other = draw.randint(0, max(len(found) - 1, 0))
            found[at:at] = found[other : other + length]
    return bytes(found)


WORD = re.compile(rb"[\w.+-]+")


def spoiled_words(draw: random.Random, data: bytes) -> bytes:
    """A sound input with one or two of its words or numbers replaced, its form kept."""
    for _ in range(draw.randint(1, 2)):
        words = list(WORD.finditer(data))
        if not words:
            return data
        word = draw.choice(words)
        other = draw.choice([draw.choice(words)[0], draw.choice(NONSENSE).encode(), b"",
                             word[0] * 2, word[0].upper(), b"-" + word[0], b"0"])  # fmt: skip
        data = data[: word.start()] + other + data[word.end() :]
    return data


def spoil(draw: random.Random, data: bytes) -> bytes:
    """Bytes or words of a sound input spoiled."""
    return draw.choice([spoiled_bytes, spoiled_words])(draw, data)


def strict_columns(table: str) -> list[str]:
    """Columns of a table that take numbers or codes alone."""
    return [
        name
        for name, column in TABLES[table].to_schema().columns.items()
        if str(column.dtype) not in ("string", "bool")
        or any("allowed_values" in check.statistics for check in column.checks)
    ]


def with_nonsense(draw: random.Random, text: str, table: str) -> str:
    """A table with one of its strict cells replaced; it must not be taken in silence."""
    lines = text.splitlines()
    header = lines[0].split(",")
    places = [header.index(name) for name in strict_columns(table) if name in header]
    row, place = draw.randrange(1, len(lines)), draw.choice(places)
    cells = lines[row].split(",")
    cells[place] = draw.choice(NONSENSE)
    lines[row] = ",".join(cells)
    return "\n".join(lines) + "\n"


def delivered(folder: Path) -> str:
    """Check a delivery: what came of it."""
    return "set aside or doubtful" if check_delivery(folder, None, None, shown=5)[1] else "read"


def delivery_csv(draw: random.Random, folder: Path) -> str:
    """A delivery whose one table has bytes spoiled, or one cell of nonsense."""
    table = draw.choice([name for name in small_delivery.TABLES if strict_columns(name)])
    text = small_delivery.TABLES[table][1:]
    nonsense = draw.random() < 0.3
    header, _, body = text.partition("\n")
    if nonsense:
        spoiled = with_nonsense(draw, text, table).encode()
    elif draw.random() < 0.6:
        spoiled = f"{header}\n".encode() + spoil(draw, body.encode())
    else:
        spoiled = spoil(draw, text.encode())
    small_delivery.write(folder, **{table: spoiled})
    came = delivered(folder)
    if nonsense and came == "read":
        raise AssertionError(f"nonsense was taken in silence: {spoiled.decode()!r}")
    return came


def delivery_parquet(draw: random.Random, folder: Path) -> str:
    """A delivery whose one table is Parquet with columns of odd types, or with bytes spoiled."""
    table = draw.choice(list(small_delivery.TABLES))
    small_delivery.write(folder, **{table: None})
    path = folder / f"{table}.parquet"
    text = folder / "t.csv"
    text.write_text(small_delivery.TABLES[table][1:], encoding="utf-8")
    con = fuzzing._database()
    # a table first: a cast of a column read from text would become the reader's own
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE as_text AS FROM read_csv('{text}', all_varchar = true)"
    )
    text.unlink()
    columns = small_delivery.TABLES[table][1:].splitlines()[0].split(",")
    odd = draw.choice(["TRY_CAST({} AS INTEGER)", "TRY_CAST({} AS DECIMAL(9, 3))", "[{}]", "{}",
                       "TRY_CAST({} AS DOUBLE)", "struct_pack(a := {})", "encode({})",
                       "TRY_CAST({} AS HUGEINT)", "current_date", "NULL",
                       "map([coalesce({}, '')], [1])"])  # fmt: skip
    at = draw.choice(columns)
    made = ", ".join(f'{odd.format(c) if c == at else c} AS "{c}"' for c in columns)
    con.execute(f"COPY (SELECT {made} FROM as_text) TO '{path}'")
    if draw.random() < 0.6:
        path.write_bytes(spoiled_bytes(draw, path.read_bytes()))
    return delivered(folder)


@cache
def _book() -> bytes:
    import openpyxl

    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, text in small_delivery.TABLES.items():
        sheet = made.create_sheet(name)
        for line in text[1:].splitlines():
            sheet.append(line.split(","))
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def delivery_workbook(draw: random.Random, folder: Path) -> str:
    """A delivery as one workbook, with a sheet's XML or the file's own bytes spoiled."""
    import zipfile

    small_delivery.write(folder, **dict.fromkeys(small_delivery.TABLES))
    book = _book()
    if draw.random() < 0.7:
        with zipfile.ZipFile(io.BytesIO(book)) as parts:
            part = draw.choice([n for n in parts.namelist() if "sheet" in n and n.endswith(".xml")])
            content = parts.read(part)
        book = fuzzing.repacked(book, part, spoil(draw, content))
    else:
        book = spoiled_bytes(draw, book)
    (folder / "tables.xlsx").write_bytes(book)
    return delivered(folder)


def settings_files(draw: random.Random, folder: Path) -> str:
    """One of a delivery's three settings files with bytes spoiled."""
    name, text = draw.choice([
        ("export", small_delivery.EXPORT), ("cannulas", small_delivery.CANNULAS),
        ("protocol", small_delivery.PROTOCOL),
        ("protocol", protocol_text("2026-01", all_rules=True)),
    ])  # fmt: skip
    spoiled = spoil(draw, text.encode())
    if name == "protocol":
        return "read" if fuzzing.protocol(spoiled) else "refused"
    small_delivery.write(folder, **{name: spoiled})
    return _settings(folder)


def _settings(folder: Path) -> str:
    from pipeline.errors import Refused
    from pipeline.ingest.parts import find_parts
    from pipeline.ingest.problems import Findings
    from pipeline.ingest.settings_files import read_settings_files

    findings = Findings()
    read_settings_files(find_parts(folder, None, None, findings), findings)
    if findings.refusals:
        raise Refused(findings.refusals)
    return "read"


def mapping_files(draw: random.Random, folder: Path) -> str:
    """A mapping file with bytes spoiled."""
    text = draw.choice([wide_csv.MAPPING, reports_system.MAPPING])
    return "read" if fuzzing.mapping(spoil(draw, text.encode())) else "refused"


def source_files(draw: random.Random, folder: Path) -> str:
    """A file of a service's own: text, workbook, Parquet or a report."""
    from tests.mapping import test_fuzz

    kind, data = draw.choice([
        ("delimited", test_fuzz.TABLE), ("workbook", test_fuzz.BOOK),
        ("parquet", _parquet()), ("reports", test_fuzz.DOCUMENT),
    ])  # fmt: skip
    return "read" if fuzzing.TARGETS[kind](spoil(draw, data)) else "refused"


@cache
def _parquet() -> bytes:
    from tests.mapping import test_fuzz

    return test_fuzz.parquet_bytes()


@cache
def _reviewed() -> world.World:
    """A small reviewed store for this process, and the sheets its readers filled in."""
    return world.make(Path(tempfile.mkdtemp(prefix="faults-")), trips=12)


def filled_sheets(draw: random.Random, folder: Path) -> str:
    """A filled sheet, with bytes spoiled, read into a store that must keep all of it or nothing."""
    from pipeline.followup.correct import correct
    from pipeline.followup.determine import determine
    from pipeline.followup.retraining import retrained

    made = _reviewed()
    name, read = draw.choice([
        ("answers", determine), ("fixes", correct), ("retraining", retrained),
    ])  # fmt: skip
    path = folder / f"{name}.csv"
    path.write_bytes(spoil(draw, (made.top / f"{name}.csv").read_bytes()))
    store = folder / "into"
    store.mkdir()
    shutil.copy2(made.base / "store.duckdb", store)
    before = world.tables(store)
    try:
        done = read(path, store)
    except Mistake:
        if world.tables(store) != before:
            raise AssertionError("a refused sheet left something in the store") from None
        raise
    if wrong := world.ledger_problems(store):
        raise AssertionError(f"the ledger does not verify: {wrong}")
    return "set aside or doubtful" if done.problems else "read"


KINDS: dict[str, Callable[[random.Random, Path], str]] = {
    "deliveries as CSV": delivery_csv,
    "deliveries as Parquet": delivery_parquet,
    "deliveries as workbooks": delivery_workbook,
    "settings files": settings_files,
    "mapping files": mapping_files,
    "source files": source_files,
    "filled sheets": filled_sheets,
}


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """Raise TooLongError in the block once so many seconds have gone."""

    def stop(*_: object) -> None:
        raise TooLongError(f"longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def spoiled(kind: str, number: int, seed: int) -> tuple[str, str]:
    """Read one input: what came of it, and the traceback if that is a fault."""
    draw = random.Random(f"{kind} {number} {seed}")
    folder = Path(tempfile.mkdtemp(prefix="input-"))
    try:
        with at_most(MOST_S):
            return KINDS[kind](draw, folder), ""
    except Mistake:
        return "refused", ""
    except Exception:
        return "fault", f"{kind} {number} (seed {seed}): {traceback.format_exc()}"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def some(kind: str, numbers: range, seed: int) -> Found:
    """Read some inputs of one kind, one after the other."""
    found = Found()
    for number in numbers:
        came, fault = spoiled(kind, number, seed)
        found.counts[came] += 1
        found.faults += [fault] if fault else []
    return found


def many(numbers: dict[str, int], seed: int = 1, processes: int = 2) -> dict[str, Found]:
    """Read so many inputs of each kind, in several processes."""
    with ProcessPoolExecutor(processes) as pool:
        begun = [
            (kind, pool.submit(some, kind, range(first, min(first + AT_ONCE, number)), seed))
            for kind, number in numbers.items()
            for first in range(0, number, AT_ONCE)
        ]
        found = {kind: Found() for kind in numbers}
        for kind, part in begun:
            done = part.result()
            found[kind].counts.update(done.counts)
            found[kind].faults += done.faults
    return found
