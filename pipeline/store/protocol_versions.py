"""A protocol version as the store keeps it."""

from __future__ import annotations

from schemas.protocol import ProtocolVersion
from schemas.record import dataclass
from schemas.rule_parameters import Parameters


@dataclass(frozen=True)
class VersionInStore:
    """One protocol version kept in the store, and the number it is kept under."""

    protocol_no: int
    version: ProtocolVersion
    rules: dict[str, Parameters]
