"""Occlusion events on the device's clock, and the calls that should follow several of them."""

from __future__ import annotations

from dataclasses import dataclass

from .calls import calls_to_medical_direction, settle
from .model import Case, Finding, Row, in_minutes, seconds
from .series import known_timeline
from .window import Window, review_window

MATCH_WITHIN_S = 15 * 60


@dataclass(frozen=True)
class Blockage:
    """One blockage: when it began (corrected), and for how long it cut the flow (or None).

    `known_s`: for how long at least, by those of its events that have a length.
    """

    at_s: int
    cutoff_s: float | None
    known_s: float


def clock(case: Case) -> tuple[int, int]:
    """The offset to take off device times, and the tolerance (s) that is left after it."""
    charted = [s.at_s for s in case.settings if s.row and s.row["source"] == "ventilator"]
    started = [row["at_s"] for row in case.device_events if row["event"] == "started"]
    near = [at_s for at_s in started if charted and abs(at_s - min(charted)) <= MATCH_WITHIN_S]
    # a set-aside row may have held the first start in either record
    lost_setting = case.untimed_setting or any(
        s.row is None and charted and s.at_s <= min(charted) for s in case.settings
    )
    doubtful = lost_setting or "device_events" in case.tables_with_lost_rows
    if near and not doubtful:
        offset = min(near) - min(charted)
        if abs(offset) <= case.max_offset_s:
            return offset, case.version.get("matched_tolerance_s", 60)
    return 0, case.version.get("clock_tolerance_s", 120)


def blockages(case: Case, from_s: int, until_s: int | None) -> list[Blockage]:
    """Occlusion events in [from_s, until_s) by corrected time, those of one blockage as one."""
    offset, _ = clock(case)
    within = case.version.get("merge_within_s", 0)
    groups: list[list[tuple[int, float | None]]] = []
    for row in case.device_events:
        at_s = row["at_s"] - offset
        if (
            row["event"] != "occlusion"
            or at_s < from_s
            or (until_s is not None and at_s >= until_s)
        ):
            continue
        if groups and within > 0 and at_s - groups[-1][-1][0] <= within:
            groups[-1].append((at_s, row["cutoff_s"]))
        else:
            groups.append([(at_s, row["cutoff_s"])])
    return [_blockage(group) for group in groups]


def _blockage(group: list[tuple[int, float | None]]) -> Blockage:
    known = [cutoff for _, cutoff in group if cutoff is not None]
    return Blockage(group[0][0], sum(known) if len(known) == len(group) else None, sum(known))


def log_complete(case: Case) -> bool:
    """Whether an occlusion that happened would be in the trip's rows."""
    if not case.certain("device_events"):
        return False
    log = case.trip["device_log"]
    return log == "complete" or (log is None and bool(case.device_events))


def never_ventilated(case: Case, window: Window) -> bool:
    """Surely no ventilator time: none known, and none that could be."""
    sources = {interval.source for interval in known_timeline(case)}
    return not window.open and "ventilator" not in sources and None not in sources


def without_full_log(case: Case, verdict: str) -> str:
    """An incomplete log cannot say that all went well, or that nothing happened."""
    unsure = verdict in ("met", "not_applicable") and not log_complete(case)
    return "cannot_tell" if unsure else verdict


def first_trigger(events: list[Blockage], rule: Row) -> tuple[int, int] | None:
    """First and last event's time of the first `count` that fit in the window of minutes."""
    count, span = rule["count"], seconds(rule["window_min"])
    for last in range(count - 1, len(events)):
        first_s, last_s = events[last - count + 1].at_s, events[last].at_s
        if last_s - first_s <= span:
            return first_s, last_s
    return None


def repeated_occlusion_call(case: Case, rule: Row) -> Finding:
    """Several occlusions in a short time ask for a call to medical direction."""
    shown = {"limit": rule["within_min"], "unit": "min"}
    window = review_window(case)
    if window is None:
        return Finding("cannot_tell", **shown)
    if never_ventilated(case, window):
        return Finding("not_applicable", **shown)
    trigger = first_trigger(blockages(case, window.start, window.end), rule)
    if trigger is None:
        later = window.open and first_trigger(blockages(case, window.start, None), rule)
        verdict = "cannot_tell" if later else "not_applicable"
        return Finding(without_full_log(case, verdict), **shown)
    delays = _delays(case, trigger[1])
    verdict = without_full_log(case, _on_time(list(delays.values()), rule))
    verdict = settle(case, verdict, authorised=False)
    shown_call = min(
        delays,
        key=lambda at_s: (
            _on_time([delays[at_s]], rule) != "met",
            abs(at_s - trigger[1]),
            at_s,
        ),
        default=None,
    )
    low, high = (None, None) if shown_call is None else delays[shown_call]
    return Finding(
        verdict, in_minutes(low), in_minutes(high), **shown, from_s=trigger[0], until_s=trigger[1]
    )


def _delays(case: Case, trigger_s: int) -> dict[int, tuple[int, int]]:
    """By each call's time, the bounds of how long after the trigger it came."""
    _, tolerance = clock(case)
    before = case.resolution["device_events"] + tolerance
    after = case.resolution["contacts"] + tolerance
    return {
        at_s: (at_s - trigger_s - before, at_s - trigger_s + after)
        for at_s in calls_to_medical_direction(case)
    }


def _on_time(delays: list[tuple[int, int]], rule: Row) -> str:
    earliest, latest = -seconds(rule["lead_min"]), seconds(rule["within_min"])
    if any(low >= earliest and high <= latest for low, high in delays):
        return "met"
    if all(high < earliest or low > latest for low, high in delays):
        return "deviation"
    return "borderline"


def flow_interruption(case: Case, rule: Row) -> Finding:
    """How long occlusions cut the flow: the longest, and all of them together."""
    shown = {"limit": rule["longest_limit_s"], "unit": "s"}
    window = review_window(case)
    if window is None:
        return Finding("cannot_tell", **shown)
    if never_ventilated(case, window):
        return Finding("not_applicable", **shown)
    events = blockages(case, window.start, window.end)
    verdict = _interrupted(events, rule)
    if window.open and verdict != "deviation":
        all_later = _interrupted(blockages(case, window.start, None), rule)
        verdict = verdict if all_later == verdict else "cannot_tell"
    longest = max((event.known_s for event in events), default=None)
    return Finding(
        without_full_log(case, verdict),
        longest,
        longest if all(event.cutoff_s is not None for event in events) else None,
        **shown,
        from_s=events[0].at_s if events else None,
        until_s=events[-1].at_s if events else None,
    )


def _interrupted(events: list[Blockage], rule: Row) -> str:
    """Both limits kept (Kleene AND): an unknown cut-off matters unless one is surely passed."""
    if not events:
        return "not_applicable"
    at_limit = rule.get("at_limit", "pass")
    # a length that is not logged can only add to what is known
    known = [event.known_s for event in events]
    kept = passes_s(max(known), rule["longest_limit_s"], at_limit)
    if not kept or not passes_s(sum(known), rule["total_limit_s"], at_limit):
        return "deviation"
    return "met" if all(event.cutoff_s is not None for event in events) else "cannot_tell"


def passes_s(value_s: float, limit_s: float, at_limit: str) -> bool:
    """Whether a length keeps to a limit it must not exceed."""
    return value_s <= limit_s if at_limit == "pass" else value_s < limit_s
