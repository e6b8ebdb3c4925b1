"""The loop's commands as a user tries them: words, exit codes, wrong inputs."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.cli import main as cli
from pipeline.followup import publish

from . import reviewed_store

COMMANDS = {
    "determine": ["FILE", "--into", "--by"],
    "correct": ["FILE", "--into", "--by"],
    "retrained": ["FILE", "--into", "--by"],
    "publish": ["MONTH", "--into", "--by", "--reproduce", "--time", "--anyway"],
    "add": ["TRIP", "--why", "--into", "--by"],
    "approve": ["VERSION", "--by", "--into"],
    "desk": ["--into", "--month", "--by", "--port", "--no-open"],
    "fetch": ["TRIP", "--base", "--month", "--asked", "--not-to-be-had", "--into", "--by"],
    "ledger": ["--into"],
    "whatif": ["--set", "--months", "--all", "--into"],
    "review": ["--baseline", "--audits-a-year", "--by"],
}


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    def running(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["tailrace", *map(str, arguments)])
        code = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = int(ended.code or 0)
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return running


@pytest.mark.parametrize("command", COMMANDS)
def test_help_names_every_argument(run: Run, command: str) -> None:
    ran = run(command, "--help")
    assert ran.code == 0
    assert all(name in ran.out for name in COMMANDS[command])


def test_determine_says_what_it_did_and_exits_with_4_if_rows_were_set_aside(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    pair = reviewed_store.flagged(folder)[0]
    good = reviewed_store.write_csv(
        tmp_path / "good.csv", [reviewed_store.answer(*pair, "practice", reviewer="")]
    )
    ran = run("determine", good, "--into", folder, "--by", "R1")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("1 answers read: 1 stored, 0 said before, 0 set aside.")
    bad = reviewed_store.write_csv(tmp_path / "bad.csv", [reviewed_store.answer(*pair, "guilty")])
    ran = run("determine", bad, "--into", folder)
    assert ran.code == 4
    assert "bad.csv, line 2: conclusion: must be one of practice" in ran.err
    ran = run("determine", tmp_path / "none.csv", "--into", folder)
    assert (ran.code, ran.out) == (3, "")
    assert "there is no such file" in ran.err
    ran = run("determine", good, "--into", folder, "--by", "x" * 99)
    assert ran.code == 2
    assert run("determine", good, "--into", tmp_path / "nowhere").code == 3


def test_correct_exits_as_determine(run: Run, folder: Path, tmp_path: Path) -> None:
    ((trip,),) = reviewed_store.ask(folder, "SELECT min(trip_id) FROM delivered.trips")
    row = {"trip_id": trip, "table": "trips", "column": "weight_kg", "value": "9",
           "reason": "misread"}  # fmt: skip
    ran = run(
        "correct",
        reviewed_store.write_csv(tmp_path / "a.csv", [row]),
        "--into",
        folder,
        "--by",
        "C1",
    )
    assert (ran.code, ran.err) == (0, "")
    assert "1 trip was judged again" in ran.out
    row["value"] = "900"
    ran = run(
        "correct",
        reviewed_store.write_csv(tmp_path / "a.csv", [row]),
        "--into",
        folder,
        "--by",
        "C1",
    )
    assert ran.code == 4
    assert "must be a number from 0.4 to 150 kg" in ran.err


def test_retrained_exits_as_determine(run: Run, folder: Path, tmp_path: Path) -> None:
    ((base,),) = reviewed_store.ask(folder, "SELECT max(base) FROM delivered.trips")
    row = {"month": "2026-02", "base": base, "rule": "heat-ready"}
    sheet = reviewed_store.write_csv(tmp_path / "a.csv", [row])
    ran = run("retrained", sheet, "--into", folder, "--by", "E1")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("1 row read: 1 stored, 0 known before, 0 set aside.")
    ran = run(
        "retrained", reviewed_store.write_csv(sheet, [row | {"base": "nowhere"}]), "--into", folder
    )
    assert ran.code == 4
    assert "a.csv, line 2: base: no trip of the store has this base." in ran.err
    sheet.write_text("month;base;rule\n", encoding="utf-8")
    assert run("retrained", sheet, "--into", folder).code == 3


def test_publish_and_back(run: Run, folder: Path, tmp_path: Path) -> None:
    ran = run("publish", reviewed_store.MONTH, "--into", folder, "--by", "D1", "--anyway")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"{reviewed_store.MONTH} is published: ")
    back = tmp_path / "back"
    assert run("publish", reviewed_store.MONTH, "--into", folder, "--reproduce", back).code == 0
    page = f"{reviewed_store.MONTH}/index.html"
    assert (back / page).read_bytes() == (folder / page).read_bytes()
    assert run("publish", reviewed_store.MONTH, "--into", folder, "--time", 1).code == 2
    twice = run(
        "publish", reviewed_store.MONTH, "--into", folder, "--reproduce", back / "x", "--time", 2
    )
    assert twice.code == 3
    assert "has been published once. Name a number from 1 to 1." in twice.err
    full = run("publish", reviewed_store.MONTH, "--into", folder, "--reproduce", back)
    assert full.code == 2
    assert "not an empty folder" in full.err
    assert run("publish", "2030-01", "--into", folder).code == 2
    never = run("publish", "2026-01", "--into", folder, "--reproduce", tmp_path / "other")
    assert never.code == 3
    assert "has not been published" in never.err


TRIP = "SELECT min(trip_id) FROM delivered.trips"


@pytest.mark.parametrize("command", [name for name, told in COMMANDS.items() if "--by" in told])
def test_nobody_works_under_a_name(
    run: Run, folder: Path, clean_delivery: Path, tmp_path: Path, command: str
) -> None:
    ((trip,),) = reviewed_store.ask(folder, TRIP)
    entries = run("ledger", "--into", folder).out
    arguments = {
        "publish": [reviewed_store.MONTH, "--anyway"],
        "add": [trip, "--why", "a crew's report"],
        "approve": ["2026.1"],
        "desk": ["--no-open"],
        "fetch": [trip, "--asked"],
        "review": [clean_delivery],
    }.get(command, [reviewed_store.write_csv(tmp_path / "a.csv", [{"trip_id": trip}])])
    ran = run(command, *arguments, "--by", "Mary Jones", "--into", folder)
    assert ran.code == 3
    assert "looks like a person's name" in ran.err
    assert "Mary" not in ran.err
    assert run("ledger", "--into", folder).out == entries


def test_a_trip_is_added_with_a_word_on_why(run: Run, folder: Path) -> None:
    ((trip,),) = reviewed_store.ask(folder, TRIP)
    ran = run("add", trip, "--why", " ", "--into", folder)
    assert ran.code == 3
    assert "it needs a word on why" in ran.err


def test_a_month_without_trips_is_told_before_what_is_open(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publish, "check_ready", None)
    ran = run("publish", "2030-1", "--into", folder)
    assert ran.code == 2
    assert "MONTH: there are no trips in 2030-1" in ran.err


def test_ledger_prints_and_refuses_what_was_tampered_with(run: Run, folder: Path) -> None:
    ran = run("ledger", "--into", folder)
    assert (ran.code, ran.err) == (0, "")
    assert "The ledger is whole: 2 entries." in ran.out
    reviewed_store.tamper(folder, "UPDATE loop.ledger SET what = 'audit' WHERE entry_no = 1")
    ran = run("ledger", "--into", folder)
    assert ran.code == 3
    assert "Entry 1 (audit) was changed after it was written" in ran.err


def test_whatif(run: Run, folder: Path) -> None:
    ran = run("whatif", "--set", "wall-oxygen-time.limit_min=45,50", "--into", folder)
    assert (ran.code, ran.err) == (0, "")
    assert "50 (now)" in ran.out
    assert run("whatif", "--set", "nothing", "--into", folder).code == 2
    ran = run("whatif", "--set", "wall-oxygen-time=3", "--into", folder)
    assert ran.code == 2
    assert "Write it as RULE.PARAMETER=VALUE" in ran.err
    assert run("whatif", "--into", folder).code == 2


def test_review_takes_who_and_how_many_audits(
    run: Run, clean_delivery: Path, tmp_path: Path
) -> None:
    into = tmp_path / "pages"
    ran = run("review", clean_delivery, "--into", into, "--by", "C1", "--audits-a-year", "20")
    assert ran.code == 0
    ((wanted, year),) = reviewed_store.ask(into, "SELECT wanted, a_year FROM loop.audit_plan")
    assert (wanted, year) == (2, 20)
    assert run("review", clean_delivery, "--into", into, "--audits-a-year", "-1").code == 2
