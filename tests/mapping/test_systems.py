"""Three records systems of other shapes, mapped: the same trips get the same verdicts."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipeline.mapping.command import map_source
from pipeline.simulate import simulate
from pipeline.store.database import open_store
from schemas.contract import ADDED
from tests.deep import examples, with_deep
from tests.mapping import direct, reports_system, wide_csv, workbook_system

pytestmark = pytest.mark.usefixtures("without_screen")

TRIPS, MONTHS = 90, 3


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Trips over the months in which clocks are put forward, with what the systems keep."""
    folder = tmp_path_factory.mktemp("direct") / "delivery"
    simulate(folder, TRIPS, MONTHS, 11, first_month="2026-02")
    direct.leave_out(folder, ADDED)
    return folder


@pytest.fixture(scope="module")
def expected(delivery: Path) -> list[tuple[Any, ...]]:
    found = direct.verdicts(delivery, delivery.parent / "store.duckdb")
    assert len(found) == TRIPS * 17
    return found


def settings_files(delivery: Path, source: Path) -> None:
    for name in ("protocol.toml", "cannulas.toml"):
        shutil.copy(delivery / name, source / name)


DATE = r"\b(19|20)[0-9]{2}[-/.]?(0[1-9]|1[0-2])[-/.]?([0-2][0-9]|3[01])\b|[0-9]{1,2}:[0-9]{2}"


def no_date_is_kept(mapped: Path, store: Path, bedside: dict[str, Any], zone: str) -> None:
    """No column of the store may hold a date or time of day, nor the bytes the days of a trip."""
    con = open_store(store, create=False, read_only=True)
    columns = con.execute(
        "select schema_name || '.' || table_name, column_name, data_type from duckdb_columns()"
        " where not internal and schema_name in ('delivered', 'judged', 'loop')"
    ).fetchall()
    assert len(columns) > 100
    assert [c for c in columns if c[2].startswith(("DATE", "TIME"))] == []
    asked: dict[str, list[str]] = {}
    for table, column, kind in columns:
        like = f"regexp_matches({column}::VARCHAR, '{DATE}')"
        if kind in ("BIGINT", "DOUBLE", "HUGEINT", "INTEGER", "UBIGINT"):
            # seconds, or milliseconds, since 1970 or 2000
            like = f"abs({column}) > 100000000"
        asked.setdefault(table, []).append(f"max(case when {like} then '{column}' end)")
    for table, likes in asked.items():
        (hits,) = con.execute(f"select {', '.join(likes)} from {table}").fetchall()
        assert set(hits) <= {None}, table
    con.close()
    kept = store.read_bytes() + b"".join(path.read_bytes() for path in mapped.iterdir())
    days = {moment.astimezone(ZoneInfo(zone)).date() for moment in bedside.values()}
    assert [day for day in days if day.isoformat().encode() in kept] == []


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
    no_date_is_kept(tmp_path / "mapped", tmp_path / "store.duckdb", bedside, wide_csv.ZONE)


# else `test_wide_csv_with_local_times`; sheets: `test_files.py`, hashes: `test_tokens.py`
@with_deep
@pytest.mark.parametrize("system", [workbook_system, reports_system][: examples(1, 2)])
def test_hashed_trips_get_the_same_verdicts(
    delivery: Path, expected: list[tuple[Any, ...]], tmp_path: Path, system: ModuleType
) -> None:
    """Several sheets with minutes and percent; patient care reports."""
    tables = direct.tables(delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(system.ZONE))
    source = system.write(tmp_path / "export", tables, bedside)
    settings_files(delivery, source)
    mapped = map_source(source, tmp_path / "mapped")
    assert mapped.problems == []
    found = direct.verdicts(tmp_path / "mapped", tmp_path / "store.duckdb")
    assert sorted(found, key=str) == direct.hashed(expected)
    no_date_is_kept(tmp_path / "mapped", tmp_path / "store.duckdb", bedside, system.ZONE)
    if system is reports_system:
        for path in (tmp_path / "mapped").iterdir():
            assert reports_system.MARK not in path.read_text(encoding="utf-8")
