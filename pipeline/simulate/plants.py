"""What is planted and how often (assumed throughout): one code a trip in each group.

Codes of different groups never touch the same rule, or their joint answer is known.
`BARRED` says which groups exclude each other.
"""

from __future__ import annotations

from dataclasses import fields
from enum import IntEnum

import numpy as np

from pipeline.simulate.draws import Bools, Draws, Floats, Ints
from schemas.record import dataclass


class Wall(IntEnum):
    """Undiluted oxygen, the source at departure, and ventilators that fail."""

    NONE = 0
    LONG = 1  # on the wall, and kept waiting at the receiving hospital until far over the limit
    SHORT = 2  # on the wall, and handed over at once
    SOURCE_LATE = 3  # on the wall, and the source is charted only from then on
    FAILED = 4  # the ventilator fails on the road: to the wall until hand-over
    FAILED_COLD = 5  # the power fails: to the wall, unheated for some minutes
    FAILED_TWICE = 6  # two stretches on the wall that only together are too long
    WALL_LEFT = 7  # leaves on the wall although the ventilator is needed
    WALL_LEFT_CALLED = 8
    WALL_LEFT_CALLED_LATE = 9
    CHANGED_LEAVING = 10  # from the wall to the ventilator in the minute of departure
    TRANSIT_UNKNOWN = 11  # planned transit not charted
    DEPARTURE_MISSING = 12
    # only where a case asks for one
    LONG_CALLED = 13  # kept waiting, and medical direction allowed it in time
    OCCLUDED = 14  # blocked again and again on the ventilator: to the wall, and a call


class Heat(IntEnum):
    """Humidification, and the reasons for doing without."""

    NONE = 0
    SHORT_START = 1  # a few minutes until the circuit is warm
    LOST_MOVING = 2  # lost between bedside and vehicle, and charted why
    SHORT_TRANSIT = 3  # a few minutes on the road, the heater having failed
    LONG = 4
    CALLED = 5
    AT_LIMIT = 6
    LONG_LEAVING = 7  # not heated until after departure
    LONG_LEAVING_CALLED = 8
    CHARTED_LATE = 9
    NEVER_CHARTED = 10
    UNEXPLAINED = 11  # lost between bedside and vehicle, no reason
    EXPLAINED_LATE = 12  # the reason follows when it is over
    ONE_UNEXPLAINED = 13  # two stretches, the second without a reason
    CHANGED_LEAVING = 14  # heated in the minute of departure
    HEATER_FAILED = 15  # a heater asked to fail: for ten minutes or longer, at most to hand-over


class Fit(IntEnum):
    """Flow and cannula."""

    NONE = 0
    FLOW_CHANGED = 1
    FLOW_CLINICAL = 2
    FLOW_CALLED = 3
    SENDING_FLOW_MISSING = 4
    FLOW_AT_TOLERANCE = 5  # met
    FAMILY_CHANGED = 6
    FAMILY_CALLED = 7
    SENDING_CANNULA_MISSING = 8
    SENDING_CANNULA_STRANGE = 9
    OUT_OF_RANGE = 10
    OUT_OF_RANGE_CALLED = 11
    OUT_OF_RANGE_AT_LIMIT = 12
    FLOW_CHARTED_LATE = 13
    TOO_SMALL = 14
    TOO_SMALL_CALLED = 15
    WEIGHT_MISSING = 16
    CANNULA_NEVER_CHARTED = 17


class Watch(IntEnum):
    """Observations and charting."""

    NONE = 0
    RICH_OXYGEN = 1  # high saturation on much oxygen for long
    RICH_AT_LIMIT = 2
    RICH_UNKNOWN = 3  # high saturation, FiO2 never charted
    LOW_ANSWERED = 4
    LOW_UNANSWERED = 5
    LOW_ANSWERED_AT_LIMIT = 6
    GAP = 7
    GAP_IN_SPO2 = 8  # rows, but no saturation in them
    GAP_AT_LIMIT = 9
    NO_SPO2 = 10
    FIRST_SETTING_LATE = 11
    FIRST_SETTING_AT_LIMIT = 12
    CHART_GAP = 13
    LOW_SUCTIONED = 14


class Escalation(IntEnum):
    """A child who needed more support."""

    NONE = 0
    CALLED = 1
    NOT_CALLED = 2
    OUTCOME_MISSING = 3
    CALLED_CHANGED = 4  # the support was changed before hand-over
    NOT_CALLED_CHANGED = 5
    INTUBATED = 6  # only where a case asks for one: called, and intubated


class Whole(IntEnum):
    """What befalls a whole trip and leaves no room for other plants."""

    NONE = 0
    OPEN = 1  # no hand-over time
    NO_SETTINGS = 2
    SETTING_LOST = 10  # a settings row set aside, its time readable
    SETTING_UNTIMED = 11  # a settings row set aside, its time unreadable
    EVENT_LOST = 12  # a device_events row set aside
    CONTACT_LOST = 13  # a contacts row set aside, on a trip over the wall limit
    CALM = 14  # nothing planted; a contacts row set aside changes no answer
    OBSERVATION_LOST = 15  # an observations row set aside; saturation is not judged


WALL = {
    Wall.LONG: 0.020,
    Wall.SOURCE_LATE: 0.010,
    Wall.FAILED: 0.012,
    Wall.FAILED_COLD: 0.006,
    Wall.FAILED_TWICE: 0.008,
    Wall.WALL_LEFT: 0.060,
    Wall.WALL_LEFT_CALLED: 0.022,
    Wall.WALL_LEFT_CALLED_LATE: 0.012,
    Wall.CHANGED_LEAVING: 0.016,
    Wall.TRANSIT_UNKNOWN: 0.020,
    Wall.DEPARTURE_MISSING: 0.008,
}
HEAT = {
    Heat.SHORT_START: 0.08,
    Heat.LOST_MOVING: 0.05,
    Heat.SHORT_TRANSIT: 0.02,
    Heat.LONG: 0.018,
    Heat.CALLED: 0.008,
    Heat.AT_LIMIT: 0.008,
    Heat.LONG_LEAVING: 0.008,
    Heat.LONG_LEAVING_CALLED: 0.005,
    Heat.CHARTED_LATE: 0.006,
    Heat.NEVER_CHARTED: 0.003,
    Heat.UNEXPLAINED: 0.022,
    Heat.EXPLAINED_LATE: 0.006,
    Heat.ONE_UNEXPLAINED: 0.006,
    Heat.CHANGED_LEAVING: 0.008,
}
FIT = {
    Fit.FLOW_CHANGED: 0.014,
    Fit.FLOW_CLINICAL: 0.015,
    Fit.FLOW_CALLED: 0.006,
    Fit.SENDING_FLOW_MISSING: 0.010,
    Fit.FLOW_AT_TOLERANCE: 0.010,
    Fit.FAMILY_CHANGED: 0.008,
    Fit.FAMILY_CALLED: 0.005,
    Fit.SENDING_CANNULA_MISSING: 0.010,
    Fit.SENDING_CANNULA_STRANGE: 0.005,
    Fit.OUT_OF_RANGE: 0.014,
    Fit.OUT_OF_RANGE_CALLED: 0.006,
    Fit.OUT_OF_RANGE_AT_LIMIT: 0.006,
    Fit.FLOW_CHARTED_LATE: 0.006,
    Fit.TOO_SMALL: 0.016,
    Fit.TOO_SMALL_CALLED: 0.006,
    Fit.WEIGHT_MISSING: 0.010,
    Fit.CANNULA_NEVER_CHARTED: 0.005,
}
WATCH = {
    Watch.RICH_OXYGEN: 0.060,
    Watch.RICH_AT_LIMIT: 0.018,
    Watch.RICH_UNKNOWN: 0.012,
    Watch.LOW_ANSWERED: 0.040,
    Watch.LOW_UNANSWERED: 0.024,
    Watch.LOW_ANSWERED_AT_LIMIT: 0.012,
    Watch.GAP: 0.022,
    Watch.GAP_IN_SPO2: 0.008,
    Watch.GAP_AT_LIMIT: 0.008,
    Watch.NO_SPO2: 0.003,
    Watch.FIRST_SETTING_LATE: 0.008,
    Watch.FIRST_SETTING_AT_LIMIT: 0.004,
    Watch.CHART_GAP: 0.016,
    Watch.LOW_SUCTIONED: 0.012,
}
ESCALATION = {
    Escalation.CALLED: 0.020,
    Escalation.NOT_CALLED: 0.008,
    Escalation.OUTCOME_MISSING: 0.010,
    Escalation.CALLED_CHANGED: 0.014,
    Escalation.NOT_CALLED_CHANGED: 0.008,
}
WHOLE = {Whole.OPEN: 0.012, Whole.NO_SETTINGS: 0.004}

FAILS = [Wall.FAILED, Wall.FAILED_COLD, Wall.FAILED_TWICE, Wall.OCCLUDED]
LONG_WAIT = [Wall.LONG, Wall.LONG_CALLED]
LEAVES_ON_WALL = [Wall.WALL_LEFT, Wall.WALL_LEFT_CALLED, Wall.WALL_LEFT_CALLED_LATE]
LOW = [
    *(Watch.LOW_ANSWERED, Watch.LOW_UNANSWERED, Watch.LOW_ANSWERED_AT_LIMIT),
    Watch.LOW_SUCTIONED,
]
RICH = [Watch.RICH_OXYGEN, Watch.RICH_AT_LIMIT, Watch.RICH_UNKNOWN]
GAPS = [Watch.GAP, Watch.GAP_IN_SPO2, Watch.GAP_AT_LIMIT]
RANGE = [Fit.OUT_OF_RANGE, Fit.OUT_OF_RANGE_CALLED, Fit.OUT_OF_RANGE_AT_LIMIT]
SMALL = [Fit.TOO_SMALL, Fit.TOO_SMALL_CALLED]
ON_THE_ROAD = [
    *(Heat.SHORT_TRANSIT, Heat.LONG, Heat.CALLED, Heat.AT_LIMIT),
    Heat.HEATER_FAILED,
]
LEAVES_COLD = [Heat.LONG_LEAVING, Heat.LONG_LEAVING_CALLED]
LOSES_MOVING = [Heat.LOST_MOVING, Heat.UNEXPLAINED, Heat.EXPLAINED_LATE, Heat.ONE_UNEXPLAINED]
WORSENING = [Escalation.CALLED, Escalation.NOT_CALLED, Escalation.INTUBATED]
CHANGED = [Escalation.CALLED_CHANGED, Escalation.NOT_CALLED_CHANGED]


@dataclass
class Codes:
    """One code a trip and group, shape (n,)."""

    wall: Ints
    heat: Ints
    fit: Ints
    watch: Ints
    escalation: Ints
    whole: Ints

    def clear(self, group: str, where: Bools) -> None:
        """Set a group's code to none where asked."""
        getattr(self, group)[where] = 0


def draw_codes(draws: Draws, scale: float, long_wall: Floats, whole: Ints) -> Codes:
    """Draw the codes; `whole` holds codes already given (0 elsewhere), which stand.

    `long_wall` is each trip's extra chance of a wall time far over the limit.
    """
    found = draws.plants("whole", {int(k): v for k, v in WHOLE.items()}, scale)
    codes = Codes(
        wall=draws.plants("wall", {int(k): v for k, v in WALL.items()}, scale),
        heat=draws.plants("heat", {int(k): v for k, v in HEAT.items()}, scale),
        fit=draws.plants("fit", {int(k): v for k, v in FIT.items()}, scale),
        watch=draws.plants("watch", {int(k): v for k, v in WATCH.items()}, scale),
        escalation=draws.plants("escalation", {int(k): v for k, v in ESCALATION.items()}, scale),
        whole=np.where(whole > 0, whole, found),
    )
    more = (codes.wall == 0) & draws.chance("long wall", long_wall * scale)
    codes.wall[more] = Wall.LONG
    _exclude(codes)
    return codes


def _exclude(codes: Codes) -> None:
    """Keep groups apart that bear on the same stretch of a trip."""
    for group in (field.name for field in fields(codes) if field.name != "whole"):
        codes.clear(group, codes.whole > 0)
    codes.wall[codes.whole == Whole.CONTACT_LOST] = Wall.LONG
    codes.clear("heat", ~np.isin(codes.wall, [0, Wall.LONG, Wall.SHORT]))
    codes.clear("watch", np.isin(codes.wall, [*FAILS, Wall.SOURCE_LATE]))
    codes.clear("fit", np.isin(codes.wall, FAILS) & np.isin(codes.fit, RANGE))
    # a low saturation asks for an answer: nothing else may look like one
    low = np.isin(codes.watch, LOW)
    for group in ("wall", "heat", "escalation"):
        codes.clear(group, low)
    harmless = [Fit.SENDING_FLOW_MISSING, Fit.SENDING_CANNULA_MISSING, Fit.WEIGHT_MISSING]
    codes.clear("fit", low & ~np.isin(codes.fit, harmless))
    # an uncharted stretch must be without changes, and outlast no carry-forward with one
    gap = codes.watch == Watch.CHART_GAP
    codes.clear("heat", gap & (codes.heat != Heat.SHORT_START))
    codes.clear("fit", gap & np.isin(codes.fit, RANGE))
    codes.clear("wall", gap)
    codes.clear("wall", np.isin(codes.watch, RICH))
    # other support cuts the window short: only with a plain last part of the trip
    cut = np.isin(codes.escalation, CHANGED)
    codes.clear("wall", cut)
    codes.clear("watch", cut)
    codes.clear("heat", cut & ~np.isin(codes.heat, [Heat.SHORT_START, Heat.LOST_MOVING]))
    codes.clear("fit", cut & np.isin(codes.fit, RANGE))
    unsaid = codes.wall == Wall.DEPARTURE_MISSING
    codes.clear("fit", unsaid & np.isin(codes.fit, SMALL))
    # the first flow and the flow that decides at departure are charted in time
    codes.clear("fit", (codes.fit == Fit.FLOW_CHARTED_LATE) & (codes.wall > 0))
