"""Rules about the record between bedside and hand-over: gaps in it, and the call it should hold."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from .calls import calls_to_medical_direction, settle
from .durations import Bounds, Run, compare
from .model import Case, Finding, Row, in_minutes, seconds


def monitoring_gap(case: Case, rule: Row) -> Finding:
    """The longest stretch without saturation and respiratory rate observed together."""
    complete = [
        row["at_s"]
        for row in case.observations
        if row["spo2_pct"] is not None and row["resp_rate"] is not None
    ]
    perhaps = [seen.at_s for seen in case.seen if seen.row is None]
    untimed = case.untimed_observations
    return _longest_gap(case, rule, "observations", complete, perhaps, untimed=untimed)


def settings_gap(case: Case, rule: Row) -> Finding:
    """The longest stretch without a settings row; a set-aside one was charted all the same."""
    charted = [setting.at_s for setting in case.settings]
    return _longest_gap(case, rule, "settings", charted, [], untimed=case.untimed_settings)


def _gaps(case: Case, table: str, times: list[int]) -> list[Run]:
    """The stretches between bedside, rows before hand-over, and hand-over."""
    handover = case.trip["handover_s"]
    own, trips = case.resolution[table], case.resolution["trips"]
    points = [0, *sorted(at_s for at_s in times if handover is None or at_s < handover)]
    points += [] if handover is None else [handover]
    return [Run(a, b, own, trips if b == handover else own) for a, b in pairwise(points)]


def _longest_gap(
    case: Case, rule: Row, table: str, times: list[int], perhaps: list[int], *, untimed: int
) -> Finding:
    """`perhaps`, and untimed rows, were set aside: they may have shortened a gap."""
    if table in case.not_recorded:
        return Finding("cannot_tell", None, None, rule["limit_min"], "min")
    is_open = case.trip["handover_s"] is None
    gaps = _gaps(case, table, times)
    apparent = max((gap.low for gap in gaps), default=0)
    # wherever the untimed rows belong, a gap keeps a piece of its length / (rows + 1)
    pieces = [
        Fraction(gap.until_s - gap.from_s, untimed + 1) - gap.r_start
        for gap in _gaps(case, table, times + perhaps)
    ]
    low = max([Fraction(0), *pieces])
    high = max((gap.high for gap in gaps), default=0)
    bounds = Bounds(low, None if is_open else high, high)
    verdict = compare(bounds, seconds(rule["limit_min"]), rule.get("at_limit", "pass"))
    if verdict == "borderline" and (is_open or low < apparent):
        verdict = "cannot_tell"
    longest = max(gaps, key=lambda gap: gap.low, default=None)
    return Finding(
        verdict,
        in_minutes(low),
        in_minutes(bounds.high),
        rule["limit_min"],
        "min",
        longest.from_s if longest else None,
        longest.until_s if longest else None,
    )


def escalation_call(case: Case, _rule: Row) -> Finding:
    """A child who ended on more support: medical direction was called by hand-over."""
    outcome, handover = case.trip["outcome"], case.trip["handover_s"]
    if outcome is None:
        return Finding("cannot_tell")
    if outcome not in ("more_support", "intubated", "arrest", "died"):
        return Finding("not_applicable")
    calls = calls_to_medical_direction(case)
    if not calls:
        return Finding(settle(case, "deviation", authorised=False))
    if handover is None:
        return Finding("cannot_tell")
    in_time = min(calls) <= handover
    verdict = "met" if in_time else settle(case, "deviation", authorised=False)
    return Finding(verdict, from_s=min(calls), until_s=handover)
