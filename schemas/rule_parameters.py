"""What every rule's table in the protocol file may say."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from schemas.located import Strict
from schemas.units import Severity

AtLimit = Literal["pass", "fail"]


class Parameters(Strict):
    """What every rule's table in the protocol file may say."""

    enabled: bool = Field(True, description="false: the rule is not judged")
    severity: Severity = Field("medium", description="how soon a person should read a variance")
    goal_share: float | None = Field(
        None, ge=0, le=1, description="share of trips at variance that the service aims at"
    )
    text: str = Field("", description="the protocol's own sentence")
    source: str = Field("local protocol", description="where the limit comes from")


class GraceParameters(Parameters):
    """Parameters of a rule that a call may authorise a little late."""

    grace_min: float = Field(5, ge=0, description="minutes an authorising call may come late")
