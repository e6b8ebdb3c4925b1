"""From the files of a delivery to typed tables of good rows, and a list of what was set aside."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from schemas.contract import TABLES

TEXTS = {"int32": r"-?[0-9]+", "float64": r"-?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]{1,3})?"}
NOT_READ = {
    "int32": "not-a-whole-number",
    "float64": "not-a-number",
    "boolean": "not-true-or-false",
}
NOTES = ["trip_id", "bad_trip_id", "good", "ragged"]
USED = ("settings", "device_events", "contacts")
"""Tables whose rows are needed after they were checked; the others are let go."""

INT_RANGE = (-(2**31), 2**31 - 1)
PROBLEMS = ["file", "line", "column", "problem"]


@dataclass(frozen=True)
class Tables:
    """Good rows of the trips and the tables used; `trip` is a trip's place among those kept.

    `lost`: trip, table, line, at_s of rows set aside from kept trips; `set_aside`: every problem.
    """

    rows: dict[str, pd.DataFrame]
    lost: pd.DataFrame
    set_aside: pd.DataFrame


def read_tables(delivery: Path) -> Tables:
    """Read, cast and check every table of `delivery`."""
    problems: list[pd.DataFrame] = []
    rows: dict[str, pd.DataFrame] = {}
    lost = []
    trips = _read(delivery / "trips.csv", "trips", problems)
    known = trips["trip_id"]
    repeated = known.notna() & known.duplicated(keep=False)
    _note(problems, "trips.csv", trips.loc[repeated, "line"], "trip_id", "repeated-trip")
    rows["trips"] = trips[trips["good"] & ~repeated].reset_index(drop=True)
    place = pd.Series(rows["trips"].index, index=rows["trips"]["trip_id"].astype(str))
    named = set(known.dropna().unique())
    for table in TABLES:
        if table == "trips" or not (delivery / f"{table}.csv").exists():
            continue
        read = _read(delivery / f"{table}.csv", table, problems)
        if table == "training":
            nobody = ~read["ragged"] & read["base"].isna() & read["crew_member"].isna()
            _note(problems, "training.csv", read.loc[nobody, "line"], None, "no-subject")
            continue
        if table == "expected":
            continue
        read["trip"] = _places(read["trip_id"], place)
        _note_strangers(problems, table, read, named)
        ours = read["trip"] >= 0
        lost.append(_lost(table, read[ours & ~read["good"]]))
        if table in USED:
            rows[table] = read[ours & read["good"]].drop(columns=NOTES)
    return Tables(rows, pd.concat(lost, ignore_index=True), pd.concat(problems, ignore_index=True))


def _places(trip_id: pd.Series, place: pd.Series) -> np.ndarray:
    """The place of each row's trip among those kept, -1 where it has none."""
    known = trip_id.cat.categories.map(place).fillna(-1).to_numpy(dtype=np.int32)
    return np.append(known, np.int32(-1))[trip_id.cat.codes]


def _note_strangers(
    problems: list[pd.DataFrame], table: str, read: pd.DataFrame, named: set[str]
) -> None:
    """List rows whose trip is not kept, unless their own trip_id is what is wrong."""
    strange = read[(read["trip"] < 0) & read["trip_id"].notna() & ~read["bad_trip_id"]]
    aside = strange["trip_id"].astype(str).isin(named)
    _note(problems, f"{table}.csv", strange.loc[aside, "line"], "trip_id", "trip-set-aside")
    _note(problems, f"{table}.csv", strange.loc[~aside, "line"], "trip_id", "orphan-row")


def _lost(table: str, rows: pd.DataFrame) -> pd.DataFrame:
    at_s = rows["at_s"].astype(float) if "at_s" in rows else np.nan
    return pd.DataFrame({"trip": rows["trip"], "table": table, "line": rows["line"], "at_s": at_s})


def _note(
    problems: list[pd.DataFrame], file: str, lines: pd.Series, column: str | None, problem: str
) -> None:
    noted = pd.DataFrame({"file": file, "line": lines, "column": column or "", "problem": problem})
    problems.append(noted)


def _read(path: Path, table: str, problems: list[pd.DataFrame]) -> pd.DataFrame:
    """Every row of one file, its cells cast where they can be; `good` where nothing is wrong."""
    ragged, lines = _ragged(path)
    text = pd.read_csv(
        path, dtype=str, keep_default_na=False, na_values=[""],
        skiprows=[line - 1 for line in ragged], skip_blank_lines=True,
    )  # fmt: skip
    rows = np.setdiff1d(lines, list(ragged), assume_unique=True)[1:]
    good = np.ones(len(rows), dtype=bool)
    found: dict[str, Any] = {"line": rows}
    for name, field in TABLES[table].to_schema().columns.items():
        column = text.pop(name).astype("category") if name in text else _empty(len(rows))
        found[name], broken = _checked(column, field)
        if name == "trip_id":
            found["bad_trip_id"] = np.zeros(len(rows), dtype=bool)
        for kind, bad in broken.items():
            good &= ~bad
            _note(problems, path.name, pd.Series(rows[bad]), name, kind)
            if name == "trip_id":
                found["bad_trip_id"] |= bad
    read = pd.DataFrame({**found, "good": good, "ragged": False})
    return _with_ragged(read, ragged, path.name, problems) if ragged else read


def _empty(rows: int) -> pd.Series:
    return pd.Series(pd.Categorical.from_codes(np.full(rows, -1), categories=[]))


def _ragged(path: Path) -> tuple[dict[int, list[str]], np.ndarray]:
    """Lines with more or fewer cells than the header, by number; and the numbers of all lines."""
    data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    ends = np.flatnonzero(data == ord("\n"))
    if data[-1] != ord("\n"):
        ends = np.append(ends, len(data))
    commas = np.zeros(len(ends), dtype=np.int64)
    np.add.at(commas, np.searchsorted(ends, np.flatnonzero(data == ord(","))), 1)
    begins = np.append(0, ends[:-1] + 1)
    blank = begins == ends
    found = {}
    for place in np.flatnonzero((commas != commas[0]) & ~blank):
        line = data[begins[place] : ends[place]].tobytes().decode()
        cells = next(csv.reader([line]))
        if len(cells) != commas[0] + 1:
            found[int(place) + 1] = cells
    return found, np.flatnonzero(~blank) + 1


def _with_ragged(
    rows: pd.DataFrame,
    ragged: dict[int, list[str]],
    file: str,
    problems: list[pd.DataFrame],
) -> pd.DataFrame:
    """Add the rows that do not fit the header: all that is taken of them is the trip."""
    lines = list(ragged)
    _note(problems, file, pd.Series(lines), None, "ragged-row")
    trips = [cells[0] or None for cells in ragged.values()]
    categories = rows["trip_id"].cat.categories.union(pd.Index([t for t in trips if t]))
    rows["trip_id"] = rows["trip_id"].cat.set_categories(categories)
    more = pd.DataFrame({"line": lines, "good": False, "ragged": True, "bad_trip_id": False})
    more["trip_id"] = pd.Categorical(trips, categories=categories)
    for name in rows.columns.difference(more.columns):
        more[name] = pd.Series(np.nan, index=more.index).astype(rows[name].dtype)
    return pd.concat([rows, more[rows.columns]], ignore_index=True)


def _checked(column: pd.Series, field: Any) -> tuple[Any, dict[str, np.ndarray]]:
    """A column's cells, null where they break a rule; and which cells break which rule.

    Numbers become float64, true and false 1 and 0; texts stay categories. The checks are those of
    the contract, made once for each distinct text.
    """
    kind = str(field.dtype)
    texts = pd.Series(column.cat.categories.astype(object), dtype=object)
    values, problem = texts, pd.Series("", index=texts.index, dtype=object)
    if kind in NOT_READ:
        values = _cast(texts, kind)
        problem[values.isna()] = NOT_READ[kind]
    for check in field.checks:
        problem[(problem == "") & ~_holds(values, check)] = {
            "isin": "not-a-code", "str_matches": "not-a-token",
        }.get(check.name, "out-of-range")  # fmt: skip
    codes = column.cat.codes.to_numpy()
    found = {kind: np.isin(codes, np.flatnonzero(problem == kind)) for kind in set(problem) - {""}}
    if not field.nullable and (codes < 0).any():
        found["missing-value"] = codes < 0
    if kind not in NOT_READ:
        return column, found
    # the code of an empty cell is -1, which takes the null at the end
    return np.append(values.where(problem == "").to_numpy(dtype=float), np.nan)[codes], found


def _cast(texts: pd.Series, kind: str) -> pd.Series:
    if kind == "boolean":
        return texts.map({"true": 1.0, "false": 0.0}).astype(float)
    written = texts.str.fullmatch(TEXTS[kind]).astype(bool)
    values = texts.where(written).astype(float)
    if kind == "int32":
        values = values.where(values.between(*INT_RANGE))
    return values


def _holds(values: pd.Series, check: Any) -> pd.Series:
    """Which of the distinct values keep one check of the contract."""
    stated = check.statistics
    if check.name == "isin":
        return values.isin(stated["allowed_values"])
    if check.name == "str_matches":
        pattern = re.compile(stated["pattern"], re.ASCII)
        return values.str.fullmatch(pattern).astype(bool)
    if check.name == "greater_than_or_equal_to":
        return values >= stated["min_value"]
    assert check.name == "less_than_or_equal_to"
    return values <= stated["max_value"]
