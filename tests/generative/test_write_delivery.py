"""A generated delivery is written as files that hold it."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

from hypothesis import HealthCheck, given, settings

from tests.deep import examples

from .strategies import deliveries, write_delivery
from .twin import Delivery


@settings(
    max_examples=examples(10, 100),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(deliveries(max_trips=3))
def test_the_files_hold_the_delivery(tmp_path: Path, delivery: Delivery) -> None:
    write_delivery(delivery, tmp_path)
    for name in ("export", "protocol", "cannulas"):
        assert tomllib.loads((tmp_path / f"{name}.toml").read_text()) == delivery[name]
    for table, rows in delivery["tables"].items():
        if table in delivery["export"]["not_recorded"]:
            continue
        with (tmp_path / f"{table}.csv").open(newline="") as file:
            in_file = list(csv.DictReader(file))
        lost = {row["position"]: row for row in delivery["lost"] if row["table"] == table}
        assert len(in_file) == len(rows) + len(lost)
        readable = [row for place, row in enumerate(in_file) if place not in lost]
        for written, row in zip(readable, rows, strict=True):
            for column, value in row.items():
                expected = "" if value is None else str(value)
                assert written[column] == (expected.lower() if value in (True, False) else expected)
        for place, row in lost.items():
            assert "unreadable" in in_file[place].values()
            assert in_file[place]["trip_id"] == row["trip_id"]
