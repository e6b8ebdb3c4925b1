"""Rules that ask "how long": true lengths between two bounds, because times are truncated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from .calls import authorising, settle
from .model import Case, Finding, Row, Seconds, in_minutes, seconds
from .series import Interval, known_timeline
from .window import Window, review_window

State = Callable[[Interval], bool | None]
"""Whether an interval is in the state; None where that is not known."""


@dataclass(frozen=True)
class Run:
    """An unbroken run [from_s, until_s), with its start's and end's resolutions."""

    from_s: int
    until_s: int
    r_start: int
    r_end: int

    @property
    def length(self) -> int:
        return self.until_s - self.from_s

    @property
    def low(self) -> int:
        return max(0, self.length - self.r_start)

    @property
    def high(self) -> int:
        return self.length + self.r_end


@dataclass(frozen=True)
class Bounds:
    """Bounds of a duration in seconds; `high` is None where nothing bounds it."""

    low: int
    high: int | None
    high_without_unknown: int


def runs(case: Case, window: Window, wanted: Callable[[Interval], bool]) -> list[Run]:
    """The maximal runs of adjoining intervals that are all wanted."""
    ends: list[tuple[int, int]] = []
    for interval in known_timeline(case):
        if not wanted(interval):
            continue
        if ends and ends[-1][1] == interval.from_s:
            ends[-1] = (ends[-1][0], interval.until_s)
        else:
            ends.append((interval.from_s, interval.until_s))
    own, trips = case.resolution["settings"], case.resolution["trips"]
    return [
        Run(a, b, own, trips if window.at_handover and b == window.end else own) for a, b in ends
    ]


def passes(value: Seconds, limit: Seconds, at_limit: str) -> bool:
    """Whether a value keeps to a limit it must not exceed."""
    return value <= limit if at_limit == "pass" else value < limit


def compare(bounds: Bounds, limit: Seconds, at_limit: str) -> str:
    """The verdict of a duration between bounds against a limit."""
    if bounds.high is not None and passes(bounds.high, limit, at_limit):
        return "met"
    if not passes(bounds.low, limit, at_limit):
        return "deviation"
    if passes(bounds.high_without_unknown, limit, at_limit):
        return "cannot_tell"
    return "borderline"


def duration_rule(case: Case, rule: Row, state: State, code: str, clear: str) -> Finding:
    """A duration rule's finding; `clear` is the verdict where the state surely never held."""
    limit, at_limit = seconds(rule["limit_min"]), rule.get("at_limit", "pass")
    shown = {"limit": rule["limit_min"], "unit": "min"}
    window = review_window(case)
    if window is None:
        return Finding("cannot_tell", observed_low=0, **shown)
    episodes = runs(case, window, lambda interval: state(interval) is True)
    possible = runs(case, window, lambda interval: state(interval) is not False)
    longest = rule["count"] == "longest"
    bounds = _bounds(episodes, possible, window, longest=longest)
    if not possible and not window.open:
        verdict = clear
    else:
        verdict = compare(bounds, limit, at_limit)
        called = _called_each if longest else _called_once
        authorised = bool(episodes) and called(case, rule, code, episodes)
        verdict = settle(case, verdict, authorised=authorised)
    shown_runs = [max(episodes, key=lambda run: run.low)] if longest and episodes else episodes
    return Finding(
        verdict,
        in_minutes(bounds.low),
        in_minutes(bounds.high),
        **shown,
        from_s=shown_runs[0].from_s if shown_runs else None,
        until_s=shown_runs[-1].until_s if shown_runs else None,
    )


def _bounds(episodes: list[Run], possible: list[Run], window: Window, *, longest: bool) -> Bounds:
    combine: Callable[[list[int]], int] = (
        (lambda values: max(values, default=0)) if longest else sum
    )
    return Bounds(
        low=combine([run.low for run in episodes]),
        high=None if window.open else combine([run.high for run in possible]),
        high_without_unknown=combine([run.high for run in episodes]),
    )


def _called_once(case: Case, rule: Row, code: str, episodes: list[Run]) -> bool:
    """One contact by the moment the time spent in the state, all in all, reaches the limit."""
    limit, grace = seconds(rule["limit_min"]), seconds(rule.get("grace_min", 0))
    moment: Seconds = episodes[-1].until_s
    spent: Seconds = 0
    for run in episodes:
        if spent + run.length >= limit:
            moment = run.from_s + (limit - spent)
            break
        spent += run.length
    return authorising(case, code, moment + grace) > 0


def _called_each(case: Case, rule: Row, code: str, episodes: list[Run]) -> bool:
    """A contact of its own for each episode that may pass the limit, by its own moment."""
    limit, grace = seconds(rule["limit_min"]), seconds(rule.get("grace_min", 0))
    at_limit = rule.get("at_limit", "pass")
    moments = sorted(
        min(run.from_s + limit, run.until_s)
        for run in episodes
        if not passes(run.high, limit, at_limit)
    )
    return bool(moments) and all(
        authorising(case, code, moment + grace) >= needed
        for needed, moment in enumerate(moments, start=1)
    )


def undiluted(interval: Interval) -> bool | None:
    """On undiluted oxygen: from the wall outlet or from a cylinder."""
    return None if interval.source is None else interval.source in ("wall", "cylinder")


def unheated(interval: Interval) -> bool | None:
    """On gas that is not heated."""
    return None if interval.humidification is None else interval.humidification == "unheated"


def wall_oxygen_time(case: Case, rule: Row) -> Finding:
    """Minutes of undiluted oxygen."""
    return duration_rule(case, rule, undiluted, "longer_wall_oxygen", "not_applicable")


def blend_required(case: Case, rule: Row) -> Finding:
    """Minutes of undiluted oxygen where an order bars it; without one nothing is asked."""
    ordered = case.trip.get("blend_ordered")
    shown = {"limit": rule["limit_min"], "unit": "min"}
    if ordered is False or (ordered is None and not case.trip["spo2_exempt"]):
        return Finding("not_applicable", **shown)
    if ordered:
        return duration_rule(case, rule, undiluted, "longer_wall_oxygen", "not_applicable")

    def perhaps(interval: Interval) -> bool | None:
        return False if undiluted(interval) is False else None

    found = duration_rule(case, rule, perhaps, "longer_wall_oxygen", "met")
    return replace(found, verdict="cannot_tell")


def unheated_time(case: Case, rule: Row) -> Finding:
    """Minutes of unheated gas."""
    return duration_rule(case, rule, unheated, "longer_unheated", "not_applicable")


def cannula_flow_range(case: Case, rule: Row) -> Finding:
    """Minutes of a flow outside the range of the cannula worn; the state is the fault itself."""

    def out_of_range(interval: Interval) -> bool | None:
        entry = case.catalogue.get(interval.cannula or "")
        if entry is None or interval.flow_lpm is None:
            return None
        return not entry["flow_min_lpm"] <= interval.flow_lpm <= entry["flow_max_lpm"]

    return duration_rule(case, rule, out_of_range, "flow_change", "met")
