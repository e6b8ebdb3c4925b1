"""The review in pandas that the program is measured against finds what the program finds."""

from __future__ import annotations

from pathlib import Path

from tests.bench.deliveries import protocol_of
from tests.bench.peer import RULES, ours
from tests.bench.peer.__main__ import keep
from tests.bench.peer.same import assert_same


def test_the_peer_finds_the_same(dirty_delivery: Path, tmp_path: Path) -> None:
    protocol = protocol_of(dirty_delivery, RULES, tmp_path / "protocol.toml")
    keep(dirty_delivery, protocol, tmp_path / "peer")
    ours.review(dirty_delivery, protocol, tmp_path / "ours")
    same = assert_same(tmp_path / "ours" / "store.duckdb", tmp_path / "peer")
    trips = 60 - 4  # one whose row is there twice, and three with a bad cell
    assert f"{trips * len(RULES)} verdicts" in same
