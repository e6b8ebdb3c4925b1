"""Write a delivery held in memory as the directory of files a service would send."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

from schemas.contract import TABLES

from .model import Delivery, Row

UNREADABLE = "unreadable"
SET_ASIDE: dict[str, Row] = {
    "settings": {
        "support": "invasive",
        "source": "wall",
        "flow_lpm": UNREADABLE,
        "humidification": "unheated",
        "reason": "heater_failed",
    },
    "device_events": {"event": "occlusion", "pressure_cmh2o": UNREADABLE, "cutoff_s": 90},
    "observations": {"spo2_pct": UNREADABLE, "resp_rate": 30},
    "contacts": {"contacted": UNREADABLE, "authorised": "longer_wall_oxygen"},
}
"""A row with one cell that cannot be read; what stands in its others must not be used."""


def write_delivery(delivery: Delivery, directory: Path) -> None:
    """Write the three TOML files and a CSV file per recorded table; a null is an empty cell."""
    directory.mkdir(parents=True, exist_ok=True)
    for name in ("export", "protocol", "cannulas"):
        lines = [f"{key} = {toml_value(value)}\n" for key, value in delivery[name].items()]
        (directory / f"{name}.toml").write_text("".join(lines), encoding="utf-8")
    for table, model in TABLES.items():
        if table not in delivery["tables"] or table in delivery["export"].get("not_recorded", []):
            continue
        columns = list(model.to_schema().columns)
        with (directory / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            for row in rows_in_file(delivery, table):
                writer.writerow([csv_cell(row.get(column)) for column in columns])


def rows_in_file(delivery: Delivery, table: str) -> list[Row]:
    """The table's rows with those that will be set aside at the places they have in the file."""
    rows = list(delivery["tables"].get(table, []))
    lost = [row for row in delivery.get("lost", []) if row["table"] == table]
    for row in sorted(lost, key=lambda row: int(row["position"])):
        at_s = UNREADABLE if row["at_s"] is None else row["at_s"]
        bad = {**SET_ASIDE[table], "trip_id": row["trip_id"], "at_s": at_s}
        rows.insert(row["position"], bad)
    return rows


def csv_cell(value: Any) -> str:
    """A value as export text."""
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def toml_value(value: Any) -> str:
    """A value as TOML on one line: tables become inline tables."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return json.dumps(value)
