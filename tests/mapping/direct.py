"""A simulated delivery as plain rows, and what its trips' verdicts are."""

from __future__ import annotations

import csv
import hashlib
import hmac
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.store.database import open_store
from schemas.contract import TABLES

KEY = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
Row = dict[str, str]
STATED = """\
protocol = "protocol.toml"
cannulas = "cannulas.toml"

[time_resolution_s]
trips = 60
settings = 60
device_events = 1
observations = 60
contacts = 60

[device_clock]
max_offset_s = 600
"""
"""What every mapping of a simulated delivery states, after its own first keys."""


def tables(delivery: Path) -> dict[str, list[Row]]:
    """Every table of a delivery as rows of text."""
    found = {}
    for name in TABLES:
        if name == "expected":
            continue
        with (delivery / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            found[name] = list(csv.DictReader(file))
    return found


def leave_out(delivery: Path, columns: Mapping[str, Sequence[str]]) -> None:
    """Take columns of a delivery's tables out of their files, as where a system has none."""
    for name, gone in columns.items():
        path = delivery / f"{name}.csv"
        pd.read_csv(path, dtype=str).drop(columns=list(gone)).to_csv(path, index=False)


def by_trip(rows: list[Row]) -> dict[str, list[Row]]:
    """Rows by the trip they belong to, in their order."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["trip_id"], []).append(row)
    return found


def bedsides(trips: list[Row], zone: ZoneInfo, avoid: tuple[datetime, ...] = ()) -> dict[str, Any]:
    """When each trip's crew reached the bedside: a minute of its month, told by its number.

    No trip lies over one of the moments to `avoid`: there local times do not say which they are.
    """
    found = {}
    for number, row in enumerate(trips):
        year, month = map(int, row["service_month"].split("-"))
        first = datetime(year, month, 1, 12, tzinfo=zone).astimezone(UTC)
        at = first + timedelta(minutes=(number * 7919) % (28 * 24 * 60))
        while any(abs(at - moment) < timedelta(days=1) for moment in avoid):
            at += timedelta(days=2)
        if at.astimezone(zone).month != month:
            at = first
        found[row["trip_id"]] = at
    return found


def token(kind: str, number: str, key: str = KEY) -> str:
    """The keyed hash of a number, by Python's own hmac."""
    message = f"{kind}\x1f{number}".encode()
    return hmac.new(key.encode(), message, hashlib.sha256).hexdigest()[:32]


VERDICTS = """
    SELECT h.trip_id, v.rule, v.verdict, v.observed_low, v.observed_high, v.from_s, v.until_s, v.why
    FROM judged.verdict v JOIN delivered.holding h USING (trip_key) ORDER BY ALL
"""


def verdicts(delivery: Path, store: Path) -> list[tuple[Any, ...]]:
    """Judge a delivery in a store of its own; every verdict with its bounds and reason."""
    con = open_store(store, threads=1)
    try:
        load(con, read_delivery(con, delivery))
        judge(con)
        return con.execute(VERDICTS).fetchall()
    finally:
        con.close()


def hashed(rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """The same verdicts under the trips' tokens."""
    return sorted([(token("trip", row[0]), *row[1:]) for row in rows], key=str)
