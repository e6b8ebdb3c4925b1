"""The verdict that each trip's plants lead to, rule by rule: what a review must find."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.calls import AT_LIMIT, IN_TIME, wall_call
from pipeline.simulate.draws import Bools, Ints
from pipeline.simulate.lengths import (
    AUTHORISED,
    BLEND_LIMIT,
    BORDERLINE,
    CANNOT_TELL,
    COLD_LIMIT,
    DEVIATION,
    MET,
    NOT_APPLICABLE,
    WALL_LIMIT,
    against,
    overlapping,
)
from pipeline.simulate.occlusions import COMPLETE, Logs, Occlusions
from pipeline.simulate.pathways import FLOW_LIMIT10, NEVER, TRANSIT_LIMIT, VENTILATOR
from pipeline.simulate.plants import Codes, Escalation, Fit, Heat, Wall, Watch, Whole
from pipeline.simulate.support import Scene
from pipeline.simulate.times import Times
from schemas.record import dataclass

FIRST_RULES = (
    "wall-oxygen-time",
    "unheated-time",
    "source-choice",
    "fallback-reason",
    "repeated-occlusion-call",
)
RULES = (
    *FIRST_RULES,
    "flow-kept",
    "cannula-kept",
    "cannula-flow-range",
    "cannula-weight",
    "flow-interruption",
    "heat-ready",
    "oxygen-titration",
    "low-saturation-response",
    "monitoring-gap",
    "settings-gap",
    "escalation-call",
)
BLEND_REQUIRED = "blend-required"
FORCED_EXEMPT = [
    int(Whole.OPEN),
    int(Whole.NO_SETTINGS),
    int(Whole.SETTING_UNTIMED),
    int(Whole.OBSERVATION_LOST),
]
"""Trips with another saturation target: what is unknown about them bears on no saturation rule."""

BY_WALL = {
    Wall.DEPARTURE_MISSING: dict.fromkeys(
        ("source-choice", "cannula-weight", "heat-ready"), CANNOT_TELL
    ),
}
BY_HEAT = {
    Heat.LONG_LEAVING: {"heat-ready": DEVIATION},
    Heat.LONG_LEAVING_CALLED: {"heat-ready": AUTHORISED},
    Heat.CHARTED_LATE: {"unheated-time": CANNOT_TELL},
    Heat.NEVER_CHARTED: {"unheated-time": CANNOT_TELL, "heat-ready": CANNOT_TELL},
    Heat.CHANGED_LEAVING: {"heat-ready": BORDERLINE},
}
UNEXPLAINED = [Heat.UNEXPLAINED, Heat.EXPLAINED_LATE, Heat.ONE_UNEXPLAINED]
BY_FIT = {
    Fit.FLOW_CHANGED: {"flow-kept": DEVIATION},
    Fit.FLOW_CLINICAL: {"flow-kept": AUTHORISED},
    Fit.FLOW_CALLED: {"flow-kept": AUTHORISED},
    Fit.SENDING_FLOW_MISSING: {"flow-kept": CANNOT_TELL},
    Fit.FAMILY_CHANGED: {"cannula-kept": DEVIATION},
    Fit.FAMILY_CALLED: {"cannula-kept": AUTHORISED},
    Fit.SENDING_CANNULA_MISSING: {"cannula-kept": CANNOT_TELL},
    Fit.SENDING_CANNULA_STRANGE: {"cannula-kept": CANNOT_TELL},
    Fit.OUT_OF_RANGE: {"cannula-flow-range": DEVIATION},
    Fit.OUT_OF_RANGE_CALLED: {"cannula-flow-range": AUTHORISED},
    Fit.OUT_OF_RANGE_AT_LIMIT: {"cannula-flow-range": BORDERLINE},
    Fit.FLOW_CHARTED_LATE: {"cannula-flow-range": CANNOT_TELL},
    Fit.TOO_SMALL: {"cannula-weight": DEVIATION},
    Fit.TOO_SMALL_CALLED: {"cannula-weight": AUTHORISED},
    Fit.WEIGHT_MISSING: {"cannula-weight": CANNOT_TELL},
    Fit.CANNULA_NEVER_CHARTED: dict.fromkeys(
        ("cannula-kept", "cannula-flow-range", "cannula-weight"), CANNOT_TELL
    ),
}
BY_WATCH = {
    Watch.RICH_OXYGEN: {"oxygen-titration": DEVIATION},
    Watch.RICH_AT_LIMIT: {"oxygen-titration": BORDERLINE},
    Watch.RICH_UNKNOWN: {"oxygen-titration": CANNOT_TELL},
    Watch.LOW_ANSWERED: {"low-saturation-response": MET},
    Watch.LOW_SUCTIONED: {"low-saturation-response": MET},
    Watch.LOW_UNANSWERED: {"low-saturation-response": DEVIATION},
    Watch.LOW_ANSWERED_AT_LIMIT: {"low-saturation-response": BORDERLINE},
    Watch.GAP: {"monitoring-gap": DEVIATION},
    Watch.GAP_IN_SPO2: {"monitoring-gap": DEVIATION},
    Watch.GAP_AT_LIMIT: {"monitoring-gap": BORDERLINE},
    Watch.NO_SPO2: {"monitoring-gap": DEVIATION, "low-saturation-response": CANNOT_TELL},
    Watch.FIRST_SETTING_LATE: {"settings-gap": DEVIATION},
    Watch.FIRST_SETTING_AT_LIMIT: {"settings-gap": BORDERLINE},
    Watch.CHART_GAP: {"settings-gap": DEVIATION},
}
BY_ESCALATION = {
    Escalation.CALLED: {"escalation-call": MET},
    Escalation.INTUBATED: {"escalation-call": MET},
    Escalation.NOT_CALLED: {"escalation-call": DEVIATION},
    Escalation.OUTCOME_MISSING: {"escalation-call": CANNOT_TELL},
    Escalation.CALLED_CHANGED: {"escalation-call": MET},
    Escalation.NOT_CALLED_CHANGED: {"escalation-call": DEVIATION},
}
FROM_SETTINGS = (
    *("wall-oxygen-time", "unheated-time", "source-choice", "fallback-reason", "flow-kept"),
    *("cannula-kept", "cannula-flow-range", "cannula-weight", "heat-ready"),
)
NEEDS_END = ("wall-oxygen-time", "unheated-time", "fallback-reason", "cannula-flow-range")
BY_WHOLE = {
    # what comes after the last charted setting is unknown without bound
    Whole.OPEN: dict.fromkeys((*NEEDS_END, "monitoring-gap", "settings-gap"), CANNOT_TELL),
    Whole.NO_SETTINGS: dict.fromkeys(
        (*FROM_SETTINGS, "repeated-occlusion-call", "flow-interruption"), CANNOT_TELL
    )
    | {"settings-gap": DEVIATION},
    # two minutes unknown: too short for any limit, but a fall-back may hide in them
    Whole.SETTING_LOST: {
        "wall-oxygen-time": MET,
        "unheated-time": MET,
        "fallback-reason": CANNOT_TELL,
    },
    Whole.SETTING_UNTIMED: dict.fromkeys(FROM_SETTINGS, CANNOT_TELL),
    Whole.EVENT_LOST: dict.fromkeys(("repeated-occlusion-call", "flow-interruption"), CANNOT_TELL),
}


class Answers:
    """Verdict codes of each trip, one array a rule, shape (n,)."""

    def __init__(self, n: int) -> None:
        self.by_rule = {rule: np.full(n, NOT_APPLICABLE) for rule in (*RULES, BLEND_REQUIRED)}

    def put(self, rule: str, where: Bools, verdict: int | Ints) -> None:
        """Set a rule's verdict where asked."""
        self.by_rule[rule] = np.where(where, verdict, self.by_rule[rule])

    def put_all(self, codes: Ints, table: dict[int, dict[str, int]]) -> None:
        """Set what each code of a group leads to."""
        for code, verdicts in table.items():
            for rule, verdict in verdicts.items():
                self.put(rule, codes == code, verdict)


@dataclass
class Orders:
    """What orders a trip has, -1 null, 0 false, 1 true, shape (n,)."""

    exempt: Ints
    blend: Ints


def answers(scene: Scene, log: Logs, seen: Occlusions, response: Ints, orders: Orders) -> Answers:
    """Return every rule's verdict for each trip, known from how the trip was made."""
    codes, when = scene.codes, scene.when
    found = Answers(len(when.start))
    _without_plants(found, when)
    _about_oxygen(found, scene)
    _about_heat(found, codes, when)
    _about_occlusions(found, scene, log, seen, response)
    found.put_all(codes.wall, {int(k): v for k, v in BY_WALL.items()})
    found.put_all(codes.heat, {int(k): v for k, v in BY_HEAT.items()})
    found.put_all(codes.fit, {int(k): v for k, v in BY_FIT.items()})
    # every trip begins on a blender
    on = codes.wall != Wall.SOURCE_LATE
    found.put("oxygen-titration", on & (orders.exempt < 1), MET)
    found.put_all(codes.watch, {int(k): v for k, v in BY_WATCH.items()})
    found.put("oxygen-titration", on & (codes.watch == Watch.NO_SPO2), CANNOT_TELL)
    found.put_all(codes.escalation, {int(k): v for k, v in BY_ESCALATION.items()})
    found.put_all(codes.whole, {int(k): v for k, v in BY_WHOLE.items()})
    _about_orders(found, scene, orders)
    # the row that was set aside may have been the call that allowed it
    lost = codes.whole == Whole.CONTACT_LOST
    for rule in ("wall-oxygen-time", "source-choice"):
        varied = np.isin(found.by_rule[rule], [DEVIATION, BORDERLINE])
        found.put(rule, lost & varied, CANNOT_TELL)
    return found


def _about_orders(found: Answers, scene: Scene, orders: Orders) -> None:
    """Undiluted oxygen where an order bars it."""
    codes, when = scene.codes, scene.when
    ordered = orders.blend > 0
    blend = against(when.wall, BLEND_LIMIT)
    call = wall_call(scene)
    allowed = (call >= 0) & (call <= when.wall[:, 0, 0] + BLEND_LIMIT)
    found.put(BLEND_REQUIRED, ordered, np.where(allowed, AUTHORISED, blend))
    found.put(BLEND_REQUIRED, ordered & (codes.whole == Whole.SETTING_LOST), MET)
    unknown = np.isin(codes.whole, [Whole.OPEN, Whole.NO_SETTINGS, Whole.SETTING_UNTIMED])
    found.put(BLEND_REQUIRED, ordered & unknown, CANNOT_TELL)
    found.put(BLEND_REQUIRED, (orders.blend < 0) & (orders.exempt > 0), CANNOT_TELL)


def _without_plants(found: Answers, when: Times) -> None:
    every = np.ones(len(when.start), dtype=bool)
    always_met = ("flow-kept", "cannula-kept", "cannula-flow-range")
    for rule in (*always_met, "cannula-weight", "heat-ready", "monitoring-gap", "settings-gap"):
        found.put(rule, every, MET)


def _about_oxygen(found: Answers, scene: Scene) -> None:
    """Minutes of undiluted oxygen, and what the trip left on against what it needed."""
    codes, when = scene.codes, scene.when
    every = np.ones(len(when.start), dtype=bool)
    wall = against(when.wall, WALL_LIMIT)
    # where the source is charted only from the wall on, all before may have been the wall, too
    hidden = (codes.wall == Wall.SOURCE_LATE) & (wall == MET)
    hidden &= when.window_end - when.start + 1 > WALL_LIMIT
    wall = np.where(hidden, CANNOT_TELL, wall)
    call = wall_call(scene)
    allowed = (call >= 0) & (call <= when.wall[:, 0, 0] + WALL_LIMIT)
    found.put("wall-oxygen-time", every, np.where(allowed, AUTHORISED, wall))
    high = scene.child.flow10 > FLOW_LIMIT10
    asked = high | (when.planned > TRANSIT_LIMIT)
    unknown = ~high & (when.planned < 0)
    choice = np.where(asked, DEVIATION, np.where(unknown, CANNOT_TELL, MET))
    called = codes.wall == Wall.WALL_LEFT_CALLED
    choice = np.where(called & (choice == DEVIATION), AUTHORISED, choice)
    changed = codes.wall == Wall.CHANGED_LEAVING
    choice = np.where(changed & (choice == DEVIATION), BORDERLINE, choice)
    found.put("source-choice", every, np.where(when.on_wall | changed, choice, MET))


def _about_heat(found: Answers, codes: Codes, when: Times) -> None:
    """Unheated minutes, and those of them that came straight from wall or cylinder."""
    cold = against(when.cold, COLD_LIMIT)
    called = np.isin(codes.heat, [Heat.CALLED, Heat.LONG_LEAVING_CALLED])
    varied = np.isin(cold, [DEVIATION, BORDERLINE])
    found.put("unheated-time", cold > 0, np.where(called & varied, AUTHORISED, cold))
    both = overlapping(when.cold, when.wall)
    unexplained = np.isin(codes.heat, UNEXPLAINED)
    found.put("fallback-reason", both, np.where(unexplained, DEVIATION, MET))
    # humidification unknown while on the wall: whether it was a fall-back nobody can tell
    never = (codes.heat == Heat.NEVER_CHARTED) & (when.wall[:, 0, 0] < NEVER)
    found.put("fallback-reason", never, CANNOT_TELL)


def _about_occlusions(
    found: Answers, scene: Scene, log: Logs, seen: Occlusions, response: Ints
) -> None:
    codes, when = scene.codes, scene.when
    n = len(when.start)
    triggered = seen.trigger_s >= 0
    asked = np.where(response == AT_LIMIT, BORDERLINE, DEVIATION)
    asked = np.where(response == IN_TIME, MET, asked)
    found.put("repeated-occlusion-call", triggered, asked)
    trip, cutoff = seen.trip[seen.in_window], seen.cutoff_s[seen.in_window]
    total = np.bincount(trip, np.maximum(cutoff, 0), n)
    longest = np.zeros(n, dtype=np.int64)
    np.maximum.at(longest, trip, cutoff)
    unknown = np.bincount(trip, cutoff < 0, n) > 0
    broken = (longest > 15) | (total > 60)
    verdict = np.where(broken, DEVIATION, np.where(unknown, CANNOT_TELL, MET))
    found.put("flow-interruption", np.bincount(trip, minlength=n) > 0, verdict)
    # a log that is not complete may lack what would have made it worse; where the window is
    # open, a trip without the ventilator may have gone on it later
    maybe_on = (when.kind == VENTILATOR) | (codes.whole == Whole.OPEN)
    maybe_on |= codes.wall == Wall.SOURCE_LATE
    complete = np.where(when.kind == VENTILATOR, log.complete, log.stated == COMPLETE)
    for rule in ("repeated-occlusion-call", "flow-interruption"):
        good = np.isin(found.by_rule[rule], [MET, NOT_APPLICABLE])
        found.put(rule, maybe_on & ~complete.astype(bool) & good, CANNOT_TELL)
