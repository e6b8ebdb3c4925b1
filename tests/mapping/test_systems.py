"""Three records systems of other shapes, mapped: the same trips get the same verdicts."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipeline.mapping.command import map_source
from pipeline.simulate import simulate
from tests.mapping import direct, reports_system, wide_csv, workbook_system

TRIPS, MONTHS = 90, 3


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Trips over the months in which clocks are put forward."""
    folder = tmp_path_factory.mktemp("direct") / "delivery"
    simulate(folder, trips=TRIPS, months=MONTHS, seed=11, first_month="2026-02")
    return folder


@pytest.fixture(scope="module")
def expected(delivery: Path) -> list[tuple[Any, ...]]:
    found = direct.verdicts(delivery, delivery.parent / "store.duckdb")
    assert len(found) == TRIPS * 16
    return found


def settings_files(delivery: Path, source: Path) -> None:
    for name in ("protocol.toml", "cannulas.toml"):
        shutil.copy(delivery / name, source / name)


def test_wide_csv_with_local_times(
    delivery: Path, expected: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    tables = direct.tables(delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(wide_csv.ZONE))
    # the clock is put forward at 1:00 UTC on 29 March: make one trip go over it
    march = [r["trip_id"] for r in tables["trips"] if r["service_month"] == "2026-03"]
    bedside[march[0]] = datetime(2026, 3, 29, 0, 20, tzinfo=UTC)
    source = wide_csv.write(tmp_path / "quelle", tables, bedside)
    settings_files(delivery, source)
    mapped = map_source(source, tmp_path / "mapped")
    assert mapped.problems == []
    assert direct.verdicts(tmp_path / "mapped", tmp_path / "store.duckdb") == expected


def test_several_sheets_with_minutes_and_percent(
    delivery: Path, expected: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    tables = direct.tables(delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(workbook_system.ZONE))
    source = workbook_system.write(tmp_path / "export", tables, bedside)
    settings_files(delivery, source)
    mapped = map_source(source, tmp_path / "mapped")
    assert mapped.problems == []
    found = direct.verdicts(tmp_path / "mapped", tmp_path / "store.duckdb")
    assert sorted(found, key=str) == direct.hashed(expected)


def test_patient_care_reports(
    delivery: Path, expected: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    tables = direct.tables(delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(reports_system.ZONE))
    source = reports_system.write(tmp_path / "reports", tables, bedside)
    settings_files(delivery, source)
    mapped = map_source(source, tmp_path / "mapped")
    assert mapped.problems == []
    found = direct.verdicts(tmp_path / "mapped", tmp_path / "store.duckdb")
    assert sorted(found, key=str) == direct.hashed(expected)
    for path in (tmp_path / "mapped").iterdir():
        assert reports_system.MARK not in path.read_text(encoding="utf-8")
