"""Rows that the contract sets aside: a few of every kind, each known by file and line."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.simulate.catalogue import Setup
from pipeline.simulate.charting import LOST_AFTER
from pipeline.simulate.draws import Bools, Columns, Ints
from pipeline.simulate.plants import Whole
from pipeline.simulate.tables import Edit, columns, trip_id
from pipeline.simulate.times import Times
from schemas.record import dataclass

STRANGER = "X0000001"
"""A trip token that no trips row has."""


@dataclass(frozen=True)
class Kind:
    """One kind of bad row.

    `row` is the line to add, with {trip} and {at}. `cell` changes the trip's own row instead;
    without either the trip's own row is written twice. `whole` is what it does to the trip.
    """

    name: str
    table: str
    column: str
    row: str = ""
    whole: int = Whole.NONE
    cell: str = ""


_WATCHED, _SETTING = Whole.OBSERVATION_LOST, Whole.SETTING_LOST
KINDS = (
    Kind("text in a number", "observations", "spo2_pct", "{trip},{at},ninety,40,130,,", _WATCHED),
    Kind("out of range", "observations", "spo2_pct", "{trip},{at},130,40,131,,", _WATCHED),
    Kind("unknown code", "observations", "behaviour", "{trip},{at},95,41,,restless,", _WATCHED),
    Kind("unreadable time", "observations", "at_s", "{trip},soon,95,42,133,calm,", _WATCHED),
    Kind("too few cells", "observations", "", "{trip},{at},95", _WATCHED),
    Kind("too many cells", "observations", "", "{trip},{at},95,42,134,calm,,2", _WATCHED),
    Kind("orphan", "observations", "trip_id", STRANGER + ",{at},95,43,135,calm,"),
    Kind("missing value", "crew", "role", "{trip},C-float-1,"),
    Kind("orphan", "crew", "trip_id", STRANGER + ",C-float-1,lead"),
    Kind("orphan", "settings", "trip_id", STRANGER + ",{at},,blender,8.0,0.4,,,check"),
    Kind("unknown code", "settings", "source", "{trip},{at},,hose,8.0,0.4,,,check", _SETTING),
    Kind("out of range", "settings", "flow_lpm", "{trip},{at},,,250,0.4,,,check", _SETTING),
    Kind("text in a number", "settings", "fio2", "{trip},{at},,,8.0,high,,,check", _SETTING),
    Kind("unreadable time", "settings", "at_s", "{trip},later,,,8.0,0.4,,,check",
         Whole.SETTING_UNTIMED),
    Kind("unknown code", "device_events", "event", "{trip},{at},beep,,", Whole.EVENT_LOST),
    Kind("out of range", "device_events", "pressure_cmh2o", "{trip},{at},occlusion,900,8",
         Whole.EVENT_LOST),
    Kind("orphan", "device_events", "trip_id", STRANGER + ",{at},started,,"),
    Kind("unknown code", "contacts", "contacted",
         "{trip},{at},night_desk,oxygen,longer_wall_oxygen,", Whole.CONTACT_LOST),
    Kind("unreadable time", "contacts", "at_s", "{trip},-,clinical_lead,advice,,", Whole.CALM),
    Kind("orphan", "contacts", "trip_id", STRANGER + ",{at},clinical_lead,advice,,"),
    Kind("repeated trip", "trips", "trip_id"),
    Kind("text in a number", "trips", "weight_kg", cell="ten"),
    Kind("out of range", "trips", "age_months", cell="400"),
    Kind("unknown code", "trips", "vehicle", cell="boat"),
)  # fmt: skip
LEAST_TRIPS = 2 * len(KINDS)
TRAINING_ROW = "{month},{base},\n"
"""A row without the rule that was trained."""


class Dirt:
    """Where the bad rows of a delivery of this many trips go: spread evenly over the trips."""

    def __init__(self, trips: int) -> None:
        total = len(KINDS) * max(1, min(20, trips // 2000))
        place = np.arange(total)
        self.trip: Ints = (2 * place + 1) * trips // (2 * total)
        # no trip of the last sixth goes missing, so that the latest month can be complete
        self.kind: Ints = (place * 7 + 15) % len(KINDS)
        self.listed: list[tuple[str, int, str, str]] = []

    def whole(self, index: Ints) -> Ints:
        """Return what befalls the trips with these numbers."""
        found = np.zeros_like(index)
        inside = (self.trip >= index[0]) & (self.trip <= index[-1])
        for trip, kind in zip(self.trip[inside], self.kind[inside], strict=True):
            found[trip - index[0]] = KINDS[kind].whole
        return found

    def touched(self, index: Ints) -> Bools:
        """Return which of these trips a bad row belongs to."""
        return np.asarray(np.isin(index, self.trip))

    def removed(self, index: Ints) -> Ints:
        """Return the numbers of the trips whose trips row is set aside."""
        gone = np.array([kind.table == "trips" for kind in KINDS])[self.kind]
        inside = (self.trip >= index[0]) & (self.trip <= index[-1])
        return np.asarray(self.trip[gone & inside])

    def edits(self, table: str, rows: Columns, index: Ints, when: Times, lines: int) -> list[Edit]:
        """Return the changes to a chunk of a table, and list the lines that come to be bad.

        `rows` are the chunk's rows, `lines` the lines of the file before them.
        """
        found: list[tuple[Edit, Kind]] = []
        inside = (self.trip >= index[0]) & (self.trip <= index[-1])
        for trip, number in zip(self.trip[inside], self.kind[inside], strict=True):
            kind = KINDS[number]
            if kind.table == table:
                edit = _edit(kind, int(trip), rows, int(index[0]), when)
                found.append((edit, kind))
        found.sort(key=lambda item: item[0].row)
        self._list(table, found, rows, self.removed(index), lines)
        return [edit for edit, _ in found]

    def _list(
        self,
        table: str,
        found: list[tuple[Edit, Kind]],
        rows: Columns,
        removed: Ints,
        lines: int,
    ) -> None:
        added_before = np.array([e.row for e, _ in found if not e.replaces], dtype=np.int64)

        def line(row: int) -> int:
            return lines + 1 + row + int(np.searchsorted(added_before, row, side="right"))

        added = 0
        for edit, kind in found:
            own = line(edit.row) if edit.replaces else lines + 1 + edit.row + added
            added += not edit.replaces
            self.listed.append((f"{table}.csv", own, kind.column, kind.name))
            if kind.name == "repeated trip":
                self.listed.append((f"{table}.csv", own - 1, kind.column, kind.name))
        if table != "trips":
            for row in np.flatnonzero(np.isin(rows["trip"], removed)):
                self.listed.append((f"{table}.csv", line(int(row)), "trip_id", "orphan"))

    def text(self) -> str:
        """Return planted_dirt.csv: file, line, column (empty: the whole row) and kind."""
        rows = sorted(self.listed)
        return "file,line,column,kind\n" + "".join(f"{f},{n},{c},{k}\n" for f, n, c, k in rows)


def _edit(kind: Kind, trip: int, rows: Columns, first: int, when: Times) -> Edit:
    low, high = (int(np.searchsorted(rows["trip"], trip, side=s)) for s in ("left", "right"))
    if kind.table == "trips":
        place = list(columns("trips", ["-"], Setup())).index(kind.column)
        return (
            Edit(low, _cell_change(low, place, kind.cell), replaces=True)
            if kind.cell
            else Edit(high, lambda lines: lines[low], replaces=False)
        )
    row, at_s = (low + high) // 2, int(when.departed[trip - first] + LOST_AFTER) * 60
    if kind.table == "settings":
        row = low + int(np.searchsorted(rows["minute"][low:high] * 60, at_s, side="right"))
    text = kind.row.format(trip=trip_id(trip), at=at_s)
    return Edit(row, lambda _: text, replaces=False)


def _cell_change(row: int, place: int, value: str) -> Callable[[list[str]], str]:
    def changed(lines: list[str]) -> str:
        cells = lines[row].split(",")
        cells[place] = value
        return ",".join(cells)

    return changed
