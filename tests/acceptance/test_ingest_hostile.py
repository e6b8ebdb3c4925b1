"""Files that nobody meant to be read: each ends in a sentence, never in a traceback."""

from __future__ import annotations

import contextlib
import itertools
import os
import resource
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.cli.main import main
from pipeline.errors import Refused
from pipeline.files import content
from pipeline.followup.sheets import read_sheet
from pipeline.ingest.delivery_files import find_parts
from pipeline.ingest.problems import Findings
from pipeline.ingest.settings_files import read_protocol_file, read_settings_files
from schemas.followup import DeterminationsSheet
from tests.deep import examples

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


CREW = "trip_id,crew_member,role\n"


PARTS = ["trips.csv", "export.toml", "protocol.toml"]


def folder(path: Path) -> None:
    path.mkdir()


def link_to_itself(path: Path) -> None:
    path.symlink_to(path)


def pipe(path: Path) -> None:
    os.mkfifo(path)


def socket_file(path: Path) -> None:
    # the name of a socket must be short
    with socket.socket(socket.AF_UNIX) as made, contextlib.chdir(path.parent):
        made.bind(path.name)


def link_to_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


INSTEAD = [folder, link_to_itself, pipe, socket_file, link_to_device]
NO_FILES = list(itertools.product(PARTS, INSTEAD))


# in short each part, and each thing in its place
@pytest.mark.skipif(os.name != "posix", reason="needs links, pipes and sockets")
@pytest.mark.parametrize(("name", "instead"), NO_FILES if examples(0, 1) else NO_FILES[::2])
def test_no_file_where_one_is_due(
    tmp_path: Path, name: str, instead: Callable[[Path], None]
) -> None:
    """Nothing is opened that would wait for ever or never end."""
    delivery = small_delivery.write(tmp_path / "d")
    (delivery / name).unlink()
    instead(delivery / name)
    problem = small_delivery.only(small_delivery.refusals(delivery))
    assert problem.code == ("not-found" if instead is link_to_itself else "not-a-file")
    assert str(problem.file).endswith(name)


@pytest.mark.skipif(os.name != "posix", reason="needs pipes")
def test_a_pipe_by_any_way_in(tmp_path: Path) -> None:
    """A workbook, a protocol named on the command line, a filled sheet."""
    delivery = small_delivery.write(tmp_path / "d", crew=None)
    os.mkfifo(delivery / "march.xlsx")
    assert "not-a-file" in [p.code for p in small_delivery.refusals(delivery)]
    os.mkfifo(tmp_path / "waits")
    for read in (
        read_protocol_file,
        lambda path: read_sheet(path, DeterminationsSheet, "determinations"),
    ):
        with pytest.raises(Refused) as caught:
            read(tmp_path / "waits")
        assert small_delivery.only(caught.value.problems).code == "not-a-file"


def test_refused_tables(tmp_path: Path) -> None:
    """Each is told by itself: wide, a long header, binary, NUL in it, blank, a mark alone."""
    codes = {
        "crew": ("c," * 1_000_000 + "c\n1\n", "too-many-columns"),
        "settings": ("x" * 3_000_000, "missing-header"),
        "observations": (bytes(range(256)) * 50, "not-utf8"),
        "contacts": ("trip_id,at_s,contacted\0\n007,60,anybody\n", "unknown-column"),
        "device_events": ("\n\n\n", "empty-file"),
        "training": ("\ufeff", "empty-file"),
    }
    texts = {table: text for table, (text, _) in codes.items()}
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", **texts))
    found = {(p.file, p.code) for p in problems}
    assert {(f"{table}.csv", code) for table, (_, code) in codes.items()} <= found


def test_lines_of_two_gigabytes(tmp_path: Path) -> None:
    """They are given up after eight megabytes; the rest is a hole in the disk."""
    delivery = small_delivery.write(tmp_path / "d")
    for table, start in (("crew", CREW), ("training", "")):
        with (delivery / f"{table}.csv").open("wb") as file:
            file.write(start.encode() + b"x" * (content.LONGEST_LINE + 1))
            file.truncate(2 << 30)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    problems = small_delivery.refusals(delivery)
    assert sorted((p.file or "", p.code, p.line) for p in problems) == [
        ("crew.csv", "line-too-long", 2), ("training.csv", "line-too-long", 1),
    ]  # fmt: skip
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 500_000


def test_settings_of_two_gigabytes(tmp_path: Path) -> None:
    delivery = small_delivery.write(tmp_path / "d")
    with (delivery / "protocol.toml").open("ab") as file:
        file.truncate(2 << 30)
    assert small_delivery.only(small_delivery.refusals(delivery)).code == "too-large"


def test_rows_set_aside(tmp_path: Path) -> None:
    """One with a long cell, and one with NUL."""
    rows = f"007,{'x' * 3_000_000},nurse\n007,c\0c,nurse\nT2,c2,nurse\n"
    assert small_delivery.aside(small_delivery.write(tmp_path / "d", crew=CREW + rows)) == [
        ("crew.csv", 2, None, "bad-quoting"), ("crew.csv", 3, "crew_member", "not-a-token"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [b"\xff\xfe\x00", 'a = "\0"', "x = " + "[" * 5000 + "]" * 5000,
     small_delivery.PROTOCOL.replace("limit_min = 50", "limit_min = 2026-01-01"),
     small_delivery.PROTOCOL.replace("limit_min = 50", "limit_min = inf"),
     small_delivery.PROTOCOL + '[version.rules."../x"]\na = 1\n', "version = 1979-05-27"],
    ids=["bytes", "NUL", "deep", "date", "infinite", "path", "version"],
)  # fmt: skip
@pytest.mark.parametrize("name", ["protocol", "export", "cannulas"])
def test_odd_toml(tmp_path: Path, name: str, text: str | bytes) -> None:
    findings = Findings()
    parts = find_parts(small_delivery.write(tmp_path / "d", **{name: text}), None, None, findings)
    read_settings_files(parts, findings)
    assert findings.refusals
    for problem in findings.refusals:
        assert problem.code in {"toml-syntax", "toml-content", "not-utf8"}
        assert problem.remedy.endswith(".")


def test_odd_toml_refuses_a_delivery(tmp_path: Path) -> None:
    odd = dict.fromkeys(("protocol", "export", "cannulas"), 'a = "\0"')
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", **odd))
    assert {p.code for p in problems} == {"toml-syntax"}
    assert {p.file for p in problems} == {f"{name}.toml" for name in odd}


def test_names_and_cells_that_would_be_sql_or_html(tmp_path: Path) -> None:
    folder = tmp_path / "x'; drop table trips; --" / "<b>d</b>"
    crew = CREW + '007,"c\'); drop table",<b>nurse</b>\n'
    path = tmp_path / "store'.duckdb"
    small_delivery.store(path, small_delivery.write(folder, crew=crew))
    rows = small_delivery.ask(path, "select crew_member, role from delivered.crew")
    assert rows == [("c'); drop table", "<b>nurse</b>")]


@pytest.mark.skipif(os.name != "posix", reason="needs a limit to the size of files")
def test_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No file may grow beyond 20 kB, so writing ends as it does on a full disk."""
    delivery, into = small_delivery.write(tmp_path / "d"), tmp_path / "out"
    monkeypatch.setattr("sys.argv", ["tailrace", "review", str(delivery), "--into", str(into)])
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    try:
        with pytest.raises(SystemExit) as caught:
            main()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert caught.value.code == 3
    printed = capsys.readouterr()
    assert "there is no room left to write. Make room" in printed.err
    assert not (into / "store.duckdb").exists()
