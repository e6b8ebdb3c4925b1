"""Files that nobody meant to be read: each ends in a sentence, never in a traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from . import ingest_kit as kit

CREW = "trip_id,crew_member,role\n"


def folder_instead_of(name: str) -> Callable[[Path], None]:
    """Put a folder where a file is due."""

    def spoil(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).mkdir()

    return spoil


def link_to_itself(folder: Path) -> None:
    """Make a file a link that leads nowhere."""
    (folder / "crew.csv").unlink()
    (folder / "crew.csv").symlink_to(folder / "crew.csv")


@pytest.mark.parametrize("spoil", [
    folder_instead_of("trips.csv"), folder_instead_of("export.toml"), link_to_itself,
])  # fmt: skip
def test_no_file_where_one_is_due(tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    folder = kit.write(tmp_path / "d")
    spoil(folder)
    assert [p.code for p in kit.refusals(folder)] == ["no-permission"]


@pytest.mark.parametrize(
    ("crew", "code"),
    [
        (",".join(f"c{i}" for i in range(200_000)) + "\n1\n", "missing-header"),
        ("x" * 3_000_000, "missing-header"),
        (bytes(range(256)) * 50, "not-utf8"),
        ("trip_id,crew_member,role\0\n007,c1,nurse\n", "unknown-column"),
        ("\n\n\n", "empty-file"),
        ("\ufeff", "empty-file"),
    ],
    ids=["wide", "long header", "binary", "NUL in header", "blank", "mark alone"],
)
def test_refused_tables(tmp_path: Path, crew: str | bytes, code: str) -> None:
    assert code in [p.code for p in kit.refusals(kit.write(tmp_path / "d", crew=crew))]


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (f"007,{'x' * 3_000_000},nurse", (None, "bad-quoting")),
        ("007,c\0c,nurse", ("crew_member", "not-a-token")),
    ],
    ids=["long cell", "NUL"],
)
def test_rows_set_aside(tmp_path: Path, row: str, found: tuple[str | None, str]) -> None:
    folder = kit.write(tmp_path / "d", crew=f"{CREW}{row}\nT2,c2,nurse\n")
    assert kit.aside(folder) == [("crew.csv", 2, *found)]


@pytest.mark.parametrize(
    "text",
    [b"\xff\xfe\x00", 'a = "\0"', "x = " + "[" * 5000 + "]" * 5000,
     kit.PROTOCOL.replace("limit_min = 50", "limit_min = 2026-01-01"),
     kit.PROTOCOL.replace("limit_min = 50", "limit_min = inf"),
     kit.PROTOCOL + '[version.rules."../x"]\na = 1\n', "version = 1979-05-27"],
    ids=["bytes", "NUL", "deep", "date", "infinite", "path", "version"],
)  # fmt: skip
@pytest.mark.parametrize("name", ["protocol", "export", "cannulas"])
def test_odd_toml(tmp_path: Path, name: str, text: str | bytes) -> None:
    problems = kit.refusals(kit.write(tmp_path / "d", **{name: text}))
    assert all(p.code in {"toml-syntax", "toml-content", "not-utf8"} for p in problems)


def test_names_and_cells_that_would_be_sql_or_html(tmp_path: Path) -> None:
    folder = tmp_path / "x'; drop table trips; --" / "<b>d</b>"
    crew = CREW + '007,"c\'); drop table",<b>nurse</b>\n'
    path = tmp_path / "store'.duckdb"
    kit.store(path, kit.write(folder, crew=crew))
    rows = kit.ask(path, "select crew_member, role from delivered.crew")
    assert rows == [("c'); drop table", "<b>nurse</b>")]
