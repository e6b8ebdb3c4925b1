"""Rules about saturation: oxygen not turned down, and low saturation not answered."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from .calls import settle
from .durations import Bounds, Run, compare, passes
from .model import Case, Finding, Row, in_minutes, seconds
from .series import LOST, at, known_timeline, marks
from .window import Window, review_window, settings_that_count


def saturations(case: Case, window: Window) -> list[tuple[int, float | None]]:
    """(at_s, SpO2) inside the window, None where the row was set aside; of an open trip, all."""
    return [
        (seen.at_s, None if seen.row is None else seen.row["spo2_pct"])
        for seen in case.seen
        if (seen.row is None or seen.row["spo2_pct"] is not None)
        and (window.holds(seen.at_s) or (window.open and seen.at_s >= window.end))
    ]


BLENDED = ("ventilator", "blender")


# --- oxygen-titration ---------------------------------------------------------------------


def on_rich_blend(case: Case, at_s: int, fio2: float) -> bool | None:
    """Whether ventilator or blender ran above an FiO2 then; None where that is not known."""
    interval = at(known_timeline(case), at_s)
    if interval is None:
        return None
    blended = None if interval.source is None else interval.source in BLENDED
    rich = None if interval.fio2 is None else interval.fio2 > fio2
    if False in (blended, rich):
        return False
    return None if None in (blended, rich) else True


def fio2_lowered(case: Case, window: Window) -> tuple[list[int], list[int]]:
    """When a lower FiO2 was surely charted, and when it may have been in a set-aside row.

    A set-aside row without a readable time may stand before any other: none is surely lower.
    """
    series = [] if case.untimed_setting else marks(settings_that_count(case, window), "fio2")
    surely, perhaps = [], [at_s for at_s, value in series if value is LOST]
    for (_, before), (at_s, value) in pairwise(series):
        if value is LOST:
            continue
        if before is LOST:
            perhaps.append(at_s)
        elif value < before:
            surely.append(at_s)
    return surely, perhaps


def unbroken(times: list[int | None], cuts: list[int], spacing: float, r_obs: int) -> list[Run]:
    """Runs of times close enough and without a cut between them; None breaks a run, too."""
    found: list[list[int]] = []
    previous: int | None = None
    for at_s in times:
        if at_s is None:
            previous = None
            continue
        near = previous is not None and at_s - previous <= spacing
        if near and not any(previous < cut <= at_s for cut in cuts if previous is not None):
            found[-1].append(at_s)
        else:
            found.append([at_s])
        previous = at_s
    return [Run(run[0], run[-1], r_obs, r_obs if len(run) > 1 else 0) for run in found]


def oxygen_titration(case: Case, rule: Row) -> Finding:
    """How long saturation stayed at or above target on blended gas without less oxygen."""
    shown = {"limit": rule["limit_min"], "unit": "min"}
    if case.trip["spo2_exempt"]:
        return Finding("not_applicable", **shown)
    window = review_window(case)
    if window is None:
        return Finding("cannot_tell", **shown)
    sources = {interval.source for interval in known_timeline(case)}
    if not window.open and None not in sources and not sources & set(BLENDED):
        return Finding("not_applicable", **shown)
    if "observations" in case.not_recorded or case.untimed_observations:
        return Finding("cannot_tell", **shown)
    bounds, longest = _saturated_runs(case, window, rule)
    limit, at_limit = seconds(rule["limit_min"]), rule.get("at_limit", "pass")
    blended = [i for i in known_timeline(case) if i.source in BLENDED]
    observed = any(at(blended, t) for t, spo2 in saturations(case, window) if spo2 is not None)
    verdict = compare(bounds, limit, at_limit)
    if not blended:
        too_long = bounds.high is not None and not passes(bounds.high, limit, at_limit)
        verdict = "cannot_tell" if too_long else "not_applicable"
    elif not observed:
        verdict = "cannot_tell"
    return Finding(
        verdict,
        in_minutes(bounds.low),
        in_minutes(bounds.high),
        **shown,
        from_s=longest.from_s if longest else None,
        until_s=longest.until_s if longest else None,
    )


def _saturated_runs(case: Case, window: Window, rule: Row) -> tuple[Bounds, Run | None]:
    known: list[int | None] = []
    possible: list[int | None] = []
    for at_s, spo2 in saturations(case, window):
        high = spo2 is None or spo2 >= rule["spo2_pct"]
        state = on_rich_blend(case, at_s, rule["fio2"]) if high else False
        known.append(at_s if state is True and spo2 is not None else None)
        possible.append(at_s if state is not False else None)
    surely, perhaps = fio2_lowered(case, window)
    spacing, r_obs = float(seconds(rule["max_spacing_min"])), case.resolution["observations"]
    known_runs = unbroken(known, surely + perhaps, spacing, r_obs)
    possible_runs = unbroken(possible, surely, spacing, r_obs)
    bounds = Bounds(
        max((run.low for run in known_runs), default=0),
        max((run.high for run in possible_runs), default=0),
        max((run.high for run in known_runs), default=0),
    )
    return bounds, max(known_runs, key=lambda run: run.low, default=None)


# --- low-saturation-response --------------------------------------------------------------


@dataclass(frozen=True)
class Response:
    """Something the crew did, or (not sure) may have done in a row that was set aside."""

    at_s: int
    resolution: int
    sure: bool


def responses(case: Case, window: Window) -> list[Response]:
    """Contacts, any care, more flow, more FiO2, another source, another cannula."""
    found = [Response(row["at_s"], case.resolution["contacts"], True) for row in case.contacts]
    for seen in case.seen:
        cared = case.care_charted if seen.row is None else seen.row.get("care") is not None
        if cared:
            own = case.resolution["observations"]
            found.append(Response(seen.at_s, own, seen.row is not None))
    for field in ("flow_lpm", "fio2", "source", "cannula"):
        series = marks(settings_that_count(case, window), field)
        if series and series[0][1] is LOST:
            found.append(Response(series[0][0], case.resolution["settings"], False))
        for (_, before), (at_s, value) in pairwise(series):
            if LOST in (before, value):
                found.append(Response(at_s, case.resolution["settings"], False))
            elif value > before if field in ("flow_lpm", "fio2") else value != before:
                found.append(Response(at_s, case.resolution["settings"], True))
    return found


LowRun = tuple[int, int, int]
"""Times of a run's first and second observation, and the second's place among all."""


def low_runs(
    observed: list[tuple[int, float | None]], rule: Row, *, unknown_is_low: bool
) -> list[LowRun]:
    """Each run of two or more low saturations."""
    found: list[list[tuple[int, int]]] = []
    previous: int | None = None
    for place, (at_s, spo2) in enumerate(observed):
        if not (unknown_is_low if spo2 is None else spo2 < rule["spo2_pct"]):
            previous = None
            continue
        if previous is not None and at_s - previous <= seconds(rule["max_spacing_min"]):
            found[-1].append((at_s, place))
        else:
            found.append([(at_s, place)])
        previous = at_s
    return [(run[0][0], *run[1]) for run in found if len(run) > 1]


def low_saturation_response(case: Case, rule: Row) -> Finding:
    """Every run of low saturations was answered in time."""
    shown = {"limit": rule["within_min"], "unit": "min"}
    if case.trip["spo2_exempt"]:
        return Finding("not_applicable", **shown)
    window = review_window(case)
    if window is None or "observations" in case.not_recorded:
        return Finding("cannot_tell", **shown)
    observed = saturations(case, window)
    if sum(window.holds(at_s) for at_s, spo2 in observed if spo2 is not None) < 2:
        return Finding("cannot_tell", **shown)
    low = sum(spo2 < rule["spo2_pct"] for _, spo2 in observed if spo2 is not None)
    if case.untimed_observations and case.untimed_observations + low >= 2:
        return Finding("cannot_tell", **shown)
    judged = _runs_answered(case, window, rule, unknown_is_low=False)
    perhaps = _runs_answered(case, window, rule, unknown_is_low=True)
    order = ("deviation", "cannot_tell", "borderline", "met")
    verdict = next((v for v in order if v in judged.values()), "not_applicable")
    if verdict in ("met", "not_applicable") and set(perhaps.values()) - {"met"}:
        verdict = "cannot_tell"
    return Finding(
        settle(case, verdict, authorised=False),
        **shown,
        from_s=min((run[0] for run in judged), default=None),
        until_s=max((run[1] for run in judged), default=None),
    )


def _runs_answered(
    case: Case, window: Window, rule: Row, *, unknown_is_low: bool
) -> dict[LowRun, str]:
    """The answer for each run that is judged."""
    runs = low_runs(saturations(case, window), rule, unknown_is_low=unknown_is_low)
    asked = {run: _answered(case, window, rule, run) for run in runs}
    return {run: answer for run, answer in asked.items() if answer is not None}


def recoveries(case: Case, window: Window, rule: Row, second_place: int) -> list[Response]:
    """Observations after a run's second that are, or in a lost row may be, no longer low.

    They are of the clock of that second one, so that which came later is known.
    """
    later = saturations(case, window)[second_place + 1 :]
    own = case.resolution["observations"]
    return [
        Response(at_s, own, spo2 is not None)
        for at_s, spo2 in later
        if spo2 is None or spo2 >= rule["spo2_pct"]
    ]


def _answered(case: Case, window: Window, rule: Row, run: LowRun) -> str | None:
    """The answer for one run; None where the window ends before the time to respond does."""
    first, second, second_place = run
    within = seconds(rule["within_min"])
    ends_first = window.end < second + within
    if ends_first and not window.open:
        return None
    r_obs = case.resolution["observations"]
    found = responses(case, window)
    surely = [
        r for r in found if r.at_s - first - r_obs >= 0 and r.at_s - second + r.resolution <= within
    ]
    perhaps = [
        r for r in found if r.at_s - first + r.resolution >= 0 and r.at_s - second - r_obs <= within
    ]
    if rule.get("recovery_counts"):
        again = recoveries(case, window, rule, second_place)
        surely += [r for r in again if r.at_s - second + r.resolution <= within]
        perhaps += [r for r in again if r.at_s - second - r_obs <= within]
    if window.open and second >= window.end:
        return "cannot_tell"
    if any(r.sure for r in surely):
        return "met"
    if ends_first:
        return "cannot_tell"
    if any(r.sure for r in perhaps):
        return "borderline"
    return "cannot_tell" if perhaps or case.untimed_setting else "deviation"
