"""`tailrace month` by itself: a folder that grows month by month, and what goes wrong in it."""

from __future__ import annotations

import csv
import os
import shutil
import sys
from collections.abc import Callable
from contextlib import closing, nullcontext
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.main import main
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.store.session import open_waiting
from pipeline.unattended import wanted_month
from tests.acceptance.command_runs import verdicts_alone
from tests.deep import examples
from tests.followup import reviewed_store
from tests.mapping import direct
from tests.mapping.direct import Row

pytestmark = pytest.mark.usefixtures("without_screen")

TABLES = ("trips", "crew", "settings", "device_events", "observations", "contacts")
MONTHS = [f"2026-{n:02d}" for n in range(1, examples(2, 12) + 1)]
COLUMNS: dict[str, list[str]] = {}
TOKENS = '[tokens]\ntrip_id = "assigned"\ncrew_member = "assigned"\nunits = "assigned"\n'
Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """`tailrace ...` as a user meets it, but in this process: exit code and what it printed."""

    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["tailrace", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            main()
        printed = capsys.readouterr()
        return int(caught.value.code or 0), printed.out, printed.err

    return run


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A delivery of two months, or with `--deep` of a year, to be handed out month by month."""
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("year") / "delivery"
    simulate(folder, trips=max(12, 4 * len(MONTHS)), months=len(MONTHS), seed=7)
    return folder


def begin(folder: Path, year: Path) -> Path:
    """A folder for exports with a mapping beside it, and nothing exported yet."""
    (folder / "exports").mkdir(parents=True)
    for name in ("protocol.toml", "cannulas.toml"):
        shutil.copy(year / name, folder / name)
    stated = direct.STATED
    lines = ["mapping = 1", 'service = "heron-ridge"', 'privacy_basis = "limited-data-set"']
    lines += ['not_recorded = ["training"]', stated, TOKENS, "[tolerated]", "observations = 0.02"]
    lines += ["device_events = 1", "contacts = 1"]  # a few trips a month may have none
    lines += ["[month]", 'source = "exports"', 'into = "kept"']
    for table in TABLES:
        with (year / f"{table}.csv").open(newline="") as file:
            names = next(csv.reader(file))
        lines += [f"[files.{table}]", f'path = "{table} *.csv"', f"[tables.{table}]"]
        lines += [f'from = "{table}"', f"[tables.{table}.columns]"]
        lines += [f'{name} = "{name}"' for name in names]
    (folder / "mapping.toml").write_text("\n".join(lines))
    return folder / "mapping.toml"


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Months that are reviewed; a review of any other only stores, which is much quicker.

    With `--deep` with their pages, which `tests/faults/test_full_disk.py` has drawn every time.
    """
    from pipeline import review as steps
    from pipeline.cli import summary

    months: list[str] = []
    whole, told = steps.review, summary.review_summary

    def review(delivery: Path, into: Path, *, month: str, **options: Any) -> Any:
        if month in months:
            with nullcontext() if examples(0, 1) else verdicts_alone():
                return whole(delivery, into, month=month, **options)
        with closing(open_waiting(into / steps.STORE, create=True)) as con:
            load(con, read_delivery(con, delivery))
        return None

    monkeypatch.setattr(steps, "review", review)
    monkeypatch.setattr(summary, "review_summary", lambda done: told(done) if done else "stored")
    return months


def export(
    folder: Path, year: Path, month: str, *, but: int = 0, only: int = 0, name: str = ""
) -> None:
    """Export one month; `but`: without its last trips, which a late file may then have alone."""
    tables = direct.tables(year)
    trips = [row["trip_id"] for row in tables["trips"] if row["service_month"] == month]
    chosen = set(trips[-only:] if only else trips[: len(trips) - but])
    for table in TABLES:
        rows = [row for row in tables[table] if row["trip_id"] in chosen]
        write(folder / "exports" / f"{table} {name or month}.csv", list(tables[table][0]), rows)


def write(path: Path, names: list[str], rows: list[Row]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(rows)


def stored(folder: Path) -> dict[str, int]:
    """Trips that hold in the store, by month."""
    sql = """
        select t.service_month, count(*) from delivered.holding h
        join delivered.trips t using (trip_key) group by all
    """
    return dict(reviewed_store.ask(folder / "kept", sql))


def log_codes(folder: Path) -> list[int]:
    text = (folder / "log.txt").read_text()
    return [int(line.split("ends with ")[1]) for line in text.splitlines() if "ends with " in line]


@pytest.mark.timeout(900)
def test_a_folder_that_grows_by_a_month_at_a_time(
    tmp_path: Path, year: Path, command: Command, drawn: list[str]
) -> None:
    drawn += MONTHS[:: len(MONTHS) - 1] if examples(0, 1) else MONTHS[:1]
    short, late, changed, empty, full = (0, 1, 9, 1, 1) if len(MONTHS) < 12 else (4, 5, 7, 8, 9)
    folder = tmp_path / "quality"
    mapping = begin(folder, year)
    tables = direct.tables(year)
    trips = {m: sum(row["service_month"] == m for row in tables["trips"]) for m in MONTHS}
    expected: dict[str, int] = {}
    assert max(short, late, empty, full) < len(MONTHS)

    def run(*more: object) -> tuple[int, str, str]:
        return command("month", mapping, "--log", folder / "log.txt", *more)

    assert run()[0] == 6, "no file yet"
    for number, month in enumerate(MONTHS):
        if number == empty:  # an empty file: nothing is stored, and the next run takes it up
            (folder / "exports" / f"settings {month}.csv").write_bytes(b"")
            export_but_settings(folder, year, month)
            code, _, err = run()
            assert code == 3
            assert f"settings {month}.csv" in err
            assert "empty" in err or "no header" in err
            assert stored(folder) == expected
        export(folder, year, month, but=2 if number == short else 0)
        if number == full and os.name == "posix":
            assert on_a_full_disk(lambda: command("month", mapping)) == 3
            assert stored(folder) == expected
        code, out, err = run("--month", month)
        assert (code, err) == (0, ""), out + err
        expected[month] = trips[month] - (2 if number == short else 0)
        assert stored(folder) == expected
        assert (folder / "kept" / month / "run.json").exists() == (month in drawn)
        drawn[:] = drawn[: examples(0, len(MONTHS))]  # in short the first month, once
        assert (folder / "kept" / "deliveries" / month / "export.toml").exists()
        if number == late:  # a late file of the month before: told, and taken in when asked
            export(folder, year, MONTHS[short], only=2, name="late")
            code, out, _ = run("--month", month)
            assert code == 4
            assert out.startswith(MONTHS[short])
            assert stored(folder) == expected
            assert run("--month", month, "--replace", "--quiet")[0] == 0
            expected[MONTHS[short]] = trips[MONTHS[short]]
            assert stored(folder) == expected
        if number == changed:  # a changed one, told and taken in as a late one is: with `--deep`
            other = MONTHS[0 if short else 1]
            change(folder / "exports" / f"trips {other}.csv")
            assert run("--month", month)[0] == 4
            code, out, _ = run("--month", month, "--replace")
            assert code == 0
            assert weights(folder, other) == {77.0}
    assert run("--month", MONTHS[-1], "--quiet") == (0, "", "")
    assert run("--month", "2027-01")[0] == 6
    codes = log_codes(folder)
    assert [codes.count(code) for code in (6, 3, 4)] == [2, 1, 1 + (changed < len(MONTHS))]
    assert sorted(p.name for p in (folder / "kept" / "deliveries").iterdir()) == MONTHS


def export_but_settings(folder: Path, year: Path, month: str) -> None:
    kept = folder / "exports" / f"settings {month}.csv"
    export(folder, year, month)
    kept.write_bytes(b"")


def on_a_full_disk(run: Callable[[], tuple[int, str, str]]) -> int:
    """No file may grow beyond 2 kB, so what is made of the files cannot be written."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000, before[1]))
    try:
        code, _, err = run()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "no room left" in err
    return code


def change(path: Path) -> None:
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    write(path, list(rows[0]), [{**row, "weight_kg": "77"} for row in rows])


def weights(folder: Path, month: str) -> set[float]:
    sql = f"""
        select distinct weight_kg from delivered.holding join delivered.trips t using (trip_key)
        where t.service_month = '{month}'
    """
    return {weight for (weight,) in reviewed_store.ask(folder / "kept", sql)}


def test_rows_that_cannot_be_used(
    tmp_path: Path, year: Path, command: Command, drawn: list[str]
) -> None:
    """Below what is tolerated the run ends with 0, above with 4; what is wrong is in the log."""
    assert drawn == []
    folder = tmp_path / "quality"
    mapping = begin(folder, year)
    export(folder, year, MONTHS[0])
    path = folder / "exports" / f"observations {MONTHS[0]}.csv"
    lines = path.read_text().splitlines()
    rows = len(lines) - 1
    column = lines[0].split(",").index("spo2_pct")
    for share, code in ((0.01, 0), (0.05, 4)):
        bad = [line.split(",") for line in lines]
        for cells in bad[1 : 1 + max(int(rows * share), 1)]:
            cells[column] = "high"
        path.write_text("\n".join(map(",".join, bad)) + "\n")
        ended = command("month", mapping, "--quiet", "--replace", "--log", folder / "log.txt")
        assert ended[0] == code, ended
        assert (ended[1] == "") == (code == 0)
        assert "the cell is not a number" in (folder / "log.txt").read_text()
    assert log_codes(folder) == [0, 4]


@pytest.mark.parametrize(
    ("wanted", "today", "expected"),
    [
        ("last", date(2026, 3, 31), "2026-02"),
        ("last", date(2026, 1, 1), "2025-12"),
        ("2026-05", date(2026, 1, 1), "2026-05"),
        (None, date(2026, 1, 1), None),
    ],
)
def test_which_month(wanted: str | None, today: date, expected: str | None) -> None:
    assert wanted_month(wanted, today) == expected


def test_wrong_usage(tmp_path: Path, year: Path, command: Command) -> None:
    mapping = begin(tmp_path / "quality", year)
    assert command("month", mapping, "--month", "May")[0] == 2
    assert command("month", mapping, "--log", tmp_path / "no" / "log.txt")[0] == 2
    assert command("month", tmp_path / "none.toml")[0] == 3
    assert command("month")[0] == 2
