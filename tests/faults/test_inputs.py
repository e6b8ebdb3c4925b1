"""A few spoiled inputs of each kind; `python -m tests.faults --inputs N` draws many more."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.ingest import stage
from pipeline.ingest.delivery import Staged
from tests.acceptance import small_delivery
from tests.deep import examples
from tests.faults import deliveries, inputs

SEED = 1
SLOW = ("deliveries as CSV", "deliveries as Parquet", "deliveries as workbooks", "filled sheets")


@pytest.mark.parametrize("kind", inputs.KINDS)
def test_spoiled_inputs_are_read_or_refused_in_a_sentence(kind: str) -> None:
    draws = examples(1 if kind in SLOW else 10, 400)
    found = inputs.some(kind, range(draws), SEED)
    assert found.faults == []
    assert found.counts.total() >= draws


def test_a_sound_delivery_is_read_with_nothing_said(tmp_path: Path) -> None:
    """So what is said of a spoiled one is said of what was spoiled."""
    batch = deliveries.Batch(lambda to, _: small_delivery.write(to), lambda table: f"{table}.csv")
    came = deliveries.told(batch, tmp_path, random.Random(SEED))
    assert came == ["read"] * len(deliveries.TEXTS)


def test_a_reader_that_fails_or_keeps_silent_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ValueError("of ours")

    monkeypatch.setattr(stage, "keep_trips", fails)
    found = inputs.some("deliveries as CSV", range(1, 2), SEED)
    assert found.counts == {"fault": 1}
    assert "of ours" in found.faults[0]
    monkeypatch.undo()
    monkeypatch.setattr(Staged, "problems", lambda *_: [])
    found = inputs.some("deliveries as CSV", range(1, 2), SEED)
    assert "nonsense was taken in silence" in found.faults[0]
