"""A folder takes its place whole; what people laid in it stays; a killed command is cleaned up."""

from __future__ import annotations

import logging
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.store import whole
from pipeline.store.database import open_store
from pipeline.store.recovery import COMES_AND_GOES, recover
from tests.faults import world

CAN = {"exchanged": True, "renamed": False}


@pytest.fixture(params=CAN, autouse=True)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """With names exchanged at once where the system can, and without."""
    if not CAN[request.param]:
        monkeypatch.setattr(whole, "exchange", lambda *_: False)
    return str(request.param)


def folder_of(at: Path, **files: str) -> Path:
    for name, text in files.items():
        path = at / name.replace("__", "/").replace("_", ".")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return at


def test_the_new_has_the_name_and_what_people_laid_there(tmp_path: Path) -> None:
    case = "cases/0123456789abcdef.html"
    target = folder_of(tmp_path / "2026-01", index_html="old", notes_txt="mine", run_json="old")
    (target / "cases").mkdir()
    (target / case).write_text("a case that is none any more")
    inode = (target / "notes.txt").stat().st_ino
    made = folder_of(tmp_path / "made", index_html="new", run_json="new")
    whole.take_place(made, target, COMES_AND_GOES)
    assert world.units(tmp_path).keys() == {"2026-01"}
    assert (target / "index.html").read_text() == "new"
    assert (target / "notes.txt").read_text() == "mine"
    assert (target / "notes.txt").stat().st_ino == inode, "linked, not copied"
    assert not (target / case).exists()
    assert not made.exists()


def test_what_is_saved_at_the_last_moment_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = folder_of(tmp_path / "2026-01", index_html="old", notes_txt="mine")
    made = folder_of(tmp_path / "made", index_html="new")
    carry = whole._carry

    def then_somebody_saves(old: Path, *more: object) -> object:
        carried = carry(old, *more)  # type: ignore[arg-type]
        (old / "notes.txt.saved").write_text("mine, longer")
        (old / "notes.txt.saved").replace(old / "notes.txt")
        (old / "late.txt").write_text("late")
        return carried

    monkeypatch.setattr(whole, "_carry", then_somebody_saves)
    whole.take_place(made, target)
    assert (target / "index.html").read_text() == "new"
    assert (target / "notes.txt").read_text() == "mine, longer"
    assert (target / "late.txt").read_text() == "late"


def test_a_command_killed_between_two_names_is_finished(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Where names cannot be exchanged, the month has none for a moment."""
    folder_of(tmp_path / whole.DRAWING / "2026-01", index_html="new")
    folder_of(tmp_path / whole.DRAWING / f"2026-01{whole.OLD}", index_html="old", late_txt="late")
    folder_of(tmp_path / whole.DRAWING / f"2026-02{whole.OLD}", index_html="old")
    with closing(open_store(tmp_path / "store.duckdb")) as con, caplog.at_level(logging.WARNING):
        recover(con, tmp_path)
    assert (tmp_path / "2026-01" / "index.html").read_text() == "new"
    assert (tmp_path / "2026-01" / "late.txt").read_text() == "late"
    assert (tmp_path / "2026-02" / "index.html").read_text() == "old"
    assert not (tmp_path / whole.DRAWING).exists()
    assert "2026-01, 2026-02 took its place" in caplog.text


def test_what_a_killed_command_had_drawn_is_removed_and_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    target = folder_of(tmp_path / "2026-01", index_html="old")
    folder_of(tmp_path / whole.DRAWING / "2026-01", index_html="half")
    with closing(open_store(tmp_path / "store.duckdb")) as con, caplog.at_level(logging.WARNING):
        recover(con, tmp_path)
    assert (target / "index.html").read_text() == "old"
    assert not (tmp_path / whole.DRAWING).exists()
    assert "what it had drawn was removed" in caplog.text


def test_a_link_to_another_folder_is_replaced_not_followed(tmp_path: Path) -> None:
    elsewhere = folder_of(tmp_path / "elsewhere", index_html="old", notes_txt="mine")
    (tmp_path / "2026-01").symlink_to(elsewhere)
    made = folder_of(tmp_path / "made", index_html="new")
    whole.take_place(made, tmp_path / "2026-01")
    assert (tmp_path / "2026-01" / "index.html").read_text() == "new"
    assert (elsewhere / "index.html").read_text() == "old"
