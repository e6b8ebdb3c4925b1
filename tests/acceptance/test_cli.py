"""Every command as a new user would try it, wrong inputs too.

Commands run in this process; only what is about the process itself starts one.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
from hashlib import sha256
from pathlib import Path

import duckdb
import pytest

from pipeline.rules import all_rules
from pipeline.simulate.service import protocol_text
from schemas.outputs import OUTPUTS
from tests.conftest import MONTHS, TRIPS
from tests.deep import with_deep
from tests.process import started
from tests.unscreened import unscreened

from .command_runs import Reviewed, Run, refused, rows, verdicts_alone

COMMANDS = {
    "review": ["DELIVERY", "--into", "--month", "--protocol", "--cannulas"],
    "check": ["DELIVERY", "--protocol", "--cannulas"],
    "start": ["FOLDER"],
    "explain": ["RULE", "--protocol"],
    "simulate": ["--into", "--trips", "--months", "--seed", "--dirt"],
}


# ---- the commands themselves


@pytest.mark.parametrize("command", COMMANDS)
def test_help_names_every_argument(run: Run, command: str) -> None:
    ran = run(command, "--help")
    assert (ran.code, ran.err) == (0, "")
    for name in COMMANDS[command]:
        assert name in ran.out


def test_help_lists_every_command_and_exit_code(run: Run) -> None:
    ran = run("--help")
    assert ran.code == 0
    assert {*COMMANDS, "0", "1", "2", "3", "4"} <= {*ran.out.split()}


@pytest.mark.parametrize("command", COMMANDS)
def test_an_unknown_option_is_wrong_usage(run: Run, command: str) -> None:
    ran = run(command, "--nonsense")
    assert (ran.code, ran.out) == (2, "")
    assert "--nonsense" in ran.err


@pytest.mark.parametrize("arguments", [["judge"], ["review"], ["check"], ["start"], ["simulate"]])
def test_an_unknown_command_or_a_missing_argument_is_wrong_usage(
    run: Run, arguments: list[str]
) -> None:
    ran = run(*arguments)
    assert (ran.code, ran.out) == (2, "")
    assert "Usage: tailrace" in ran.err


def test_without_a_command_the_commands_are_listed(run: Run) -> None:
    ran = run()
    assert ran.code == 2
    assert all(command in ran.out + ran.err for command in COMMANDS)


# ---- review


def test_review_writes_page_and_data_and_says_where(
    clean_review: Reviewed, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran = clean_review.ran
    monkeypatch.chdir(clean_review.folder)
    assert ran.code == 0
    assert ran.err == "", "progress is for a terminal"
    assert ran.out.splitlines()[0].startswith("heron-ridge, 2026-02: ")
    (version,) = tomllib.loads(protocol_text("2026-02", all_rules=True))["version"]
    assert all(rule in ran.out for rule in version["rules"])
    assert ran.out.rstrip().endswith(f"Page: {Path('tailrace-out/2026-02/index.html')}")
    month = Path("tailrace-out/2026-02")
    assert (month / "index.html").stat().st_size > 0
    assert Path("tailrace-out/store.duckdb").exists()
    for name in OUTPUTS.keys() - {"rule_counts"}:
        header = (month / "data" / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        assert header.split(",") == list(OUTPUTS[name].to_schema().columns)


def test_review_finds_the_planted_answers_of_the_month(
    clean_review: Reviewed, clean_delivery: Path
) -> None:
    """The verdicts a user opens are those the simulator planted, for every rule it plants."""
    month = {r["trip_id"]: r["service_month"] for r in rows(clean_delivery / "trips.csv")}
    planted = {
        (r["trip_id"], r["rule"]): r["verdict"]
        for r in rows(clean_delivery / "planted.csv")
        if month[r["trip_id"]] == "2026-02"
    }
    rules = {rule for _, rule in planted}
    assert len(rules) >= 16
    assert len(planted) == len(rules) * sum(m == "2026-02" for m in month.values())
    found = {
        (r["trip_id"], r["rule"]): r["verdict"]
        for r in rows(clean_review.out / "2026-02/data/verdicts.csv")
        if r["rule"] in rules
    }
    assert found == planted


def test_run_json_says_what_the_pages_were_made_from(
    clean_review: Reviewed, clean_delivery: Path
) -> None:
    out = clean_review.out
    facts = json.loads((out / "2026-02/run.json").read_text(encoding="utf-8"))
    hashes = {entry["file"]: entry["sha256"] for entry in facts["deliveries"]}
    trips = clean_delivery / "trips.csv"
    assert hashes["trips.csv"] == sha256(trips.read_bytes()).hexdigest()
    assert facts["trips"]["received"] == sum(r["service_month"] == "2026-02" for r in rows(trips))
    assert facts["protocol_versions"] == ["2026.1"]
    assert facts["rows"]["verdicts"] == len(rows(out / "2026-02/data/verdicts.csv"))


@with_deep  # else `test_same_bytes.py` reviews three times, by several threads
def test_reviewing_twice_writes_the_same_bytes(
    run: Run, dirty_review: Reviewed, dirty_delivery: Path
) -> None:
    def written(folder: Path) -> dict[str, bytes]:
        files = (path for path in folder.rglob("*") if path.is_file())
        return {str(p.relative_to(folder)): p.read_bytes() for p in files if p.suffix != ".duckdb"}

    first = dirty_review.ran
    shutil.copytree(dirty_review.out, "one")
    before = written(Path("one"))
    again = run("review", dirty_delivery, "--into", "one")
    assert (first.code, again.code) == (0, 0)
    assert len(before) > len(OUTPUTS)
    assert written(Path("one")) == before
    assert "nothing new was stored" in again.out
    assert "nothing new was stored" not in first.out


def test_review_with_rows_set_aside_says_so_and_exits_0(dirty_review: Reviewed) -> None:
    ran = dirty_review.ran
    assert ran.code == 0
    problems = "tailrace-out/2026-02/data/problems.csv"
    assert (
        f"could not be used and were set aside; `tailrace check` lists them all, {problems}"
        in ran.out
    )
    kinds = {row["kind"] for row in rows(dirty_review.folder / problems)}
    assert {"set_aside", "mention"} <= kinds


def test_a_folder_that_is_no_delivery_is_refused(
    run: Run, clean_delivery: Path, tmp_path: Path
) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    for command in ("review", "check"):
        refused(run(command, empty), 3, "it has no export.toml", "Name the folder that holds")
        refused(run(command, tmp_path / "absent"), 3, "there is no such folder")
        refused(run(command, clean_delivery / "trips.csv"), 3, "this is a file, not the folder")
    assert not list(Path("tailrace-out").glob("*/index.html"))


def test_a_month_without_trips_is_wrong_usage(run: Run, clean_delivery: Path) -> None:
    with unscreened():
        ran = run("review", clean_delivery, "--month", "2026-07")
    refused(ran, 2, "no trips in 2026-07", "there are trips in 2026-01, 2026-02.")


def test_a_store_that_cannot_be_read_is_refused(run: Run, clean_delivery: Path) -> None:
    for content in (b"not a database", b"x" * 20_000):
        Path("out").mkdir(exist_ok=True)
        Path("out/store.duckdb").write_bytes(content)
        refused(run("review", clean_delivery, "--into", "out"), 3, "not a store, or it is damaged")
        assert Path("out/store.duckdb").read_bytes() == content
    Path("out/store.duckdb").unlink()
    with duckdb.connect("out/store.duckdb") as other:
        other.execute("create table mine as select 1 as a")
    refused(run("review", clean_delivery, "--into", "out"), 3, "not a store of this tool")


def test_into_a_file_is_wrong_usage(run: Run, clean_delivery: Path) -> None:
    Path("out").write_text("mine", encoding="utf-8")
    refused(run("review", clean_delivery, "--into", "out"), 2, "this is a file, not a folder")
    refused(run("review", clean_delivery, "--into", "out/below"), 2, "cannot be made")
    assert Path("out").read_text(encoding="utf-8") == "mine"


# ---- check


def test_check_of_a_clean_delivery_names_what_it_left_unread(
    run: Run, clean_delivery: Path
) -> None:
    """On the screen alone: what a review keeps of it has no name that may be a person's.

    Another protocol and catalogue can be named to both.
    """
    shutil.copytree(clean_delivery, "delivery")
    Path("delivery/Roster of May.txt").touch()
    Path("delivery/odd\x1b[31m.txt").touch()
    ran = run("check", "delivery")
    assert (ran.code, ran.err) == (0, "")
    assert "planted.csv: the contract does not name this file, so it was left unread." in ran.out
    assert "Roster of May.txt: " in ran.out
    assert "odd?[31m.txt: " in ran.out
    assert "Doubtful: " not in ran.out
    assert ran.out.rstrip().endswith("Nothing is wrong: the delivery can be reviewed.")
    assert "set aside" not in ran.out.splitlines()[-1]
    assert not Path("tailrace-out").exists()
    protocol = (clean_delivery / "protocol.toml").read_text(encoding="utf-8")
    Path("ours.toml").write_text(protocol.replace("2026.1", "ours"), encoding="utf-8")
    shutil.copy(clean_delivery / "cannulas.toml", "sizes.toml")
    named = ("--protocol", "ours.toml", "--cannulas", "sizes.toml")
    with verdicts_alone(), unscreened():
        reviewed = run("review", "delivery", "--into", "out", "--month", "2026-01", *named)
        assert run("check", clean_delivery, *named).code == 0
    assert reviewed.code == 0
    versions = {row["protocol_version"] for row in rows(Path("out/2026-01/data/verdicts.csv"))}
    assert versions == {"ours"}
    kept = Path("out/2026-01/data/problems.csv").read_text(encoding="utf-8")
    assert "another file" in kept
    assert "Roster" not in kept
    absent = run("check", clean_delivery, "--protocol", "absent.toml")
    refused(absent, 3, "absent.toml: there is no such file")


def test_what_to_do_before_publishing_is_said_once(run: Run, clean_review: Reviewed) -> None:
    shutil.copytree(clean_review.out, "out")
    ran = run("publish", "2026-02", "--into", "out", "--by", "D1")
    *lines, last = ran.err.splitlines()
    assert ran.code == 3
    assert len(lines) > 1
    assert all(line.startswith("2026-02: ") for line in lines)
    assert ("--anyway" in last, ran.err.count("--anyway")) == (True, 1)


def test_check_names_every_bad_row_by_place_and_remedy(run: Run, dirty_delivery: Path) -> None:
    ran = run("check", dirty_delivery)
    assert (ran.code, ran.err) == (4, "")
    planted = rows(dirty_delivery / "planted_dirt.csv")
    for file in {row["file"] for row in planted}:
        assert f"{file}, line " in ran.out
    for row in planted:
        if row["column"] and row["column"] != "trip_id":
            assert f": {row['column']}: " in ran.out
    last = ran.out.splitlines()[-1]
    assert last.endswith("rows would be set aside; the rest can be reviewed.")
    assert int(last.split()[0]) >= len(planted)


def test_a_refusal_lists_every_problem_at_once(
    run: Run, clean_delivery: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "spoiled"
    shutil.copytree(clean_delivery, folder)
    (folder / "crew.csv").unlink()
    (folder / "contacts.csv").write_bytes(b"")
    trips = (folder / "trips.csv").read_text(encoding="utf-8")
    (folder / "trips.csv").write_text(trips.replace("vehicle", "vehikel", 1), encoding="utf-8")
    protocol = (folder / "protocol.toml").read_text(encoding="utf-8")
    (folder / "protocol.toml").write_text(
        protocol.replace("limit_min = 50", "limit_min = -5"), encoding="utf-8"
    )
    ran = run("check", folder)
    refused(
        ran,
        3,
        "crew.csv: the table crew is missing. Add the file, or list the table under not_recorded",
        "contacts.csv",
        "trips.csv, line 1: vehicle: the column is missing.",
        "trips.csv, line 1: vehikel: the contract has no such column in trips.",
        "protocol.toml: rules.wall-oxygen-time.limit_min: must be above 0, is -5.",
    )
    assert run("review", folder, "--into", "out").err == ran.err


# ---- explain


def test_explain_lists_every_rule(run: Run) -> None:
    ran = run("explain")
    assert (ran.code, ran.err) == (0, "")
    text = " ".join(ran.out.split())
    for name, rule in all_rules().items():
        assert f"{name} {rule.question}" in text


@pytest.mark.parametrize("rule", all_rules())
def test_explain_one_rule_says_its_parameters_reasoning_and_source(run: Run, rule: str) -> None:
    ran = run("explain", rule)
    assert (ran.code, ran.err) == (0, "")
    text = " ".join(ran.out.split())
    asked = all_rules()[rule]
    for part in (asked.question, asked.unknown_time, asked.reason_to_ask, asked.source):
        assert " ".join(part.split()) in text
    for name, field in asked.parameters.model_fields.items():
        assert f"{name}: {field.description}" in text


def test_explain_shows_the_parameters_of_a_protocol(run: Run, clean_delivery: Path) -> None:
    ran = run("explain", "wall-oxygen-time", "--protocol", clean_delivery / "protocol.toml")
    assert ran.code == 0
    assert "Version 2026.1" in ran.out
    assert "limit_min = 50" in " ".join(ran.out.partition("Version 2026.1")[2].split())
    absent = run("explain", "wall-oxygen-time", "--protocol", "absent.toml")
    refused(absent, 3, "absent.toml: there is no such file")


def test_explain_an_unknown_rule_names_the_rules(run: Run) -> None:
    refused(run("explain", "no-such-rule"), 2, 'there is no rule "no-such-rule"', *all_rules())


# ---- simulate


def test_the_same_seed_gives_the_same_bytes(run: Run, dirty_delivery: Path) -> None:
    for folder, seed in (("same", 7), ("other", 4)):
        sizes = ("--trips", TRIPS, "--months", MONTHS, "--seed", seed, "--dirt")
        assert run("simulate", "--into", folder, *sizes).code == 0
    same, before, other = (
        {path.name: path.read_bytes() for path in folder.iterdir()}
        for folder in (Path("same"), dirty_delivery, Path("other"))
    )
    assert same == before
    assert same["trips.csv"] != other["trips.csv"]


@pytest.mark.parametrize(
    ("sizes", "sentence"),
    [
        (("--trips", 3, "--months", 6), "3 are too few for 6 months: at least 6."),
        (("--trips", 10, "--months", 1, "--dirt"), "10 are too few for bad rows of every kind"),
        (("--trips", 0), "--trips"),
        (("--months", 0), "--months"),
        (("--seed", -1), "--seed"),
        (("--trips", "many"), "--trips"),
        (("--bases", 13), "--bases"),
        (("--sizes", 7), "--sizes"),
        (("--first-month", "May"), "first month"),
        (("--change", "fewer of everything"), '"fewer of everything" is not a change'),
        (("--change", "900 trips missing in 2026-02"), "900 trips missing in 2026-02"),
        (("--sample", "--seed", 4), "--seed does not go with --sample"),
    ],
)
def test_sizes_that_make_no_sense_are_wrong_usage(
    run: Run, sizes: tuple[object, ...], sentence: str
) -> None:
    ran = run("simulate", "--into", "new", *sizes)
    assert (ran.code, ran.out) == (2, "")
    assert sentence in ran.err
    assert not Path("new").exists()


# ---- the process


def test_the_module_runs_as_a_command_of_its_own(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "pipeline.cli.main", "check", tmp_path / "absent"],
        capture_output=True,
        text=True,
        timeout=60,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (3, "")
    assert "there is no such folder" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_our_own_bug_keeps_its_traceback_and_exits_1(tmp_path: Path) -> None:
    program = (
        "import sys, pipeline.ingest.check as check\n"
        "def broken(*_, **__): raise ZeroDivisionError('a bug of ours')\n"
        "check.check_delivery = broken\n"
        f"sys.argv = ['tailrace', 'check', {str(tmp_path)!r}]\n"
        "from pipeline.cli.main import main\n"
        "main()\n"
    )
    ran = started(program)
    printed = ran.printed.read()
    assert ran.wait() == 1
    assert "Traceback" in printed
    assert "ZeroDivisionError: a bug of ours" in printed
