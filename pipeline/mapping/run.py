"""One run of the mapping, stage by stage, in a scratch folder of its own."""

from __future__ import annotations

import csv
import re
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Mapping_
from pathlib import Path

from pipeline.errors import CODES, EXIT_FINE, EXIT_SET_ASIDE, Problem, problem, shown
from pipeline.mapping import deliver, tokens
from pipeline.mapping.account import Account, Made, make_account, nothing_found
from pipeline.mapping.assemble import list_problems, list_repeated, list_trips, make_table
from pipeline.mapping.extract import (
    PROBLEMS,
    extract_rows,
    follow_trips,
    leave_out_trips,
    read_cells,
)
from pipeline.mapping.plan import BEDSIDE, plans
from pipeline.mapping.read_mapping import Mapping
from pipeline.mapping.sources import read_sources
from pipeline.mapping.timeline import place_all
from pipeline.mapping.values import allowed_codes
from pipeline.mapping.words import Note
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.export_file import TIMED
from schemas.record import dataclass

Stage = Callable[[str], None]
NEW, SAME, CHANGED = "new", "same", "changed"

MEMORY = "600MB"
"""What the database may hold in memory; more goes to disk, into the scratch folder."""


@dataclass(frozen=True)
class Request:
    """What is mapped: from where to where, how, which months (all if none), and a problem list.

    `until`: each month up to this one into a folder of its own; those that `delivery` holds
    already, with the same tables, are left out. `exactly`: there must be trips of this month.
    """

    source: Path
    delivery: Path
    mapping: Mapping
    months: Sequence[str] = ()
    problems: Path | None = None
    until: str | None = None
    exactly: str | None = None


@dataclass(frozen=True)
class Mapped:
    """What came out: the delivery, its months and rows, and every kind of problem and note.

    `states`: of each month, whether it is new, changed or the same as what was kept.
    """

    delivery: Path
    months: list[str]
    rows: dict[str, int]
    problems: list[Problem]
    notes: list[Note]
    account: Account
    states: dict[str, str]
    tolerated: Mapping_[str, float]

    @property
    def exit_code(self) -> int:
        """0, or 4 where more cells could not be used than is tolerated, or a table came empty."""
        return EXIT_SET_ASIDE if self.account.over(self.tolerated) else EXIT_FINE

    def report(self, shown: int) -> str:
        """The outcome in lines, what matters most first."""
        lines = [problem.sentence() for problem in self.account.first]
        lines += [problem.sentence() for problem in self.problems[:shown]]
        if len(self.problems) > shown:
            lines.append(f"... and {len(self.problems) - shown} more kinds of problem.")
        lines += [note.sentence() for note in self.notes[:shown]]
        return "\n".join([*lines, *self.account.lines()])


def run(request: Request, folder: Path, stage: Stage = lambda _: None) -> Mapped:
    """Read the source, write the delivery's files into `folder`, and say what came out."""
    import duckdb

    mapping = request.mapping
    pads, crosswalk = _keys(mapping, request.delivery)
    with tempfile.TemporaryDirectory(prefix="tailrace-map-") as scratch:
        con = duckdb.connect(config={"memory_limit": MEMORY, "temp_directory": f"{scratch}/spill"})
        with con:
            con.execute("set timezone = 'UTC'")
            made = _stages(
                con, request.source, mapping, pads=pads, scratch=Path(scratch), stage=stage
            )
            stage("write the delivery")
            found = _chosen(con, request, made)
            months, rows = _write(con, request, made, found, folder)
            if crosswalk:
                hashed = con.execute("select distinct * from crosswalk").fetchall()
                tokens.add_to_crosswalk(crosswalk, hashed)
            of = [m for m, state in months.items() if state != SAME] if request.until else found
            account = make_account(con, made, of, unknown=request.until is None)
            if request.problems:
                _write_problems(con, request.problems)
            return Mapped(
                request.delivery, found, rows, _problems(con, made), _notes(con), account, months,
                mapping.file.tolerated,
            )  # fmt: skip


def _chosen(con: Connection, request: Request, made: Made) -> list[str]:
    """The months of trips that are delivered; NothingFound where there are none."""
    every = deliver.months_of(con)
    found = [month for month in every if not request.months or month in request.months]
    if request.until is not None:
        found = [month for month in every if month <= request.until]
    if not found or (request.exactly and request.exactly not in found):
        wanted = request.months or [request.exactly or "any month"]
        raise nothing_found(con, made, every, wanted, shapes=_shapes(con))
    return found


def _write(
    con: Connection, request: Request, made: Made, found: list[str], folder: Path
) -> tuple[dict[str, str], dict[str, int]]:
    """Write the delivery, or one for each month; the state of each month, and rows by table."""
    mapping = request.mapping
    if request.until is None:
        rows = deliver.write_tables(con, made.plans, found, folder, unknown=True)
        deliver.write_settings(mapping.file, mapping.folder, found, folder)
        return dict.fromkeys(found, NEW), rows
    months = {}
    total: Counter[str] = Counter()
    for month in found:
        into = folder / month
        into.mkdir()
        rows = deliver.write_tables(con, made.plans, [month], into, unknown=False)
        deliver.write_settings(mapping.file, mapping.folder, [month], into)
        months[month] = state_of(into, request.delivery / month)
        if months[month] != SAME:
            total.update(rows)
    return months, dict(total)


def state_of(made: Path, kept: Path) -> str:
    """Whether a month's tables are new, the same as those kept, or others."""
    if not kept.is_dir():
        return NEW
    tables = {path.name: path.read_bytes() for path in made.glob("*.csv")}
    known = {path.name: path.read_bytes() for path in kept.glob("*.csv")}
    return SAME if tables == known else CHANGED


def _keys(mapping: Mapping, delivery: Path) -> tuple[dict[str, bytes] | None, Path | None]:
    """The key's pads and where the crosswalk is kept; both checked before anything is read."""
    stated = mapping.file.tokens
    if stated is None or stated.key_file is None:
        return None, None
    pads = tokens.read_pads(mapping.folder / stated.key_file, delivery)
    crosswalk = mapping.folder / stated.crosswalk if stated.crosswalk else None
    if crosswalk:
        tokens.check_crosswalk(crosswalk, delivery)
    return pads, crosswalk


def _stages(
    con: Connection,
    source: Path,
    mapping: Mapping,
    *,
    pads: dict[str, bytes] | None,
    scratch: Path,
    stage: Stage,
) -> Made:
    """Make every table's rows, and list what is wrong with their cells."""
    every = plans(mapping.file)
    stage("read the files")
    sources = read_sources(con, source, mapping.file, every, scratch)
    stage("read the cells")
    con.execute("create table crosswalk (kind VARCHAR, token VARCHAR, number VARCHAR)")
    con.execute(PROBLEMS)
    trips = next(plan for plan in every if plan.into == "trips")
    # which trips there are says which rows of the others are taken
    ordered = [trips, *(plan for plan in every if plan is not trips)]
    followed = {}
    for plan in ordered:
        extract_rows(con, plan, sources[plan.number])
        read_cells(con, plan, pads)
        if plan is trips:
            leave_out_trips(con, plan, sources[plan.number], pads)
        followed[plan.number] = follow_trips(con, plan)
    stated, home = mapping.file.time_resolution_s, mapping.file.time_zone
    in_minutes = 60 in [getattr(stated, table) for table in TIMED]
    stage("place the times")
    place_all(con, every, home, in_minutes=in_minutes)
    for plan in ordered:
        make_table(con, plan, home)
        if plan is trips:
            list_trips(con, plan)
            list_repeated(con, plan, sources[plan.number])
        list_problems(con, plan, sources[plan.number])
    return Made(every, sources, followed)


def _problems(con: Connection, made: Made) -> list[Problem]:
    """One problem for each thing wrong with a column of a file: its first line, and how many."""
    trips = next(plan for plan in made.plans if plan.into == "trips")
    # what only follows from something else comes after it
    rows = con.execute(
        "select * exclude (of_trips) from ("
        "select file, name, code, min(line) as line, count(distinct line), min(line, 6), of_trips:"
        f" plan = {trips.number} from cell_problem group by all)"
        " order by code in ('no-bedside', 'row-of-no-trip'), of_trips desc, file, line, name, code"
    ).fetchall()
    found, shapes = [], _shapes(con)
    codes = {
        p.their_name(c, None): allowed_codes(p.into, c)
        for p in made.plans for c in p.specs if c != BEDSIDE
    }  # fmt: skip
    of_day = {p.their_name(c, None) for p in made.plans for c, spec in p.specs.items() if spec.date}
    for file, name, code, line, count, first in rows:
        record = CODES[code]
        details = [f"in {count} rows"] if count > 1 else []
        if code == "repeated-trip" and len(lines := sorted(set(first))) > 1:
            details[0] += f", as in lines {lines[0]} and {lines[1]}"
        shape = shapes.get(name, "") if code in ("not-a-time", "not-a-number") else ""
        details += [f'it looks like "{shown(shape)}"'] if shape else []
        what = f"{record.what} ({', '.join(details)})" if details else str(record.what)
        remedy = _remedy(shape, name, of_day=name in of_day) or record.in_source
        if code == "not-a-code" and (ours := codes.get(name)):
            remedy = f"{remedy} The contract's are {', '.join(ours)}."
        found.append(problem(code, file, what, line=line, column=name, remedy=remedy))
    return found


def _remedy(shape: str, name: str, *, of_day: bool) -> str | None:
    """What to do about a number or time that cannot be read, where its look tells."""
    if of_day and re.search("9[./-]9", shape):
        return 'State the format of both, and leave date = "bedside" out: these have their date.'
    if mark := re.fullmatch("-?9+([.,])9+", shape):
        return (
            f'State decimal = "{mark[1]}" under the entry of the file if all its numbers are so'
            " written; correct the cell if it alone is."
        )
    if re.fullmatch("99?:99(:99)?", shape):
        return "It has no date: correct it at the source, or place times of day by date."
    if re.fullmatch("[<>≤≥] ?9+([.,]9+)?", shape):
        return "Let a view say what counts in its place, as the guide shows for off the scale."
    if re.fullmatch("-?9+([.,]9+)? ?[^9]{1,10}", shape):
        taken = f"regexp_extract({quoted(name)}, '[0-9.]+')"
        return (
            f"Let a view take the number out, as with {taken}, if all cells have this unit;"
            " correct the cell if it alone has one."
        )
    return None


def _shapes(con: Connection) -> dict[str, str]:
    """What an unreadable time of a column looks like: its digits as 9, its letters as a."""
    return dict(con.execute("select name, min(shape) from shape group by name").fetchall())


def _notes(con: Connection) -> list[Note]:
    rows = con.execute(
        "select file, min(line), name, code, detail, count(*) from note"
        " group by file, name, code, detail order by file, min(line), name, code, detail"
    ).fetchall()
    return [Note(*row) for row in rows]


def _write_problems(con: Connection, path: Path) -> None:
    """Write every cell that cannot be used, and every reason given for none, as CSV."""
    words = {
        code.id: " ".join(filter(None, (code.what, code.in_source))) for code in CODES.values()
    }
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["file", "line", "column", "problem", "detail", "what"])
        rows = con.execute(
            "select file, line, name, code, null as detail from cell_problem"
            " union all select * from note order by all"
        )
        while batch := rows.fetchmany(10_000):
            writer.writerows((*row, words[row[3]]) for row in batch)
