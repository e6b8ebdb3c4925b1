"""Which plant makes a variance of each rule, and which ones to take away for fewer."""

from __future__ import annotations

from pipeline.simulate.pathways import VENTILATOR, WALL
from pipeline.simulate.plants import LEAVES_ON_WALL, Escalation, Fit, Heat, Wall, Watch
from schemas.record import dataclass


@dataclass(frozen=True)
class Steer:
    """What makes a variance of a rule (a group's code), and what becomes of codes that do."""

    group: str
    more: int
    fewer: dict[int, int]


STEERED: dict[str, Steer] = {
    "wall-oxygen-time": Steer(
        "wall",
        Wall.LONG,
        # handed over at once; a ventilator that fails stays as it is
        dict.fromkeys((Wall.NONE, Wall.LONG, *LEAVES_ON_WALL), Wall.SHORT),
    ),
    "unheated-time": Steer("heat", Heat.LONG, {Heat.LONG: 0, Heat.LONG_LEAVING: 0}),
    "source-choice": Steer(
        "wall", Wall.WALL_LEFT, {Wall.WALL_LEFT: 0, Wall.WALL_LEFT_CALLED_LATE: 0}
    ),
    "fallback-reason": Steer(
        "heat",
        Heat.UNEXPLAINED,
        dict.fromkeys(
            (Heat.UNEXPLAINED, Heat.EXPLAINED_LATE, Heat.ONE_UNEXPLAINED), int(Heat.LOST_MOVING)
        ),
    ),
    "flow-kept": Steer("fit", Fit.FLOW_CHANGED, {Fit.FLOW_CHANGED: 0}),
    "cannula-kept": Steer("fit", Fit.FAMILY_CHANGED, {Fit.FAMILY_CHANGED: 0}),
    "cannula-flow-range": Steer("fit", Fit.OUT_OF_RANGE, {Fit.OUT_OF_RANGE: 0}),
    "cannula-weight": Steer("fit", Fit.TOO_SMALL, {Fit.TOO_SMALL: 0}),
    "heat-ready": Steer("heat", Heat.LONG_LEAVING, {Heat.LONG_LEAVING: 0}),
    "oxygen-titration": Steer("watch", Watch.RICH_OXYGEN, {Watch.RICH_OXYGEN: 0}),
    "low-saturation-response": Steer(
        "watch", Watch.LOW_UNANSWERED, {Watch.LOW_UNANSWERED: int(Watch.LOW_ANSWERED)}
    ),
    "monitoring-gap": Steer(
        "watch", Watch.GAP, dict.fromkeys((Watch.GAP, Watch.GAP_IN_SPO2, Watch.NO_SPO2), 0)
    ),
    "settings-gap": Steer(
        "watch", Watch.CHART_GAP, dict.fromkeys((Watch.CHART_GAP, Watch.FIRST_SETTING_LATE), 0)
    ),
    "escalation-call": Steer(
        "escalation",
        Escalation.NOT_CALLED,
        {
            Escalation.NOT_CALLED: int(Escalation.CALLED),
            Escalation.NOT_CALLED_CHANGED: int(Escalation.CALLED_CHANGED),
        },
    ),
}


@dataclass(frozen=True)
class Case:
    """One trip's story: the code that makes it, and what the trip must travel on (or any)."""

    group: str
    code: int
    kind: int | None = None


CASES: dict[str, Case] = {
    "overrun-authorised": Case("wall", Wall.LONG_CALLED, WALL),
    "low-unanswered": Case("watch", Watch.LOW_UNANSWERED, VENTILATOR),
    "low-suctioned": Case("watch", Watch.LOW_SUCTIONED, VENTILATOR),
    "occluded-unlogged": Case("wall", Wall.OCCLUDED, VENTILATOR),
    "intubated": Case("escalation", Escalation.INTUBATED),
}
