"""The worked cases that `tailrace explain` prints, and how a sheet of cases is read.

A sheet is Markdown of a fixed form. It begins with `# rule-id`, what all its cases share, and then
one section a case, `## kind: title`, with a sentence or two, tables of what was recorded, and the
verdict. The first cell of a table's head is its name; the first cell of each of its rows is empty
or a mark (`set aside`). Lines that begin with one of `KEYS` and a colon say what is no table.

Cases that need few words stand in one table before the sections, a row a case:

    | case            | trip.handover | settings.source             | verdict | why             |
    | --------------- | ------------- | --------------------------- | ------- | --------------- |
    | met: half of it | 60:00         | 0:00 wall; 30:00 ventilator | met     | Thirty minutes. |

`why` is the case's sentence, and a key in small letters what that key says. Every other column is
one of a table of the case: its value for `trip`, else the times at which something was recorded,
each with its value, parted by semicolons. What stands at one time is one row of that table. A
table's name alone is a column of times; a time after `set aside` is a row so marked.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import field
from importlib.resources import files

from schemas.record import dataclass

KEYS = ("Never", "Parameters", "Protocol", "Export", "Verdict", "Reason")
SHOWN_KINDS = ("met", "deviation", "cannot tell")
"""The kinds of the first cases in every rule's worked sheet, in this order."""

ASIDE = "set aside"
CASE_TABLES = {
    "trip": "trips",
    "settings": "settings",
    "contacts": "contacts",
    "device_events": "device_events",
    "observations": "observations",
}
"""The tables of a case, and the export's table each is a part of."""

_KEY = re.compile(rf"({'|'.join(KEYS)})(?: ([a-z, ]+))?: (.+)")


class SheetError(ValueError):
    """A sheet that is not of the fixed form; says where and why."""


@dataclass(frozen=True)
class Table:
    """One table: its name, its column heads, and each row's mark and cells, all as text."""

    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    line: int


@dataclass
class Section:
    """What stands under one heading: text, `Key: value` lines by key, and tables."""

    heading: str
    line: int
    text: list[str] = field(default_factory=list)
    says: dict[str, str] = field(default_factory=dict)
    tables: list[Table] = field(default_factory=list)

    @property
    def kind(self) -> str:
        """The kind of case: the heading up to its colon."""
        return self.heading.partition(": ")[0]

    @property
    def title(self) -> str:
        """The heading after its colon."""
        return self.heading.partition(": ")[2]


@dataclass(frozen=True)
class Sheet:
    """One file of cases: what they share, and the cases, those of the table first."""

    name: str
    shared: Section
    cases: tuple[Section, ...]

    @property
    def rule(self) -> str:
        """Id of the rule the cases are of."""
        return self.shared.heading

    @property
    def shown(self) -> tuple[Section, ...]:
        """The cases that `tailrace explain` prints, if the sheet is that of the worked cases."""
        return self.cases[: len(SHOWN_KINDS)]


def worked_sheet(rule: str) -> Sheet | None:
    """The worked cases of a rule; None where it has none."""
    path = files(__name__) / f"{rule}.md"
    if not path.is_file():
        return None
    return read_sheet(path.read_text(encoding="utf-8"), f"{rule}.md")


def read_sheet(text: str, name: str) -> Sheet:
    """Read a sheet; SheetError names file and line of the first thing that has no meaning."""
    sections: list[Section] = []
    for line, block in _blocks(text):
        heading = re.fullmatch(r"(##?) (.+)", block[0])
        if heading:
            wanted = "#" if not sections else "##"
            if heading[1] != wanted or (sections and ": " not in heading[2]) or len(block) > 1:
                raise _error(
                    name, line, 'a sheet is "# rule-id" and then "## kind: title" for each case'
                )
            sections.append(Section(heading[2], line))
        elif not sections:
            raise _error(name, line, 'the first line must be "# rule-id"')
        elif block[0].startswith("|"):
            sections[-1].tables.append(_table(block, name, line))
        else:
            _say(sections[-1], block, name, line)
    if not sections:
        raise _error(name, 1, "the file is empty")
    shared, *cases = sections
    rows = [case for table in shared.tables if table.name == "case" for case in _rows(table, name)]
    shared.tables = [table for table in shared.tables if table.name != "case"]
    return Sheet(name, shared, (*rows, *cases))


def _blocks(text: str) -> Iterator[tuple[int, list[str]]]:
    """Runs of lines that are not blank, each with the number of its first line."""
    block: list[str] = []
    for number, line in enumerate([*text.splitlines(), ""], 1):
        if line.strip():
            block.append(line.strip())
        elif block:
            yield number - len(block), block
            block = []


def _say(section: Section, block: list[str], name: str, line: int) -> None:
    """Add a paragraph, or `Key: value` entries, each of which may go on over several lines."""
    if not _KEY.fullmatch(block[0]):
        section.text.append(" ".join(block))
        return
    entries: list[tuple[str, str]] = []
    for row in block:
        key = _KEY.fullmatch(row)
        if key:
            entries.append((" ".join(filter(None, key.group(1, 2))), key[3]))
        else:
            entries[-1] = (entries[-1][0], f"{entries[-1][1]} {row}")
    for found, value in entries:
        if found in section.says:
            raise _error(name, line, f"{found} is said twice")
        section.says[found] = value


def _table(block: list[str], name: str, line: int) -> Table:
    rows = [
        [cell.strip() for cell in row.removeprefix("|").removesuffix("|").split("|")]
        for row in block
    ]
    if len(rows) < 3 or not all(re.fullmatch("-+", cell) for cell in rows[1]):
        raise _error(name, line, "a table needs a head, a line of dashes and a row")
    for number, row in enumerate(rows):
        if len(row) != len(rows[0]):
            raise _error(name, line + number, "the row has more or fewer cells than the head")
    head, body = rows[0], rows[2:]
    return Table(head[0], tuple(head[1:]), tuple((r[0], tuple(r[1:])) for r in body), line)


def _rows(table: Table, name: str) -> Iterator[Section]:
    """The cases of a table of them."""
    for line, (heading, cells) in enumerate(table.rows, table.line + 2):
        if ": " not in heading:
            raise _error(name, line, 'a row of cases begins with "kind: title"')
        case = Section(heading, line)
        columns: dict[str, dict[str, str]] = {}
        for head, cell in zip(table.head, cells, strict=True):
            of, _, column = head.partition(".")
            if of in CASE_TABLES:
                columns.setdefault(of, {})[column] = cell
            elif head != "why" and head.capitalize() not in KEYS[1:]:
                raise _error(name, table.line, f'"{head}" is no column of a case')
            elif cell and head == "why":
                case.text.append(cell)
            elif cell:
                case.says[head.capitalize()] = cell
        for of, values in columns.items():
            if any(values.values()):
                case.tables.append(_recorded(of, values, name, line))
        yield case


def _recorded(of: str, columns: dict[str, str], name: str, line: int) -> Table:
    """One table of a case, from its columns as a row of cases has them."""
    if of == "trip":
        return Table(of, tuple(columns), (("", tuple(columns.values())),), line)
    rows: dict[tuple[str, str], dict[str, str]] = {}
    for column, cell in columns.items():
        for entry in filter(None, re.split(" *; *", cell)):
            at, _, value = entry.removeprefix(f"{ASIDE} ").partition(" ")
            mark = ASIDE if entry.startswith(f"{ASIDE} ") else ""
            row = rows.setdefault((mark, at), {"at": at})
            if column in row:
                raise _error(name, line, f"{of}.{column} has two values at {at}; use a section")
            row[column] = value
    heads = ["at", *(c for c in columns if c or any(row.get(c) for row in rows.values()))]
    ordered = sorted(rows.items(), key=lambda row: _order(row[0], f"{name}, line {line}"))
    cells = ((mark, tuple(row.get(head, "") for head in heads)) for (mark, _), row in ordered)
    return Table(of, tuple(heads), tuple(cells), line)


def _order(row: tuple[str, str], where: str) -> float:
    """Where a row belongs by its time; the unreadable time of a set-aside row comes last."""
    return math.inf if row == (ASIDE, "?") else time_s(row[1], where)


def time_s(cell: str, where: str) -> int:
    """Seconds of a time written minutes:seconds."""
    read = re.fullmatch(r"(-?)(\d+):([0-5]\d)", cell)
    if not read:
        raise SheetError(f'{where}: "{cell}" is no time; write minutes:seconds, as in 72:30')
    return (int(read[2]) * 60 + int(read[3])) * (-1 if read[1] else 1)


def _error(name: str, line: int, what: str) -> SheetError:
    return SheetError(f"{name}, line {line}: {what}")


def plain_table(table: Table) -> list[str]:
    """The table in columns of plain text, without rules."""
    rows = [(table.name, *table.head), *((mark, *cells) for mark, cells in table.rows)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def key_lines(says: Mapping[str, str], *keys: str) -> list[str]:
    """The entries of these keys that are there, as they stand in the sheet."""
    return [f"{key}: {says[key]}" for key in keys if key in says]
