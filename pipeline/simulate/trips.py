"""The trips of one chunk: what befalls them, how it was charted, what was planted."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.answers import FORCED_EXEMPT, Answers, Orders, answers
from pipeline.simulate.assumptions import of
from pipeline.simulate.calls import (
    a_day_later,
    answers_to_occlusions,
    contacts,
    exemptions,
    orders,
    outcomes,
)
from pipeline.simulate.changes import HEATERS, VENTILATORS
from pipeline.simulate.charting import settings
from pipeline.simulate.children import children
from pipeline.simulate.draws import Columns, Draws, Ints
from pipeline.simulate.effects import Asked, Units, cased, failing, raised, steered, stopped
from pipeline.simulate.observed import Upset, observations
from pipeline.simulate.occlusions import (
    Clock,
    Logs,
    Occlusions,
    Place,
    device_events,
    logs,
    own_rate,
)
from pipeline.simulate.options import Options
from pipeline.simulate.pathways import VENTILATOR, pathways
from pipeline.simulate.plants import Codes, Escalation, Wall, Whole, draw_codes
from pipeline.simulate.support import Scene, support
from pipeline.simulate.times import Times, times
from pipeline.simulate.worsening import worsening
from schemas.record import dataclass


@dataclass
class Chunk:
    """The tables of some trips; `trip` columns hold the trips' numbers in the delivery."""

    tables: dict[str, Columns]
    answers: Answers
    offset_s: Ints
    codes: Codes
    when: Times


@dataclass
class Laid:
    """Some trips laid out: what happened, before anything but the device's log is charted."""

    scene: Scene
    place: Place
    units: Units
    log: Logs
    events: Columns
    seen: Occlusions
    clock: Clock
    orders: Orders
    response: Ints
    answers: Answers


def laid_out(options: Options, index: Ints, whole: Ints) -> Laid:
    """Lay out the trips with these numbers; `whole` forces what befalls some of them."""
    draws, setup = Draws(options.seed, index), options.setup
    month = options.month_of(index)
    base = draws.pick("base", setup.shares)
    base = base if options.only_base < 0 else np.full_like(base, options.only_base)
    units = Units(draws.whole("unit", 1, VENTILATORS), draws.whole("heater", 1, HEATERS))
    codes = draw_codes(draws, options.plants, options.long_wall(base, month), whole)
    asked = Asked(options.changes, setup)
    steered(draws, codes, base, month, options.doses)
    failing(draws, codes, (base, month), units, asked)
    cased(codes, index, options.cases)
    child = children(draws, codes, setup, options.confounding)
    exempt = exemptions(draws, codes, FORCED_EXEMPT)
    against = of("against_order") * options.plants
    way = pathways(draws, codes, child, exempt > 0, against)
    when = times(draws, codes, way, options.winter(month))
    scene = Scene(draws, codes, child, when, support(draws, codes, child, when))
    place = Place(base, month, raised(asked, child.cannula, month), stopped(asked, base, month))
    log = logs(draws, codes, when, place.log_stopped)
    events, seen, clock = device_events(scene, log, options.truth, place)
    # a call about occlusions would answer for the escalation as well
    asks = np.isin(codes.escalation, [Escalation.CALLED, Escalation.NOT_CALLED])
    codes.clear("escalation", asks & (seen.trigger_s >= 0))
    response = answers_to_occlusions(draws, options.plants)
    order_set = Orders(exempt, orders(draws, exempt))
    found = answers(scene, log, seen, response, order_set)
    return Laid(scene, place, units, log, events, seen, clock, order_set, response, found)


def made(options: Options, index: Ints, whole: Ints) -> Chunk:
    """Make the tables of the trips with these numbers."""
    laid = laid_out(options, index, whole)
    scene = laid.scene
    rate = own_rate(scene.draws, options.truth.shape)
    upset = Upset(rate, laid.seen, laid.place.raised > 1)
    outcome = outcomes(scene)
    worse = worsening(scene.draws, scene.codes, scene.when, outcome)
    tables = {
        "trips": _trips(laid, outcome),
        "crew": _crew(scene.draws, laid.place.base),
        "settings": settings(scene, laid.seen.trigger_s, outcome),
        "device_events": laid.events,
        "observations": observations(scene, upset, worse),
        "contacts": contacts(scene, laid.seen.trigger_s, laid.response),
    }
    for columns in tables.values():
        columns["trip"] = index[columns["trip"]]
    return Chunk(tables, laid.answers, laid.clock.offset, scene.codes, scene.when)


def _trips(laid: Laid, outcome: Ints) -> Columns:
    """The trips table of a chunk."""
    scene, place = laid.scene, laid.place
    draws, codes, child, when = scene.draws, scene.codes, scene.child, scene.when
    no_departure = codes.wall == Wall.DEPARTURE_MISSING
    return {
        "trip": np.arange(len(place.month)),
        "month": place.month,
        "base": place.base,
        "vehicle": _vehicle(draws, when.arrived - when.departed),
        "age": child.age,
        "weight10": child.weight_shown10,
        "diagnosis": child.diagnosis,
        "planned": when.planned,
        "sending_cannula": child.sending_cannula,
        "sending_flow10": child.sending_flow10,
        "sending_fio2": np.where(
            draws.chance("sending fio2", 0.05), -1, scene.what.fio2.value[:, 0]
        ),
        "departed_s": np.where(no_departure, -1, when.departed * 60),
        "arrived_s": when.arrived * 60,
        "handover_s": np.where(codes.whole == Whole.OPEN, -1, when.end * 60),
        "outcome": outcome,
        "later": a_day_later(draws, outcome),
        "device_log": laid.log.stated,
        "exempt": laid.orders.exempt,
        "blend": laid.orders.blend,
        "unit": np.where(when.kind == VENTILATOR, laid.units.ventilator, 0),
        "heater": laid.units.heater,
    }


def _vehicle(draws: Draws, road: Ints) -> Ints:
    """Position in the contract's list: nobody flies a short way."""
    rotor, wing = of("rotor_share"), of("fixed_wing_share")
    found = draws.pick("vehicle", (1 - rotor - wing, rotor, wing))
    return np.where(road < np.array([0, 20, 60])[found], 0, found)


def _crew(draws: Draws, base: Ints) -> Columns:
    """Two crew members a trip, of the base's twelve."""
    lead = draws.whole("lead member", 1, 12)
    second = (lead + draws.whole("second member", 0, 10)) % 12 + 1
    trip = np.repeat(np.arange(len(base)), 2)
    return {
        "trip": trip,
        "base": base[trip],
        "member": np.stack([lead, second], axis=1).ravel(),
        "place": np.tile(np.array([1, 2]), len(base)),
    }


def expected(options: Options, received: list[int], missing: list[int]) -> list[int]:
    """Trips that the dispatch log has for each month: more than received in some.

    `missing` are those left out on request; where there are changes no others are.
    """
    month = Draws(options.seed, np.arange(options.months))
    more = month.chance("short month", 0.4) & options.troubled
    surplus = 1 + (np.array(received) * of("expected_surplus")).astype(np.int64)
    return [int(n) for n in np.array(received) + missing + np.where(more, surplus, 0)]
