"""What a rule is: a question, its parameters, the SQL that answers it, and its sentences."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Literal

from pipeline.rules.sql_parameters import SqlParameters, chooses_words
from schemas.record import dataclass
from schemas.rule_parameters import Parameters


@dataclass(frozen=True)
class Rule:
    """One question asked of every trip.

    `answers` is a SELECT, or makes one of the parameters where it depends on them
    (`pipeline.rules.sql_parameters` says how they stand in it). For each trip of
    `version_trips` (those of `trip_window_now` that the version judges) it gives trip_key, verdict
    and why, and where there are such observed_low and observed_high (in `unit`, null where
    unknown), from_s and until_s. `why` picks the sentence; {observed}, {low}, {high} and {limit} in
    it are filled from the row. `limit` names the parameter shown as the limit.

    It may read `version_timeline`, the tables ending in `_now`, and `delivered.trips` by trip_key.
    Of `version_trips`, start_s to end_s is the known review window (start_s: the first charted
    setting, null without any, not to be trusted where all_settings_unknown); open_end: no hand-over
    was recorded; r_<table>: the resolution of a table's times; observations_known, contacts_known:
    false where rows were set aside or the table is not recorded. What a trip ends too early for is
    `not_applicable`, without a hand-over time `cannot_tell`. In DuckDB greatest(0, NULL) is 0.

    When a limit was reached is told from `states` where it is one of minutes in a state: a SELECT
    of trip_key, from_s, until_s and in_state (true, false, or null for unknown) over
    `version_timeline`, the timeline of those trips; else it runs from the column of the verdict
    that `limit_runs_from` names: from_s where one stretch is measured, until_s where something is
    due after it.
    """

    id: str
    question: str
    asks: str
    answers: str | Callable[[SqlParameters], str]
    sentences: Mapping[str, str]
    unknown_time: str
    reason_to_ask: str
    source: str
    parameters: type[Parameters] = Parameters
    unit: str | None = None
    limit: str | None = None
    states: str | None = None
    stretches: Callable[[SqlParameters], str] | None = None
    """For a rule of stretches, not minutes: those that a variance is of, as `states` has them."""
    limit_runs_from: Literal["from_s", "until_s"] | None = None
    authorisation: str | None = None
    settings_fields: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    """Tables whose rows a verdict rests on, besides the trip's own row."""
    trip_fields: tuple[str, ...] = ("handover_s",)
    """Columns of the trip's own row without which it may not be told; somebody may still know."""
    evidence_margin_s: int = 0
    due: str = ""
    """What is due when the limit has run from until_s, as 'call'."""
    curves: tuple[str, ...] = ()
    """Limits whose other values the director sees the verdicts of."""
    curves_place: int = 99
    """Where these stand on the page: lower before higher, then by id."""
    blended_minutes: Callable[[SqlParameters], str] | None = None
    """For a rule that a trip keeps by being on a blended source: the minutes there that a variance
    asks for, a SELECT of trip_key and minutes over `variances` (trip_key, observed_low)."""
    cutoff_limit: str | None = None
    """The parameter that limits one cut-off, in seconds; of one rule at most."""
    limits_wall_oxygen: bool = False
    """Whether it limits the minutes on wall or cylinder oxygen; of one rule at most."""
    transit_limit: str | None = None
    """The parameter above which planned transit asks for a blended source; of one rule at most."""
    trigger: str = ""
    """The code of `always_read` under which its deviations are read whatever their severity."""
    within: str | None = None
    """A rule that judges every trip this one judges."""
    fit: str = ""
    """What a variance says of how the cannula fits, as the heading of a column."""
    one_by_one: bool = False
    """Whether each variance is shown by itself, and none is watched for among many."""

    def sql(self, parameters: Parameters, columns: Collection[str] = ()) -> str:
        """The SELECT that answers with these parameters; those of `columns` are read from `tried`.

        So two texts with all `values` as columns are one where only numbers are otherwise.
        """
        if isinstance(self.answers, str):
            return self.answers
        return self.answers(SqlParameters(parameters, columns))

    @property
    def values(self) -> tuple[str, ...]:
        """The rule's own parameters that are values in its SQL, not choices between words."""
        own = self.parameters.model_fields.keys() - Parameters.model_fields.keys()
        return tuple(sorted(n for n in own if not chooses_words(self.parameters, n)))

    def asks_here(self, parameters: Parameters) -> str:
        """The question with this protocol's own limits written in."""
        return self.asks.format(**parameters.model_dump())
