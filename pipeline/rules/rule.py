"""What a rule is: a question, its parameters, the SQL that answers it, and its sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from schemas.rule_parameters import Parameters


@dataclass(frozen=True)
class Rule:
    """One question asked of every trip.

    `answers` is a SELECT, or makes one of the parameters where it depends on them. For each trip of
    `version_trips` (those of `trip_window_now` that the version judges) it gives trip_key, verdict
    and why, and where there are such observed_low and observed_high (in `unit`, null where
    unknown), from_s and until_s. `why` picks the sentence; {observed}, {low}, {high} and {limit} in
    it are filled from the row. `limit` names the parameter shown as the limit.

    When a limit was reached is told from `states` where it is one of minutes in a state: a SELECT
    of trip_key, from_s, until_s and in_state (true, false, or null for unknown) over
    `version_timeline`, the timeline of those trips; else it runs from the column of the verdict
    that `limit_runs_from` names: from_s where one stretch is measured, until_s where something is
    due after it.
    """

    id: str
    question: str
    asks: str
    answers: str | Callable[[Parameters], str]
    sentences: Mapping[str, str]
    unknown_time: str
    reason_to_ask: str
    source: str
    parameters: type[Parameters] = Parameters
    unit: str | None = None
    limit: str | None = None
    states: str | None = None
    limit_runs_from: Literal["from_s", "until_s"] | None = None
    authorisation: str | None = None
    settings_fields: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    """Tables whose rows a verdict rests on, besides the trip's own row."""
    evidence_margin_s: int = 0

    def sql(self, parameters: Parameters) -> str:
        """The SELECT that answers with these parameters."""
        return self.answers if isinstance(self.answers, str) else self.answers(parameters)

    def asks_here(self, parameters: Parameters) -> str:
        """The question with this protocol's own limits written in."""
        return self.asks.format(**parameters.model_dump())
