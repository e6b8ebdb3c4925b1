"""A kill leaves all or nothing; of two processes one waits, or says who holds the store."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from pipeline.cli import main as cli
from pipeline.errors import Refused
from pipeline.followup.ledger_words import ledger
from pipeline.store.database import open_store
from pipeline.store.session import open_waiting
from tests.process import Running, started

from . import reviewed_store

WAIT_S = 60

STEP_BY_STEP = """
import sys
import sys
import time

import duckdb

import {module} as module
import pipeline.store.ledger as ledger

def stop(name):
    def waits(*given, **named):
        print(name, flush=True)
        time.sleep({wait})
    return waits

setattr(module, "record_stored", stop("stored"))
"""

DETERMINE = (
    STEP_BY_STEP.format(module="pipeline.followup.determine", wait=WAIT_S)
    + """
from pathlib import Path
module.determine(Path(sys.argv[1]), Path(sys.argv[2]), "R1")
"""
)

PUBLISH = (
    STEP_BY_STEP.format(module="pipeline.followup.publish", wait=WAIT_S)
    + """
from pathlib import Path
from schemas.frame import Frame
def draw(con, into, month):
    (into / month).mkdir(parents=True)
    (into / month / "index.html").write_text("page")
    return Frame.read(con.execute(
        "SELECT 'm' AS measure, '2026-02' AS month, 'service' AS group_by, 'all' AS group_value,"
        " 1.0 AS numerator, 2.0 AS denominator, 'u' AS unit, 0.5 AS estimate, 0.1 AS low,"
        " 0.9 AS high"))
module.publish(Path(sys.argv[2]), "2026-02", draw, "0", anyway=True)
"""
)

HOLD = """
import sys, time
from pathlib import Path
from pipeline.store.database import open_store
con = open_store(Path(sys.argv[1]))
print("held", flush=True)
time.sleep(float(sys.argv[2]))
con.close()
"""

TABLES = ("sheet", "determination", "determination_rule", "ledger", "publication",
          "published_figure", "published_verdict", "published_file", "file_content")  # fmt: skip


def sentence(process: Running, word: str) -> None:
    assert process.printed.readline().strip() == word


def content(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    return {name: reviewed_store.ask(folder, f"FROM loop.{name} ORDER BY ALL") for name in TABLES}


@pytest.mark.parametrize("code", [DETERMINE, PUBLISH], ids=["determine", "publish"])
def test_a_kill_before_the_end_leaves_nothing(folder: Path, tmp_path: Path, code: str) -> None:
    """Killed inside the transaction, after every row was written and before it was committed."""
    sheet = reviewed_store.write_csv(
        tmp_path / "a.csv",
        [reviewed_store.answer(*pair, "practice") for pair in reviewed_store.flagged(folder)],
    )
    before = content(folder)
    process = started(code, sheet, folder)
    sentence(process, "stored")
    process.kill()
    assert content(folder) == before
    assert ledger(folder)[1] == []
    again = reviewed_store.read_back(
        folder, [reviewed_store.answer(*reviewed_store.flagged(folder)[0], "practice")]
    )
    assert again.stored == 1


def test_a_second_process_waits_for_the_first(folder: Path) -> None:
    flagged = reviewed_store.flagged(folder)[0]
    holder = started(HOLD, folder / "store.duckdb", 0.4)
    sentence(holder, "held")
    begun = time.monotonic()
    done = reviewed_store.read_back(folder, [reviewed_store.answer(*flagged, "practice")])
    assert done.stored == 1
    assert holder.wait() == 0
    assert time.monotonic() - begun < WAIT_S


def test_a_store_held_for_long_says_by_whom(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As an error, and on the command line."""
    holder = started(HOLD, folder / "store.duckdb", WAIT_S)
    sentence(holder, "held")
    try:
        with pytest.raises(Refused) as caught:
            open_waiting(folder / "store.duckdb", patience_s=0.3)
        (problem,) = caught.value.problems
        assert problem.code == "store-locked"
        assert str(holder.pid) in problem.what
        monkeypatch.setattr(open_waiting, "__kwdefaults__",
                            {**open_waiting.__kwdefaults__, "patience_s": 0.3})  # fmt: skip
        monkeypatch.setattr(sys, "argv", ["tailrace", "ledger", "--into", str(folder)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        assert ended.value.code == 3
        assert f"process {holder.pid} is using this store" in capsys.readouterr().err
    finally:
        holder.kill()


def test_two_readers_at_once_lose_nothing(folder: Path, tmp_path: Path) -> None:
    """Each reads a sheet of its own into the store at the same moment; both are kept."""
    pairs = reviewed_store.flagged(folder)[:4]
    code = (
        "import sys\nfrom pathlib import Path\nfrom pipeline.followup.determine import determine\n"
        "print(determine(Path(sys.argv[1]), Path(sys.argv[2])).stored, flush=True)\n"
    )
    processes = []
    for reader in ("R1", "R2", "R3"):
        rows = [
            reviewed_store.answer(*pair, "practice", reviewer=reader, status="open")
            for pair in pairs
        ]
        sheet = reviewed_store.write_csv(tmp_path / f"{reader}.csv", rows)
        processes.append(started(code, sheet, folder))
    for process in processes:
        sentence(process, str(len(pairs)))
        assert process.wait() == 0
    assert len(reviewed_store.ask(folder, "FROM loop.determination")) == 3 * len(pairs)
    assert ledger(folder)[1] == []


def test_reading_alone_needs_no_lock_of_its_own(folder: Path) -> None:
    one = open_store(folder / "store.duckdb", read_only=True)
    code = (
        "import sys\nfrom pathlib import Path\nfrom pipeline.followup.ledger_words import ledger\n"
        "print(len(ledger(Path(sys.argv[1]))[1]), flush=True)\n"
    )
    two = started(code, folder)
    sentence(two, "0")
    assert two.wait() == 0
    one.close()
