"""The review loop's tables for pages and data files; notes are in none of them.

As in `schemas.outputs`: shares are fractions of 1, null means not known or nothing to say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas import kinds as dt
from schemas import shape as pa
from schemas.findings import CONCLUSIONS
from schemas.followup import REFER_TO, STATUSES
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.frame import Frame

REVIEWABLE = ["deviation", "borderline"]
ACTION_STATES = ["open", "overdue", "closed"]


class ScreenQuality(pa.DataFrameModel):
    """Flags of each rule, and what became of them: which rules cry wolf, which miss.

    Confirmed is what readers concluded holds, whatever contributed; of several contributors each
    flag counts under the first of practice, equipment, logistics, protocol unclear, justified. An
    answer counts while the rule's verdict is the one it was given to.
    """

    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    rule: dt.String = pa.text("Id of the rule")
    verdict: dt.String = pa.code(REVIEWABLE, "Which flags")
    judged: dt.Int32 = pa.count("Trips the rule could judge")
    flags: dt.Int32 = pa.count("Trips with that verdict")
    reviewed: dt.Int32 = pa.count("Of these, concluded by a reader")
    confirmed: dt.Int32 = pa.count("Of these, confirmed")
    confirmed_share: dt.Float64 = pa.value("1", "Confirmed over reviewed; null where none was")
    low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    method: dt.String = pa.text("Method of the interval")
    practice: dt.Int32 = pa.count("Concluded: how the crew worked")
    logistics: dt.Int32 = pa.count("Concluded: circumstances")
    justified: dt.Int32 = pa.count("Concluded: rightly so")
    equipment: dt.Int32 = pa.count("Concluded: the equipment")
    holds: dt.Int32 = pa.count("Concluded: it holds, and nothing of these was named")
    record_gap: dt.Int32 = pa.count("Concluded: the record is wrong or has a hole")
    protocol_unclear: dt.Int32 = pa.count("Concluded: the protocol does not say")
    flag_wrong: dt.Int32 = pa.count("Concluded: the flag is wrong")
    cannot_say: dt.Int32 = pa.count("Concluded: nobody can say")
    outdated: dt.Int32 = pa.count("Answered, and the verdict has changed since: to be read again")
    missed: dt.Int32 = pa.count("Variances of this rule found by readers, not by the rule")


class Determinations(pa.DataFrameModel):
    """The answers that hold for the month's trips, one row a trip and rule."""

    trip_id: dt.String = pa.text("Token of the trip")
    rule: dt.String = pa.text("Id of the rule; null: the case as a whole", nullable=True)
    verdict: dt.String = pa.text("The rule's verdict when answered", nullable=True)
    conclusion: dt.String = pa.code(CONCLUSIONS, "What was concluded", nullable=True)
    status: dt.String = pa.code(STATUSES, "Where the case stands")
    refer_to: dt.String = pa.code(REFER_TO, "Whose turn it is", nullable=True)
    reviewer: dt.String = pa.text("Token of the reviewer")
    readers: dt.Int32 = pa.count("Readers who concluded on it", "readers")
    agreed: dt.Boolean = pa.flag("Whether all of them concluded the same")


class Agreement(pa.DataFrameModel):
    """How far two readers of one case agree, beyond chance (Cohen's kappa)."""

    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    cases: dt.Int32 = pa.count("Trips and rules that two readers concluded on", "cases")
    same: dt.Int32 = pa.count("Of these, concluded alike", "cases")
    kappa: dt.Float64 = pa.value("1", "Cohen's kappa; null where it cannot be said")
    low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    method: dt.String = pa.text("Method of the interval")


class AuditResults(pa.DataFrameModel):
    """What reading trips drawn at random, of those without a flag, found."""

    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    unflagged: dt.Int32 = pa.count("Trips without a flag that are not read anyway")
    drawn: dt.Int32 = pa.count("Of these, drawn for reading")
    read: dt.Int32 = pa.count("Of these, closed by a reader")
    missed: dt.Int32 = pa.count("Of these, with a variance that no rule flagged")
    miss_rate: dt.Float64 = pa.value(
        "1", "Missed over read; a trip weighs one over its chance, months their trips"
    )
    low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    method: dt.String = pa.text("Method of the interval")


class Restatements(pa.DataFrameModel):
    """Figures of published months that have changed since."""

    month: dt.String = pa.text("The published month")
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule or base")
    group_value: dt.String = pa.text("Which group")
    unit: dt.String = pa.text("Unit of the figures", nullable=True)
    then_numerator: dt.Float64 = pa.value("see unit", "Numerator as published")
    then_denominator: dt.Float64 = pa.value("see unit", "Denominator as published")
    then: dt.Float64 = pa.value("see unit", "Figure as published; null if there was none")
    now_numerator: dt.Float64 = pa.value("see unit", "Numerator now")
    now_denominator: dt.Float64 = pa.value("see unit", "Denominator now")
    now: dt.Float64 = pa.value("see unit", "Figure now; null if there is none")
    late: dt.Int32 = pa.count("Trips that came after it was published")
    replaced: dt.Int32 = pa.count("Trips delivered again with other content")
    corrected: dt.Int32 = pa.count("Trips with values corrected since")
    rejudged: dt.Int32 = pa.count("Trips judged otherwise though their records are the same")
    determinations: dt.Int32 = pa.count("Answers read since", "answers")
    trips: dt.String = pa.text("Tokens of those trips, separated by spaces", nullable=True)
    why: dt.String = pa.text("What changed it, in a sentence without tokens")


class FollowUps(pa.DataFrameModel):
    """Actions that readers asked for and nobody has closed, as of a month."""

    trip_id: dt.String = pa.text("Token of the trip, where it is about one", nullable=True)
    month: dt.String = pa.text("Service month of the trip, or that in which it was asked for")
    base: dt.String = pa.text("Token of its base", nullable=True)
    rules: dt.String = pa.text("The rules it is about, separated by spaces", nullable=True)
    conclusion: dt.String = pa.code(CONCLUSIONS, "What was concluded", nullable=True)
    status: dt.String = pa.code(STATUSES, "Where the case stands")
    refer_to: dt.String = pa.code(REFER_TO, "Whose turn it is", nullable=True)
    reviewer: dt.String = pa.text("Token of the reviewer")
    action: dt.String = pa.text("What is to be done")
    due_month: dt.String = pa.text("Month by which it should be done", nullable=True)
    overdue: dt.Boolean = pa.flag("Whether that month has passed")


class Referred(pa.DataFrameModel):
    """Cases that wait for whom they were referred to, as of a month."""

    trip_id: dt.String = pa.text("Token of the trip")
    month: dt.String = pa.text("Service month of the trip")
    base: dt.String = pa.text("Token of the base")
    rules: dt.String = pa.text("The rules it is about, separated by spaces", nullable=True)
    refer_to: dt.String = pa.code(REFER_TO, "Whose turn it is")
    reviewer: dt.String = pa.text("Token of the reviewer")


class YearActions(pa.DataFrameModel):
    """Actions asked for over the twelve months to one, and what became of them."""

    trip_id: dt.String = pa.text("Token of the trip, where it is about one", nullable=True)
    month: dt.String = pa.text("Service month of the trip, or that in which it was asked for")
    base: dt.String = pa.text("Token of its base", nullable=True)
    rules: dt.String = pa.text("The rules it is about, separated by spaces", nullable=True)
    action: dt.String = pa.text("What was to be done")
    due_month: dt.String = pa.text("Month by which it should be done", nullable=True)
    state: dt.String = pa.code(ACTION_STATES, "Closed by a later answer; or open, or overdue")


class Corrections(pa.DataFrameModel):
    """Corrected values in force, beside what was delivered."""

    trip_id: dt.String = pa.text("Token of the trip")
    month: dt.String = pa.text("Service month of the trip")
    table: dt.String = pa.text("Table of the row")
    line: dt.Int32 = pa.value("line", "Line of the delivered file")
    at_s: dt.Int32 = pa.value("s", "Recorded time of the row")
    column: dt.String = pa.text("The corrected column")
    original: dt.String = pa.text("The value as delivered; null where empty", nullable=True)
    value: dt.String = pa.text("The corrected value; null: known to be empty", nullable=True)
    reason: dt.String = pa.text("Why")
    by: dt.String = pa.text("Token of whoever corrected it")


class PracticeVariances(pa.DataFrameModel):
    """Variances that readers put down to practice: what retraining is for, before mere flags."""

    month: dt.String = pa.text("Service month")
    rule: dt.String = pa.text("Id of the rule")
    base: dt.String = pa.text("Token of the base")
    judged: dt.Int32 = pa.count("Trips of the base the rule could judge")
    flags: dt.Int32 = pa.count("Variances flagged")
    reviewed: dt.Int32 = pa.count("Of these, concluded by a reader")
    practice: dt.Int32 = pa.count("Of these, put down to how the crew worked")
    missed: dt.Int32 = pa.count("Variances of the rule that a reader found and it did not flag")


class WhatIf(pa.DataFrameModel):
    """One row a value of a protocol setting: the verdicts history would have had."""

    setting: dt.String = pa.text("Which setting, as rule.parameter")
    value: dt.String = pa.text("The value tried")
    current: dt.Boolean = pa.flag("Whether it changes nothing in the protocol")
    rule: dt.String = pa.text("Id of the rule")
    trips: dt.Int32 = pa.count("Trips judged")
    met: dt.Int32 = pa.count("Trips met")
    authorised: dt.Int32 = pa.count("Trips authorised")
    borderline: dt.Int32 = pa.count("Trips borderline")
    cannot_tell: dt.Int32 = pa.count("Trips that could not be judged")
    deviation: dt.Int32 = pa.count("Trips with a variance for review")
    not_applicable: dt.Int32 = pa.count("Trips the rule does not ask about")
    changed: dt.Int32 = pa.count("Verdicts that differ from the protocol's")
    to_deviation: dt.Int32 = pa.count("Of these, variances now")
    from_deviation: dt.Int32 = pa.count("Of these, variances no more")
    extra_ventilator_trips: dt.Int32 = pa.value(
        "trips", "Trips it would have asked onto a blended source, more than before; null for"
        " rules that do not ask for one",
    )  # fmt: skip
    extra_ventilator_minutes: dt.Float64 = pa.value(
        "min", "Minutes on a blended source it would surely have asked for, more than before"
    )


class WhatIfChanges(pa.DataFrameModel):
    """Every verdict that would change, one a row."""

    setting: dt.String = pa.text("Which setting, as rule.parameter")
    value: dt.String = pa.text("The value tried")
    trip_id: dt.String = pa.text("Token of the trip")
    month: dt.String = pa.text("Service month of the trip")
    rule: dt.String = pa.text("Id of the rule")
    was: dt.String = pa.text("Verdict under the protocol; null: not judged", nullable=True)
    becomes: dt.String = pa.text("Verdict under the value; null: not judged", nullable=True)


FOLLOWUP_OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "screen_quality": ScreenQuality,
    "determinations": Determinations,
    "agreement": Agreement,
    "audit_results": AuditResults,
    "restatements": Restatements,
    "follow_ups": FollowUps,
    "referred": Referred,
    "year_actions": YearActions,
    "corrections": Corrections,
    "practice_variances": PracticeVariances,
    "what_if": WhatIf,
    "what_if_changes": WhatIfChanges,
}
"""Every table of the follow-up, by name; all but the last two are also data files of the month."""

MONTH_TABLES = [name for name in FOLLOWUP_OUTPUTS if not name.startswith("what_if")]


@dataclass(frozen=True)
class FollowUpReview:
    """The loop's share of a month's pages; frames follow the models above.

    `baseline`: the month is history that opens no cases. `published`: how often it has been
    published. `ledger_head`: the hash the ledger ended with.
    """

    baseline: bool
    published: int
    ledger_head: str
    screen_quality: Frame
    determinations: Frame
    agreement: Frame
    audit_results: Frame
    restatements: Frame
    follow_ups: Frame
    referred: Frame
    year_actions: Frame
    corrections: Frame
    practice_variances: Frame
