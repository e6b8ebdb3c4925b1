"""Inputs made to hurt, full disks, closed folders: a sentence, and nothing left."""

from __future__ import annotations

import gzip
import os
import zipfile
from pathlib import Path

import pytest

from pipeline.files import content, delimited, workbook, xml_stream
from pipeline.mapping import deliver
from tests.deep import examples
from tests.mapping import direct, fuzzing, small_source, test_files, test_reports

posix = pytest.mark.skipif(os.name != "posix", reason="needs links, pipes and permissions")


# ---- bombs


def test_a_packed_bomb(tmp_path: Path) -> None:
    """70 MB of one letter pack to 70 kB: it is given up at 64 MB."""
    packed = gzip.compress(b"case,month\n" + b"x" * 9 + (b"y" * 999 + b"\n") * 70_000)
    folder = small_source.source(tmp_path / "in", {"trips.csv.gz": packed})
    text = (folder / "mapping.toml").read_text().replace("trips.csv", "trips.csv.gz")
    (folder / "mapping.toml").write_text(text)
    problem = small_source.refusal(folder)
    assert (problem.code, problem.file) == ("too-large", "trips.csv.gz")


def test_a_packed_bomb_of_xml(tmp_path: Path) -> None:
    folder = test_reports.mapping(tmp_path / "in", "in.xml")
    text = test_reports.document(test_reports.report("<x>" + "y" * 70_000_000 + "</x>"))
    (folder / "in.xml").write_bytes(gzip.compress(text.encode(), 1))
    assert small_source.refusal(folder).code == "too-large"


def test_a_workbook_that_unpacks_to_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = test_files.sheet_source(tmp_path, [test_files.HEADER, test_files.ROW])
    with zipfile.ZipFile(folder / "book.xlsx", "a", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/media/x.bin", b"\x00" * 30_000_000)
    monkeypatch.setattr(workbook, "FREE_UNPACKED", 1 << 20)
    assert small_source.refusal(folder).code == "too-large"


def test_entities_that_swell_are_refused_at_once(tmp_path: Path) -> None:
    folder = test_reports.mapping(tmp_path / "in", "in.xml")
    (folder / "in.xml").write_text(test_reports.BOMB + "]><x>&i;</x>")
    assert small_source.refusal(folder).code == "xml-dtd"


@pytest.mark.parametrize("part", ["sheet1.xml", "workbook.xml"])
def test_entities_in_a_workbook(tmp_path: Path, part: str) -> None:
    folder = test_files.sheet_source(tmp_path, [test_files.HEADER, test_files.ROW])

    def change(data: bytes) -> bytes:
        data = data[data.index(b"?>") + 2 :] if data.startswith(b"<?xml") else data
        return test_reports.BOMB.encode() + b"]>" + data.replace(b"<t>case<", b"<t>&i;<")

    rewrite(folder / "book.xlsx", part, change)
    if part != "workbook.xml":
        assert small_source.refusal(folder).code in ("xml-dtd", "not-a-workbook")
        return
    # entities that nothing refers to are never looked at
    small_source.run(folder)


def rewrite(path: Path, part: str, change: object) -> None:
    """Change the parts of a workbook whose name ends so."""
    assert callable(change)
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, data in parts.items():
            new.writestr(name, change(data) if name.endswith(part) else data)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'<row r="2"', b'<row r="99999999999"'),
        (b'<row r="2"', b'<row r="1"'),
        (b'<row r="2"', b'<row r="-1"'),
        (b'r="A2"', b'r="ZZZZZZZ2"'),
        (b'r="A2"', b'r="2A"'),
        (b"<v>8.5</v>", b"<v>8.5.5</v>"),
        (b't="inlineStr"><is><t>007</t></is>', b't="s"><v>99999999</v>'),
        (b"</sheetData>", b""),
    ],
)
def test_a_workbook_with_impossible_cells(tmp_path: Path, old: bytes, new: bytes) -> None:
    folder = test_files.sheet_source(
        tmp_path, [test_files.HEADER, test_files.ROW], columns='weight_kg = "kg"'
    )
    seen = []

    def change(data: bytes) -> bytes:
        seen.append(old in data)
        return data.replace(old, new, 1)

    rewrite(folder / "book.xlsx", "sheet1.xml", change)
    assert any(seen)
    fuzzing.whole(folder)


# ---- too long, too wide, not text


def test_a_million_columns(tmp_path: Path) -> None:
    text = ",".join(f"c{n}" for n in range(1_000_000)) + "\n"
    problem = small_source.refusal(small_source.source(tmp_path / "in", {"trips.csv": text}))
    assert problem.code == "too-many-columns"
    assert "1000000 columns" in problem.what


@pytest.mark.parametrize("start", [b"", b"case,month,site,kind,kg,dx\n"])
def test_a_line_of_two_gigabytes(tmp_path: Path, start: bytes) -> None:
    """It is given up after eight megabytes, so the rest may as well be a hole in the disk."""
    folder = small_source.source(tmp_path / "in")
    with (folder / "trips.csv").open("wb") as file:
        file.write(start + b"x" * (content.LONGEST_LINE + 1))
        file.truncate(2 << 30)
    problem = small_source.refusal(folder)
    assert (problem.code, problem.line) == ("line-too-long", 1 + len(start) // 27)


def test_a_tag_without_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xml_stream, "LONGEST_TAG", 1 << 20)
    folder = test_reports.mapping(tmp_path / "in", "in.xml")
    (folder / "in.xml").write_text(test_reports.document()[:300] + "<x a='" + "y" * (4 << 20))
    assert small_source.refusal(folder).code in ("line-too-long", "xml-syntax")


def test_a_cell_and_a_row_that_are_too_long(tmp_path: Path) -> None:
    cell = "x" * (delimited.LONGEST_CELL + 1)
    text = small_source.TRIPS + f'T3,2026-03,b1,ground,"{cell}",a\n'
    folder = small_source.source(tmp_path / "in", {"trips.csv": text + '"\n"\n'})
    assert [code for *_, code in small_source.found(small_source.run(folder))] == [
        "bad-quoting",
        "ragged-row",
    ]


# ---- links, pipes, devices


@posix
def test_links_that_go_round(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    (folder / "trips.csv").rename(tmp_path / "trips.csv")
    (folder / "trips.csv").symlink_to(folder / "other.csv")
    (folder / "other.csv").symlink_to(folder / "trips.csv")
    assert small_source.refusal(folder).code == "not-found"
    (folder / "trips.csv").unlink()
    (folder / "trips.csv").symlink_to(tmp_path / "trips.csv")
    assert small_source.refusal(folder).code == "outside-source"


@posix
def test_a_folder_within_itself(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    (folder / "loop").symlink_to(folder)
    text = (folder / "mapping.toml").read_text()
    (folder / "mapping.toml").write_text(text.replace("trips.csv", "loop/loop/trip*.csv"))
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2"]
    (folder / "mapping.toml").write_text(text.replace("trips.csv", "loop"))
    (tmp_path / "in-mapped").rename(tmp_path / "first")
    assert small_source.refusal(folder).code == "not-a-file"


@posix
@pytest.mark.timeout(20)
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    (folder / "trips.csv").unlink()
    os.mkfifo(folder / "trips.csv")
    assert small_source.refusal(folder).code == "not-a-file"
    (folder / "trips.csv").unlink()
    (folder / "trips.csv").symlink_to("/dev/zero")
    assert small_source.refusal(folder).code in ("not-a-file", "outside-source")


def test_no_path_leads_out(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    text = (folder / "mapping.toml").read_text()
    for path in (
        "../trips.csv",
        "/etc/passwd",
        "a/../../trips.csv",
        "**/trips.csv",
        "a\\\\..\\\\b",
    ):
        (folder / "mapping.toml").write_text(text.replace("trips.csv", path))
        assert small_source.refusal(folder).code == "toml-content"


# ---- names that would be something else

NAMES = [
    "plain name", "it's", 'double "quote"', "semi;colon", "a'); drop table trips; --",
    "<script>alert(1)</script>", "{n}", "%s %d", "$inner", "[1]*?", "naïve ☃", "w0", "line",
    "file_no", "trip_id", "\\", "--", "/*", "a\tb",
]  # fmt: skip
"""In short every second one names columns, and the others folders and files."""


@pytest.mark.parametrize("name", NAMES[:: examples(2, 1)])
def test_columns_and_values_of_any_name(tmp_path: Path, name: str) -> None:
    quoted = '"' + name.replace('"', '""') + '"'
    text = small_source.TRIPS.replace("dx", quoted).replace("croup", quoted)
    folder = small_source.source(tmp_path / "in", {"trips.csv": text})
    toml = "'''" + name + "'''"
    old = (folder / "mapping.toml").read_text()
    spec = f'{{ from = {toml}, nulls = [{toml}], codes = {{ asthma = "a" }} }}'
    both = f"diagnosis_group = {toml}\nheater_unit = {spec}"
    (folder / "mapping.toml").write_text(old.replace('diagnosis_group = "dx"', both))
    if "{n}" in name:
        assert small_source.refusal(folder).code == "toml-content"
        return
    mapped = small_source.run(folder)
    assert small_source.column(folder, "diagnosis_group") == [name, "asthma"]
    assert small_source.column(folder, "heater_unit") == ["", "a"]
    assert mapped.problems == []


@pytest.mark.parametrize(
    "name",
    [n for n in NAMES[examples(1, 0) :: examples(2, 1)] if "/" not in n and n != "\\"],
)
def test_folders_and_files_of_any_name(tmp_path: Path, name: str) -> None:
    parent = tmp_path / name
    folder = small_source.source(parent / "in", {f"{name}.csv": small_source.TRIPS})
    text = (folder / "mapping.toml").read_text()
    path = f"{name}.csv".replace("[", "?").replace("\\", "?")
    (folder / "mapping.toml").write_text(text.replace('"trips.csv"', f"'''{path}'''"))
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2"]


def test_a_message_never_spreads_over_lines(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    text = (folder / "mapping.toml").read_text()
    evil = '"a\\nb\\u001b[31m"'
    (folder / "mapping.toml").write_text(text.replace('"dx"', evil))
    problem = small_source.refusal(folder)
    assert "\n" not in problem.sentence()
    assert "\x1b" not in problem.sentence()


# ---- nothing half-done


def test_the_target_must_be_new_or_empty(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    target = tmp_path / "in-mapped"
    target.mkdir()
    small_source.run(folder)
    before = sorted(path.name for path in target.iterdir())
    with pytest.raises(small_source.Mistake) as caught:
        small_source.run(folder)
    assert caught.value.exit_code == 2
    assert sorted(path.name for path in target.iterdir()) == before
    (tmp_path / "file").touch()
    for place in (tmp_path / "file", tmp_path / "file" / "below", Path("\x00")):
        with pytest.raises(small_source.Mistake) as caught:
            small_source.map_source(folder, place)
        assert caught.value.exit_code == 2


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_what_fails_halfway_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    folder = small_source.source(tmp_path / "in")

    def fail(*_: object) -> None:
        assert any((tmp_path / ".in-mapped.unfinished").iterdir())
        raise error

    monkeypatch.setattr(deliver, "write_settings", fail)
    with pytest.raises((KeyboardInterrupt, small_source.Refused)) as caught:
        small_source.run(folder)
    if isinstance(caught.value, small_source.Refused):
        assert caught.value.problems[0].code == "disk-full"
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


def test_what_a_kill_left_is_cleared_away(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in")
    (tmp_path / ".in-mapped.unfinished").mkdir()
    (tmp_path / ".in-mapped.unfinished" / "trips.csv").write_text("half")
    small_source.run(folder)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in", "in-mapped"]


@pytest.mark.parametrize("place", ["nowhere/list.csv", "in", "in/trips.csv/list.csv"])
def test_a_list_of_problems_that_cannot_be_written(tmp_path: Path, place: str) -> None:
    folder = small_source.source(tmp_path / "in")
    assert small_source.refusal(folder, problems=tmp_path / place).code == "not-found"


def test_a_crosswalk_without_its_folder(tmp_path: Path) -> None:
    tokens = '[tokens]\nkey_file = "key"\ncrosswalk = "nowhere/list.csv"\ntrip_id = "assigned"'
    folder = small_source.source(tmp_path / "in", tokens=tokens)
    (folder / "key").write_text(direct.KEY)
    (folder / "key").chmod(0o600)
    assert small_source.refusal(folder).code == "not-found"
