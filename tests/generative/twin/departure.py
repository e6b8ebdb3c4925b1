"""Rules about what holds at departure, asked of every instant that may have been it."""

from __future__ import annotations

from collections.abc import Callable

from .calls import authorising, settle
from .model import Case, Finding, Row, seconds
from .series import Interval, at, known_timeline
from .window import review_window


def moments_of_departure(case: Case) -> list[Interval]:
    """What was in force at each recorded instant that may be the departure.

    Both the departure and the settings are truncated, so the one that was in force may be
    recorded up to a resolution earlier or later. Empty where the departure is not recorded
    or does not lie in the known window.
    """
    window, departed = review_window(case), case.trip["departed_s"]
    if window is None or departed is None or not window.holds(departed):
        return []
    earliest = departed - case.resolution["settings"] + 1
    latest = departed + case.resolution["trips"] - 1
    timeline = known_timeline(case)
    found = [at(timeline, instant) for instant in range(earliest, latest + 1)]
    return [interval for interval in found if interval is not None]


def combine(answers: set[str]) -> str:
    """One answer is the verdict; differing ones are borderline, unless one is not known."""
    if len(answers) == 1:
        return next(iter(answers))
    return "cannot_tell" if not answers or "cannot_tell" in answers else "borderline"


def at_departure(
    case: Case, rule: Row, code: str, answer: Callable[[Interval], str]
) -> tuple[str, list[Interval]]:
    """The verdict of a question about departure, and what was in force around it."""
    moments = moments_of_departure(case)
    verdict = combine({answer(moment) for moment in moments})
    by_s = (case.trip["departed_s"] or 0) + seconds(rule.get("grace_min", 0))
    called = authorising(case, code, by_s) > 0
    return settle(case, verdict, authorised=called), moments


def kleene_or(one: bool | None, other: bool | None) -> bool | None:
    """Three-valued OR: an unknown matters only where the other side does not decide."""
    if one or other:
        return True
    return None if one is None or other is None else False


def _above(value: float | None, limit: float, at_limit: str) -> bool | None:
    if value is None:
        return None
    return value > limit if at_limit == "pass" else value >= limit


def source_choice(case: Case, rule: Row) -> Finding:
    """High flow or a long transit needs the ventilator, or what the protocol takes for it."""
    at_limit = rule.get("at_limit", "pass")
    planned = _above(case.trip["planned_transit_min"], rule["transit_limit_min"], at_limit)

    def answer(moment: Interval) -> str:
        needed = kleene_or(_above(moment.flow_lpm, rule["flow_limit_lpm"], at_limit), planned)
        if moment.source in rule["satisfied_by"] or needed is False:
            return "met"
        return "deviation" if needed and moment.source is not None else "cannot_tell"

    verdict, moments = at_departure(case, rule, "wall_instead_of_ventilator", answer)
    flows = [moment.flow_lpm for moment in moments if moment.flow_lpm is not None]
    return Finding(
        verdict,
        min(flows, default=None),
        max(flows, default=None),
        rule["flow_limit_lpm"],
        "L/min",
        case.trip["departed_s"],
        case.trip["departed_s"],
    )


def heat_ready(case: Case, rule: Row) -> Finding:
    """Heated humidification at departure."""
    answers = {"heated": "met", "unheated": "deviation", None: "cannot_tell"}
    verdict, _ = at_departure(
        case, rule, "longer_unheated", lambda moment: answers[moment.humidification]
    )
    departed = case.trip["departed_s"]
    return Finding(verdict, from_s=departed, until_s=departed)


def cannula_weight(case: Case, rule: Row) -> Finding:
    """The child's weight lies in the range of the cannula worn at departure, bounds included."""
    weight = case.trip["weight_kg"]

    def answer(moment: Interval) -> str:
        entry = case.catalogue.get(moment.cannula or "")
        if entry is None or weight is None:
            return "cannot_tell"
        least, most = entry.get("weight_min_kg"), entry.get("weight_max_kg")
        if (least is not None and weight < least) or (most is not None and weight > most):
            return "deviation"
        return "cannot_tell" if least is None or most is None else "met"

    verdict, _ = at_departure(case, rule, "cannula_change", answer)
    departed = case.trip["departed_s"]
    return Finding(verdict, weight, weight, None, "kg", departed, departed)
