"""Work given to a second process: done there, its errors raised here, and done here if it dies."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from pipeline.runtime import worker_process as apart
from reports.render.workbook import write_tables
from schemas.frame import Frame


@pytest.fixture(autouse=True)
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "processors", lambda: 2)


def test_is_done_in_another_process_and_the_same(tmp_path: Path) -> None:
    tables = {"mine": Frame({"text": ["=1", None], "number": [0.5, float("nan")]})}
    with apart.second_process("reports.render.workbook", worth=True) as submit:
        there = submit(os.getpid)
        written = submit(write_tables, tables, tmp_path / "there.xlsx")
        assert there() != os.getpid()
        written()
    write_tables(tables, tmp_path / "here.xlsx")
    assert (tmp_path / "there.xlsx").read_bytes() == (tmp_path / "here.xlsx").read_bytes()


def test_raises_the_error_of_the_work(tmp_path: Path) -> None:
    missing = tmp_path / "no folder" / "file"
    with apart.second_process(worth=True) as submit:
        failed = submit(Path.read_bytes, missing)
        with pytest.raises(FileNotFoundError) as caught:
            failed()
    assert caught.value.filename == str(missing)


def test_is_done_here_if_the_process_was_killed() -> None:
    with apart.second_process(worth=True) as submit:
        process = submit(os.getpid)()
        os.kill(process, signal.SIGKILL)
        assert submit(os.getpid)() == os.getpid()


@pytest.mark.parametrize(("worth", "processors"), [(False, 2), (True, 1)])
def test_is_done_here_where_it_is_not_worth_a_process(
    monkeypatch: pytest.MonkeyPatch, *, worth: bool, processors: int
) -> None:
    monkeypatch.setattr(apart, "processors", lambda: processors)
    with apart.second_process("reports.render.workbook", worth=worth) as submit:
        assert submit(os.getpid)() == os.getpid()
