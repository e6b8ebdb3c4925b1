"""Every verdict leads to the rows that chart what it rests on; a store without any says so."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from pipeline.review import review
from pipeline.rules import all_rules
from pipeline.simulate import simulate
from tests.deep import with_deep

from .command_runs import verdicts_alone

pytestmark = pytest.mark.usefixtures("without_screen")


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def charted_before(rows: list[tuple[int, dict[str, str]]], field: str, at_s: int) -> int | None:
    """Line of the row that charted `field` last, at or before a moment."""
    lines = [
        (int(row["at_s"]), line) for line, row in rows if row[field] and int(row["at_s"]) <= at_s
    ]
    return max(lines)[1] if lines else None


def test_evidence_holds_the_row_that_charted_each_deciding_field(tmp_path: Path) -> None:
    delivery, into = tmp_path / "delivery", tmp_path / "out"
    simulate(delivery, trips=300, months=1, seed=21)
    with verdicts_alone():
        done = review(delivery, into)
    data = done.page.parent / "data"
    settings: dict[str, list[tuple[int, dict[str, str]]]] = {}
    for line, row in enumerate(read(delivery / "settings.csv"), 2):
        settings.setdefault(row["trip_id"], []).append((line, row))
    cited: dict[tuple[str, str], set[int]] = {}
    for row in read(data / "evidence.csv"):
        if row["file"] == "settings.csv":
            cited.setdefault((row["trip_id"], row["rule"]), set()).add(int(row["line"]))
    reasons = [verdict["reason"] for verdict in read(data / "verdicts.csv")]
    assert any(" for up to " in reason for reason in reasons)
    assert not [r for r in reasons if " 0 to " in r or "at least 0 " in r]
    looked_at = 0
    for verdict in read(data / "verdicts.csv"):
        rule = all_rules()[verdict["rule"]]
        quiet = verdict["verdict"] in ("met", "not_applicable") or not verdict["from_s"]
        if quiet or "settings" not in rule.evidence:
            continue
        for field in rule.settings_fields:
            line = charted_before(
                settings.get(verdict["trip_id"], []), field, int(verdict["from_s"])
            )
            if line is not None and field != "reason":
                looked_at += 1
                assert line in cited[verdict["trip_id"], rule.id], (verdict, field)
    assert looked_at > 30


@with_deep
def test_a_store_whose_protocol_begins_later_says_that_nothing_was_judged(tmp_path: Path) -> None:
    delivery, into = tmp_path / "delivery", tmp_path / "out"
    simulate(delivery, trips=60, months=1, seed=22)
    protocol = delivery / "protocol.toml"
    text = protocol.read_text(encoding="utf-8")
    later = text.replace('from_month = "2026-01"', 'from_month = "2030-01"')
    assert later != text
    protocol.write_text(later, encoding="utf-8")
    with verdicts_alone():  # its pages: tests/browser/test_edge_months.py
        done: Any = review(delivery, into)
    assert done.month.not_judged == 60
    assert read(done.page.parent / "data" / "verdicts.csv") == []
    kinds = {row["problem"] for row in read(done.page.parent / "data" / "problems.csv")}
    assert "no-protocol-version" in kinds
