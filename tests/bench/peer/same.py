"""Whether the peer and the program found the same: rows set aside, verdicts, rates."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd

KEPT = ("set_aside", "verdicts", "rates")
TOLERANCE = 1e-9
ASIDE = ["file", "line", "column", "problem"]
VERDICT = ["observed_low", "observed_high", "from_s", "until_s"]
RATE = ["numerator", "denominator", "trips", "left_out", "estimate", "low", "high"]


def assert_same(store: Path, kept: Path) -> str:
    """Compare a store with what the peer kept in a folder.

    AssertionError at the first difference; else what was compared, in words. Texts and counts
    must be equal, amounts within 1e-9 of each other relative to their size.
    """
    peer = {name: pd.read_pickle(kept / f"{name}.pkl") for name in KEPT}
    with duckdb.connect(str(store), read_only=True) as con:
        aside = con.execute("""
            SELECT file, line, coalesce(column_name, '') AS "column", problem
            FROM delivered.set_aside""").df()
        verdicts = con.execute("""
            SELECT trip_id, rule, verdict, observed_low, observed_high, from_s, until_s
            FROM judged.verdict JOIN judged.trip_window USING (trip_key)""").df()
        rates = con.execute("FROM judged.rates WHERE group_by = 'cannula'").df()
    _same(aside, peer["set_aside"], ASIDE, [])
    _same(verdicts, peer["verdicts"], ["trip_id", "rule", "verdict"], VERDICT)
    _same(rates, peer["rates"], ["month", "group_value"], RATE)
    return (
        f"equal: {len(aside):,} rows set aside, {len(verdicts):,} verdicts with their amounts,"
        f" {len(rates):,} rates with their intervals"
    )


def _same(ours: pd.DataFrame, peer: pd.DataFrame, texts: list[str], amounts: list[str]) -> None:
    ours, peer = (_plain(frame, texts, amounts) for frame in (ours, peer))
    pd.testing.assert_frame_equal(ours, peer, rtol=TOLERANCE, atol=TOLERANCE, check_like=False)


def _plain(frame: pd.DataFrame, texts: list[str], amounts: list[str]) -> pd.DataFrame:
    kept = frame[texts + amounts].sort_values(texts, ignore_index=True)
    return kept.astype(dict.fromkeys(texts, str)).astype(dict.fromkeys(amounts, float))
