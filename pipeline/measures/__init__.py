"""Which numerator over which denominator: every figure that reaches a page is made here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.occlusion_rate import occlusion_rates
from pipeline.measures.rule_shares import rule_shares

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def measure(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Every measure of `month`, of each earlier month, and of all months up to it together.

    Follows `schemas.outputs.Measures`; sorted, so that the same store gives the same rows.
    """
    import pandas as pd

    rows = pd.concat([occlusion_rates(con, month), rule_shares(con, month)], ignore_index=True)
    return rows.sort_values(
        ["measure", "group_by", "group_value", "month"], kind="stable", ignore_index=True
    )
