"""The protocol versions that a store keeps, with the parameters of their rules."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from pipeline.rules import parameters_of
from pipeline.store.protocol_versions import VersionInStore

if TYPE_CHECKING:
    import duckdb


def versions_in_store(con: duckdb.DuckDBPyConnection) -> list[VersionInStore]:
    """Every protocol version of the store, oldest from_month first."""
    from schemas.protocol import ProtocolVersion

    rows = con.execute(
        "SELECT protocol_no, content FROM delivered.protocol ORDER BY from_month"
    ).fetchall()
    read = [(no, ProtocolVersion.model_validate(json.loads(content))) for no, content in rows]
    return [VersionInStore(no, version, parameters_of(version.rules)) for no, version in read]
