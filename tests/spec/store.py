"""Judges every case of the spec tables at once: few stores, one judging each.

Cases with the same export and catalogue are trips of one delivery; those with the same parameters
share a month and the protocol version in force in it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from typing import Any

import duckdb

from pipeline.judging.evaluator import judge
from tests.generative.into_store import empty, fresh_store, put

from .cases import TRIP, Case, all_cases

Found = tuple[str, float | None, float | None, int | None, int | None, str]
"""verdict, observed_low, observed_high, from_s, until_s and why of one case."""


@cache
def verdicts() -> dict[str, Found]:
    """The verdict of every case, by the case's id."""
    groups: dict[str, list[Case]] = {}
    for case in all_cases():
        groups.setdefault(json.dumps([case.export, case.catalogue], sort_keys=True), []).append(
            case
        )
    con = fresh_store()
    found: dict[str, Found] = {}
    for cases in groups.values():
        empty(con)
        put(con, delivery(cases))
        judge(con)
        found |= {cases[int(trip)].id: answer for trip, answer in _answers(con).items()}
    return found


def delivery(cases: Sequence[Case]) -> dict[str, Any]:
    """One delivery with a trip for each case, named by its place in `cases`."""
    versions: dict[str, dict[str, Any]] = {}
    tables: dict[str, list[dict[str, Any]]] = {"trips": []}
    lost: list[dict[str, Any]] = []
    for trip_id, case in enumerate(cases):
        one = {**case.version, "rules": {case.rule: case.parameters}}
        version = versions.setdefault(json.dumps(one, sort_keys=True), _numbered(one, versions))
        trip = {**TRIP, "trip_id": str(trip_id), "service_month": version["from_month"]}
        tables["trips"].append(trip | (case.tables.get("trips") or [{}])[0])
        _add(str(trip_id), case, tables, lost)
    return {
        "export": {
            **cases[0].export,
            "months": sorted(version["from_month"] for version in versions.values()),
        },
        "protocol": {"version": list(versions.values())},
        "cannulas": {"cannula": cases[0].catalogue},
        "tables": tables,
        "lost": lost,
    }


def _numbered(version: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """The version with an id and a month of its own."""
    year, month = divmod(len(before), 12)
    return {
        "carry_forward_min": "until_changed",
        **version,
        "id": f"spec-{len(before)}",
        "from_month": f"{2000 + year}-{month + 1:02d}",
    }


def _add(
    trip_id: str, case: Case, tables: dict[str, list[dict[str, Any]]], lost: list[dict[str, Any]]
) -> None:
    """Add a case's rows after those there, and where its set-aside rows stood among them."""
    for name, rows in case.tables.items():
        if name == "trips":
            continue
        kept = tables.setdefault(name, [])
        before = len(kept) + sum(row["table"] == name for row in lost)
        lost += [
            {"table": name, "trip_id": trip_id, "at_s": at_s, "position": before + place}
            for table, place, at_s in case.lost
            if table == name
        ]
        kept += [{**row, "trip_id": trip_id} for row in rows]


def _answers(con: duckdb.DuckDBPyConnection) -> dict[str, Found]:
    rows = con.execute("""
        SELECT t.trip_id, v.verdict, v.observed_low, v.observed_high, v.from_s, v.until_s, v.why
        FROM judged.verdict v JOIN delivered.trips t USING (trip_key)
    """).fetchall()
    return {row[0]: row[1:] for row in rows}
