"""Unheated gas straight from wall or cylinder asks for a reason in the chart."""

from __future__ import annotations

from .durations import Run, runs, undiluted, unheated
from .model import Case, Finding, Row, Seconds, seconds
from .series import Interval
from .window import Window, review_window


def on_fallback(interval: Interval) -> bool | None:
    """Both unheated and undiluted: surely, surely not, or (None) perhaps."""
    both = (undiluted(interval), unheated(interval))
    if False in both:
        return False
    return None if None in both else True


def fallback_reason(case: Case, rule: Row) -> Finding:
    """Every episode on the fallback has an accepted reason charted shortly before or in it."""
    window = review_window(case)
    if window is None:
        return Finding("cannot_tell", None, None, 0, "episodes")
    episodes = runs(case, window, lambda interval: on_fallback(interval) is True)
    perhaps = runs(case, window, lambda interval: on_fallback(interval) is None)
    answers = [_answer(case, window, rule, episode) for episode in episodes]
    if not episodes:
        verdict = "cannot_tell" if perhaps or window.open else "not_applicable"
    else:
        verdict = next(v for v in ("deviation", "cannot_tell", "met") if v in answers)
    unexplained = sum(1 for answer in answers if answer != "met") if episodes else None
    return Finding(
        verdict,
        unexplained,
        unexplained,
        0,
        "episodes",
        episodes[0].from_s if episodes else None,
        episodes[-1].until_s if episodes else None,
    )


def _answer(case: Case, window: Window, rule: Row, episode: Run) -> str:
    since: Seconds = episode.from_s - seconds(rule["reason_window_min"])
    near = [
        setting
        for setting in case.settings
        if since <= setting.at_s < episode.until_s and window.holds(setting.at_s)
    ]
    if any(s.row is not None and s.row["reason"] in rule["accepted_reasons"] for s in near):
        return "met"
    return "cannot_tell" if any(s.row is None for s in near) else "deviation"
