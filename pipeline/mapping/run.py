"""One run of the mapping, stage by stage, in a scratch folder of its own."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import CODES, EXIT_FINE, EXIT_SET_ASIDE, Problem, problem
from pipeline.mapping import deliver, tokens
from pipeline.mapping.assemble import list_problems, make_table
from pipeline.mapping.extract import extract_rows, read_cells
from pipeline.mapping.plan import TablePlan, plans
from pipeline.mapping.sources import read_sources
from pipeline.mapping.timeline import place_all
from pipeline.mapping.words import Note
from schemas.export_file import TIMED

if TYPE_CHECKING:
    import duckdb

    from pipeline.mapping.read_mapping import Mapping


@dataclass(frozen=True)
class Request:
    """What is mapped: from where to where, how, which months (all if none), and a problem list."""

    source: Path
    delivery: Path
    mapping: Mapping
    months: Sequence[str]
    problems: Path | None


def run(request: Request, folder: Path) -> Mapped:
    """Read the source, write the delivery's files into `folder`, and say what came out."""
    import duckdb

    mapping = request.mapping
    pads, crosswalk = _keys(mapping, request.delivery)
    with tempfile.TemporaryDirectory(prefix="tailrace-map-") as scratch:
        con = duckdb.connect(config={"memory_limit": MEMORY, "temp_directory": f"{scratch}/spill"})
        with con:
            con.execute("set timezone = 'UTC'")
            table_plans = _stages(con, request.source, mapping, pads, Path(scratch))
            found = deliver.pick_months(con, table_plans, request.months)
            rows = deliver.write_tables(con, table_plans, found, folder)
            deliver.write_settings(mapping.file, mapping.folder, found, folder)
            if crosswalk:
                hashed = con.execute("select distinct * from crosswalk").fetchall()
                tokens.add_to_crosswalk(crosswalk, hashed)
            if request.problems:
                _write_problems(con, request.problems)
            return Mapped(request.delivery, found, rows, _problems(con), _notes(con))


def _keys(mapping: Mapping, delivery: Path) -> tuple[dict[str, bytes] | None, Path | None]:
    """The key's pads and where the crosswalk is kept; both checked before anything is read."""
    stated = mapping.file.tokens
    if stated is None:
        return None, None
    pads = tokens.read_pads(mapping.folder / stated.key_file, delivery)
    crosswalk = mapping.folder / stated.crosswalk if stated.crosswalk else None
    if crosswalk:
        tokens.check_crosswalk(crosswalk, delivery)
    return pads, crosswalk


def _stages(
    con: duckdb.DuckDBPyConnection,
    source: Path,
    mapping: Mapping,
    pads: dict[str, bytes] | None,
    scratch: Path,
) -> list[TablePlan]:
    table_plans = plans(mapping.file)
    sources = read_sources(con, source, mapping.file, table_plans, scratch)
    con.execute("create table crosswalk (kind VARCHAR, token VARCHAR, number VARCHAR)")
    for plan in table_plans:
        extract_rows(con, plan, sources[plan.number])
        read_cells(con, plan, pads)
    stated = mapping.file.time_resolution_s
    in_minutes = 60 in [getattr(stated, table) for table in TIMED]
    place_all(con, table_plans, mapping.file.time_zone, in_minutes=in_minutes)
    con.execute(
        "create table cell_problem (file VARCHAR, line INTEGER, name VARCHAR, code VARCHAR)"
    )
    for plan in table_plans:
        make_table(con, plan)
        list_problems(con, plan, sources[plan.number])
    return table_plans


def _problems(con: duckdb.DuckDBPyConnection) -> list[Problem]:
    """One problem for each thing wrong with a column of a file: its first line, and how many."""
    rows = con.execute(
        "select file, name, code, min(line), count(distinct line) from cell_problem"
        " group by all order by file, min(line), name, code"
    ).fetchall()
    found = []
    for file, name, code, line, count in rows:
        record = CODES[code]
        what = f"{record.what} (in {count} rows)" if count > 1 else str(record.what)
        found.append(problem(code, file, what, line=line, column=name, remedy=record.in_source))
    return found


def _notes(con: duckdb.DuckDBPyConnection) -> list[Note]:
    rows = con.execute(
        "select file, min(line), name, code, detail, count(*) from note"
        " group by file, name, code, detail order by file, min(line), name, code, detail"
    ).fetchall()
    return [Note(*row) for row in rows]


def _write_problems(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Write every cell that cannot be used, and every reason given for none, as CSV."""
    words = {
        code.id: " ".join(filter(None, (code.what, code.in_source))) for code in CODES.values()
    }
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["file", "line", "column", "problem", "detail", "what"])
        rows = con.execute(
            "select *, null as detail from cell_problem union all select * from note order by all"
        )
        while batch := rows.fetchmany(10_000):
            writer.writerows((*row, words[row[3]]) for row in batch)


MEMORY = "600MB"
"""What the database may hold in memory; more goes to disk, into the scratch folder."""


@dataclass(frozen=True)
class Mapped:
    """What came out: the delivery, its months and rows, and every kind of problem and note."""

    delivery: Path
    months: list[str]
    rows: dict[str, int]
    problems: list[Problem]
    notes: list[Note]

    @property
    def exit_code(self) -> int:
        """0, or 4 where some cells could not be used."""
        return EXIT_SET_ASIDE if self.problems else EXIT_FINE

    def report(self, shown: int) -> str:
        """The outcome in lines."""
        lines = [problem.sentence() for problem in self.problems[:shown]]
        if len(self.problems) > shown:
            lines.append(f"... and {len(self.problems) - shown} more kinds of problem.")
        lines += [note.sentence() for note in self.notes[:shown]]
        rows = ", ".join(f"{count} {table}" for table, count in self.rows.items())
        lines.append(f"Wrote {self.delivery}: {', '.join(self.months)}; rows: {rows}.")
        if self.problems:
            lines.append(
                "Cells that cannot be used say unreadable there, and their rows will be set aside."
            )
        lines.append(f"Next: tailrace check {self.delivery}")
        return "\n".join(lines)
