"""First use: history loads as baseline, counts in the measures, and opens no cases."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipeline.errors import Refused
from pipeline.followup.ledger_words import ledger
from pipeline.review import review
from tests.deep import examples

from . import reviewed_store


def of_month(delivery: Path, to: Path, month: str) -> Path:
    """A delivery of one month alone."""
    trips = pd.read_csv(delivery / "trips.csv", dtype=str)
    others = trips[trips["service_month"] != month]["trip_id"]
    reviewed_store.delivery_like(delivery, to, without=others)
    export = (to / "export.toml").read_text("utf-8").splitlines()
    kept = [
        f'months = ["{month}"]' if line.startswith("months") else line
        for line in export
        if not line.startswith(("2026-", '"2026-')) or month in line
    ]
    (to / "export.toml").write_text("\n".join(kept) + "\n", encoding="utf-8")
    training = pd.read_csv(to / "training.csv", dtype=str, keep_default_na=False)
    training[training["month"] == month].to_csv(to / "training.csv", index=False)
    return to


def test_history_counts_and_opens_no_cases(clean_delivery: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pages"
    history = of_month(clean_delivery, tmp_path / "history", "2026-01")
    done = review(history, folder, baseline=True, by="C1")
    assert done.month.followup is not None
    assert done.month.followup.baseline
    assert not len(done.month.cases)
    assert done.month.trips_with_finding == 0
    assert reviewed_store.flagged(folder, "2026-01")
    assert reviewed_store.sheet(folder / "sheets" / "2026-01.xlsx") == []
    assert reviewed_store.ask(folder, "FROM loop.audit_trip") == []
    now = review(clean_delivery, folder)
    assert now.month.followup is not None
    assert not now.month.followup.baseline
    assert {"deviation", "audit"} <= set(now.month.cases["group"])
    months = set(now.month.measures["month"])
    assert {"2026-01", "2026-02", "to 2026-02"} <= months
    if examples(0, 1):  # else its mark in the store says so
        again = review(history, folder, month="2026-01")
        assert not len(again.month.cases), "the month stays baseline"
    assert reviewed_store.ask(folder, "SELECT month FROM loop.baseline") == [("2026-01",)]
    text, problems = ledger(folder)
    assert problems == []
    assert "baseline: 2026-01 by C1" in text


def test_months_whose_cases_were_opened_are_no_baseline(folder: Path, clean_delivery: Path) -> None:
    before = reviewed_store.ask(folder, "FROM loop.ledger")
    with pytest.raises(Refused) as caught:
        review(clean_delivery, folder, baseline=True)
    (problem,) = caught.value.problems
    assert problem.code == "baseline-late"
    assert reviewed_store.MONTH in problem.what
    assert reviewed_store.ask(folder, "FROM loop.baseline") == []
    assert reviewed_store.ask(folder, "FROM loop.ledger") == before
