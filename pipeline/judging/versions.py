"""The protocol versions that a store keeps, with the parameters of their rules."""

from __future__ import annotations

import json

from pipeline.rules import parameters_of
from pipeline.store.by_hand import approvals
from pipeline.store.protocol_versions import VersionInStore
from schemas.connection import Connection
from schemas.protocol import ProtocolVersion


def versions_in_store(con: Connection) -> list[VersionInStore]:
    """Every protocol version of the store, oldest from_month first."""
    from schemas.protocol import ProtocolVersion

    rows = con.execute(
        "SELECT protocol_no, content FROM delivered.protocol ORDER BY from_month"
    ).fetchall()
    read = [(no, ProtocolVersion.model_validate(json.loads(content))) for no, content in rows]
    said = approvals(con)
    return [
        VersionInStore(no, _approved(version, said), parameters_of(version.rules))
        for no, version in read
    ]


def _approved(version: ProtocolVersion, said: dict[str, tuple[str, str]]) -> ProtocolVersion:
    """The version with the approval that came after its file, where there is one."""
    if version.approved is not None or version.id not in said:
        return version
    from schemas.protocol import Approval

    by, month = said[version.id]
    return version.model_copy(update={"approved": Approval(by=by, month=month)})
