"""A small source of an invented service, to be changed one way in each test."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import CODES, EXIT_FINE, Mistake, Problem, Refused
from pipeline.mapping.command import map_source
from pipeline.mapping.run import Mapped

TRIPS = """\
case,month,site,kind,kg,dx
007,2026-03,b1,ground,8.4,croup
T2,2026-03,b1,rotor,10,asthma
"""

MAPPING = """
mapping = 1
service = "demo-service"
privacy_basis = "limited-data-set"
{top}
[time_resolution_s]
trips = 60
settings = 60
device_events = 1
observations = 60
contacts = 60

{tokens}

[files.trips]
path = "trips.csv"
{trips_file}

[tables.trips]
from = "trips"
{trips}

[tables.trips.columns]
trip_id = "case"
base = "site"
vehicle = "kind"
diagnosis_group = "dx"
{columns}

{more}
"""
ASSIGNED = '[tokens]\ntrip_id = "assigned"\ncrew_member = "assigned"'
OTHERS = ("crew", "settings", "device_events", "observations", "contacts", "training")


def source(
    folder: Path,
    files: dict[str, str | bytes] | None = None,
    *,
    mapped: tuple[str, ...] = (),
    **parts: str,
) -> Path:
    """Write a source with its mapping into `folder`; `mapped` tables come with `more`."""
    folder.mkdir(parents=True, exist_ok=True)
    contents: dict[str, str | bytes] = {"trips.csv": TRIPS, **(files or {})}
    for name, content in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    absent = [name for name in OTHERS if name not in mapped]
    top = f"not_recorded = {absent}\n{parts.pop('top', '')}"
    if "service_month" not in parts.get("columns", "") and "bedside" not in parts.get("trips", ""):
        parts["columns"] = 'service_month = "month"\n' + parts.get("columns", "")
    every = dict.fromkeys(("tokens", "trips_file", "trips", "columns", "more"), "") | parts
    every["tokens"] = every["tokens"] or ASSIGNED
    (folder / "mapping.toml").write_text(MAPPING.format(top=top, **every), encoding="utf-8")
    return folder


def run(folder: Path, **options: Any) -> Mapped:
    """Map the source in `folder` into a new folder beside it."""
    return map_source(folder, folder.parent / f"{folder.name}-mapped", **options)


def rows(folder: Path, table: str = "trips") -> list[dict[str, str]]:
    """The rows of one table of what `run` wrote."""
    path = folder.parent / f"{folder.name}-mapped" / f"{table}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def column(folder: Path, name: str, table: str = "trips") -> list[str]:
    """One column of what `run` wrote."""
    return [row[name] for row in rows(folder, table)]


def found(mapped: Mapped) -> list[tuple[str | None, int | None, str | None, str]]:
    """Place and code of everything that could not be used."""
    for problem in mapped.problems:
        record = CODES[problem.code]
        assert problem.what.startswith(str(record.what))
        # of a cell whose look tells more, more is said; to that of a code, which there are
        looks = "it looks like" in problem.what
        assert str(problem.remedy).startswith(str(record.in_source)) or looks
    for note in mapped.notes:
        assert CODES[note.code].kind == EXIT_FINE
    return [(p.file, p.line, p.column, p.code) for p in mapped.problems]


def listed(problems: Path) -> list[tuple[str, int, str, str]]:
    """Place and code of every cell in a list of problems that `run` wrote, sorted.

    `found` has the first line alone where several have the same problem.
    """
    with problems.open(encoding="utf-8", newline="") as file:
        return sorted(
            (row["file"], int(row["line"]), row["column"], row["problem"])
            for row in csv.DictReader(file)
        )


def refusals(folder: Path, **options: Any) -> list[Problem]:
    """Map a source that must be refused; every problem, and nothing left behind."""
    with pytest.raises(Refused) as caught:
        run(folder, **options)
    check(caught.value)
    left = [path.name for path in folder.parent.iterdir() if path.name != folder.name]
    assert [name for name in left if "mapped" in name] == []
    return caught.value.problems


def refusal(folder: Path, **options: Any) -> Problem:
    """The one problem for which a source must be refused."""
    problems = refusals(folder, **options)
    assert len(problems) == 1, [problem.sentence() for problem in problems]
    return problems[0]


def check(mistake: Mistake) -> None:
    """Hold every problem to having a documented code, a sentence and a remedy."""
    assert mistake.problems
    for problem in mistake.problems:
        assert mistake.exit_code in CODES[problem.code].exit_codes, problem.code
        assert problem.what
        assert problem.remedy.endswith(".")
        assert "\n" not in problem.sentence()
