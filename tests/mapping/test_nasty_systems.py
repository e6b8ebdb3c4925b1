"""Systems whose rows are not those of a delivery, mapped by views: every value equals the truth."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import pytest

from tests.mapping import device_system, junk_system, log_system, roster_system, small_source
from tests.mapping.direct import Row

pytestmark = pytest.mark.usefixtures("without_screen")

MOST_LINES = 120


def lines_of(mapping: str) -> int:
    return len([line for line in mapping.splitlines() if line.strip()])


def equal(folder: Path, truth: dict[str, list[Row]]) -> None:
    """Hold every value of every row to the truth."""
    for table, rows in truth.items():
        found = small_source.rows(folder, table)
        expected = [{name: row.get(name, "") for name in found[0]} for row in rows]
        key = sorted(found[0])

        def ordered(rows: list[Row], key: list[str] = key) -> list[tuple[str, ...]]:
            return sorted(tuple(_plain(row[name]) for name in key) for row in rows)

        assert ordered(found) == ordered(expected), table


def _plain(text: str) -> str:
    try:
        return f"{float(text):g}"
    except ValueError:
        return text


def test_one_fact_a_row_in_local_time_over_the_autumn_change(tmp_path: Path) -> None:
    truth = log_system.truth()
    folder = log_system.write(tmp_path / "in", truth)
    assert lines_of(log_system.MAPPING) <= MOST_LINES
    mapped = small_source.run(folder)
    # nothing says of a departure in the hour that comes twice which it is: it is lost, and listed
    lost = [row for row in truth["trips"] if log_system.comes_twice(row, "departed_s")]
    assert 5 < len(lost) < 20
    for row in lost:
        row["departed_s"] = ""
    assert [(p.file, p.column, p.code) for p in mapped.problems] == [
        ("runs.csv", "left", "hour-twice")
    ]
    assert mapped.account.entries[0].unusable == len(lost)
    assert mapped.exit_code == 4
    equal(folder, truth)


@pytest.mark.parametrize("system", [junk_system, device_system, roster_system])
def test_every_value_equals_the_truth(tmp_path: Path, system: ModuleType) -> None:
    """A printout with junk and dittos; logs in UTC named by trip; a workbook with a roster."""
    truth = system.truth()
    folder = system.write(tmp_path / "in", truth)
    assert lines_of(system.MAPPING) <= MOST_LINES
    mapped = small_source.run(folder)
    assert [problem.sentence() for problem in mapped.problems] == []
    assert mapped.exit_code == 0
    equal(folder, truth)
    for path in (tmp_path / "in-mapped").iterdir():
        assert "never read" not in path.read_text(encoding="utf-8")
