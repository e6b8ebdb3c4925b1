"""Contacts: the calls that plants ask for, and a few that have nothing to do with them."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Columns, Draws, Ints
from pipeline.simulate.lengths import BORDERLINE, DEVIATION, WALL_LIMIT, against
from pipeline.simulate.pathways import VENTILATOR
from pipeline.simulate.plants import FAILS, LOW, Codes, Escalation, Fit, Heat, Wall, Watch, Whole
from pipeline.simulate.support import Scene
from pipeline.simulate.worsening import ARREST, DIED, INTUBATED, MORE_SUPPORT, intubated, turns
from schemas.contract import AUTHORISATIONS

MEDICAL_DIRECTION, CLINICAL_LEAD = 1, 2
ABOUT = ("oxygen", "heat", "flow", "cannula", "occlusion", "escalation", "advice")
CALLS = [Escalation.CALLED, Escalation.CALLED_CHANGED, Escalation.INTUBATED]
"""Children who needed more support, with a call."""
IN_TIME, NO_CALL, TOO_LATE, AT_LIMIT = 0, 1, 2, 3
"""How a crew answered repeated occlusions."""


def answers_to_occlusions(draws: Draws, scale: float) -> Ints:
    """Draw how each crew would answer repeated occlusions: in time but where planted."""
    shares = [of(f"occlusion_{how}") for how in ("no_call", "late_call", "call_at_limit")]
    otherwise = [share * scale for share in shares]
    return draws.pick("occlusion call", (1 - sum(otherwise), *otherwise))


def _occlusion_call(draws: Draws, trigger_s: Ints, answer: Ints) -> Ints:
    """Return the minute of the call, clear of or right at the protocol's ten minutes; or -1."""
    next_minute = -(-trigger_s // 60)
    found = next_minute + draws.whole("call after", 1, 4)
    found = np.where(answer == TOO_LATE, next_minute + 14, found)
    found = np.where(answer == AT_LIMIT, (trigger_s + 630) // 60, found)
    return np.where((trigger_s < 0) | (answer == NO_CALL), -1, found)


def wall_call(scene: Scene) -> Ints:
    """Return the minute of a call about a wall time that runs over, in time or too late; or -1."""
    draws, codes, when = scene.draws, scene.codes, scene.when
    over = np.isin(against(when.wall, WALL_LIMIT), [DEVIATION, BORDERLINE])
    over &= (codes.whole == 0) & ~np.isin(codes.wall, [Wall.SOURCE_LATE, Wall.FAILED_TWICE])
    begin = when.wall[:, 0, 0]
    late = of("wall_called_late")
    # a ventilator that failed is a reason to call
    in_time = np.where(np.isin(codes.wall, FAILS), of("failed_called"), of("wall_called"))
    u = np.where(codes.wall == Wall.LONG_CALLED, 0.0, draws.uniform("wall call"))
    found = np.where(u < in_time, begin + draws.whole("wall call", 22, 46), -1)
    later = (u >= in_time) & (u < in_time + late) & (when.wall[:, 0, 1] > begin + 54)
    return np.where(over, np.where(later, begin + 53, found), -1)


def contacts(scene: Scene, trigger_s: Ints, answer: Ints) -> Columns:
    """Chart the calls of a chunk of trips, in order of trip and time."""
    draws, codes, when = scene.draws, scene.codes, scene.when
    start, departed = when.start, when.departed
    over = wall_call(scene)
    other = (when.kind == VENTILATOR) | (codes.escalation > 0) | draws.chance("lead", 0.5)
    other &= codes.wall != Wall.LONG_CALLED
    who = np.where(other, CLINICAL_LEAD, MEDICAL_DIRECTION)
    wall, heat, fit = codes.wall, codes.heat, codes.fit
    road = departed + 5
    parts: list[tuple[Bools, Ints, Ints, str, str]] = [
        (over >= 0, over, who, "oxygen", "wall"),
        (wall == Wall.WALL_LEFT_CALLED, departed - 3, who, "oxygen", "leave"),
        (wall == Wall.WALL_LEFT_CALLED_LATE, departed + 9, who, "oxygen", "leave"),
        (heat == Heat.CALLED, road + draws.whole("call", 4, 12), who, "heat", "heat"),
        (heat == Heat.LONG_LEAVING_CALLED, departed - 5, who, "heat", "heat"),
        (fit == Fit.FLOW_CALLED, start + 3, who, "flow", "flow"),
        (fit == Fit.OUT_OF_RANGE_CALLED, road + 3, who, "flow", "flow"),
        (fit == Fit.FAMILY_CALLED, start + 2, who, "cannula", "cannula"),
        (fit == Fit.TOO_SMALL_CALLED, departed - 6, who, "cannula", "cannula"),
    ]
    direction = np.full_like(who, MEDICAL_DIRECTION)
    called = np.isin(codes.escalation, CALLS)
    parts.append((called, turns(draws, codes, when), direction, "escalation", ""))
    parts.append((wall == Wall.OCCLUDED, when.failed + 3, direction, "occlusion", ""))
    minute = _occlusion_call(draws, trigger_s, answer)
    parts.append((minute >= 0, minute, direction, "occlusion", ""))
    plain = (codes.whole == 0) & ~np.isin(codes.watch, LOW)
    plain &= draws.chance("advice", 0.03)
    lead = np.full_like(who, CLINICAL_LEAD)
    parts.append((plain, departed + 7, lead, "advice", ""))
    found = _joined(parts)
    found["allowed_by"] = _on_duty(draws, codes)[found["trip"]]
    return found


def _on_duty(draws: Draws, codes: Codes) -> Ints:
    """The number of each trip's medical director, or clinical lead, of three on call."""
    found = 1 + draws.pick("on duty", (0.6, 0.25, 0.15))
    return np.where(codes.wall == Wall.LONG_CALLED, 1, found)


CODE = {
    "": 0,
    "wall": AUTHORISATIONS.index("longer_wall_oxygen") + 1,
    "heat": AUTHORISATIONS.index("longer_unheated") + 1,
    "leave": AUTHORISATIONS.index("wall_instead_of_ventilator") + 1,
    "cannula": AUTHORISATIONS.index("cannula_change") + 1,
    "flow": AUTHORISATIONS.index("flow_change") + 1,
}


def _joined(parts: list[tuple[Bools, Ints, Ints, str, str]]) -> Columns:
    trips = [np.flatnonzero(where) for where, *_ in parts]
    rows = [
        (t, minute[t], who[t], np.full_like(t, ABOUT.index(about) + 1), np.full_like(t, CODE[code]))
        for t, (_, minute, who, about, code) in zip(trips, parts, strict=True)
    ]
    names = ("trip", "minute", "contacted", "about", "authorised")
    found: Columns = dict(zip(names, np.concatenate(rows, axis=1), strict=True))
    by = np.lexsort((found["about"], found["minute"], found["trip"]))
    return {name: column[by] for name, column in found.items()}


def outcomes(scene: Scene) -> Ints:
    """Position in the contract's list plus one; 0 is null."""
    draws, codes = scene.draws, scene.codes
    plain = 1 + weaned(scene).astype(np.int64)
    worse = codes.escalation > 0
    found = np.where(intubated(draws, codes), INTUBATED, MORE_SUPPORT)
    found = np.where(worse, found, plain)
    gravest = np.where(draws.chance("died", of("gravest_died")), DIED, ARREST)
    grave = worse & draws.chance("gravest", of("worse_gravest"))
    found = np.where(grave & (codes.escalation != Escalation.INTUBATED), gravest, found)
    return np.where(codes.escalation == Escalation.OUTCOME_MISSING, 0, found)


def weaned(scene: Scene) -> Bools:
    """Whether support fell: flow or oxygen lower at hand-over than at first, neither higher."""
    trip = np.arange(len(scene.when.end))
    change = [
        series.in_force(trip, scene.when.window_end - 1) - series.value[:, 0]
        for series in (scene.what.flow10, scene.what.fio2)
    ]
    return np.asarray((np.minimum(*change) < 0) & (np.maximum(*change) <= 0))


def a_day_later(draws: Draws, outcome: Ints) -> Ints:
    """What became of the child a day after hand-over; as `outcomes`, never an arrest."""
    u = draws.uniform("a day later")
    later = np.where(u < 0.45, 1, np.where(u < 0.90, 2, np.where(u < 0.97, 3, 4)))
    later = np.where((outcome >= 4) & (later < 4) & (u < 0.8), 4, later)
    later = np.where(outcome == DIED, DIED, later)
    return np.where(draws.chance("a day later unknown", 0.3), 0, later)


def orders(draws: Draws, exempt: Ints) -> Ints:
    """`blend_ordered`: -1 null, 0 false, 1 true, which only children with a target of their own
    have."""
    u = draws.uniform("blend ordered")
    own = np.where(u < 0.75, 1, np.where(u < 0.90, -1, 0))
    return np.where(exempt > 0, own, np.where(u < 0.4, 0, -1))


def exemptions(draws: Draws, codes: Codes, forced: list[int]) -> Ints:
    """`spo2_exempt`: -1 null, 0 false, 1 true; false wherever saturation is planted."""
    u = draws.uniform("exempt")
    share = of("exempt_share")
    found = np.where(u < share, 1, np.where(u < 0.4, 0, -1))
    found = np.where(codes.whole == Whole.CONTACT_LOST, np.minimum(found, 0), found)
    found = np.where(
        ((codes.watch > 0) & (codes.watch <= Watch.NO_SPO2)) | np.isin(codes.watch, LOW),
        np.minimum(found, 0),
        found,
    )
    return np.where(np.isin(codes.whole, forced), 1, found)
