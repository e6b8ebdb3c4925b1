"""The trips of one chunk: what befalls them, how it was charted, what was planted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.answers import FIRST_RULES, FORCED_EXEMPT, RULES, Answers, answers
from pipeline.simulate.assumptions import of
from pipeline.simulate.calls import answers_to_occlusions, contacts, exemptions, outcomes
from pipeline.simulate.charting import Columns, observations, settings
from pipeline.simulate.children import children
from pipeline.simulate.draws import Draws, Floats, Ints
from pipeline.simulate.occlusions import Place, Truth, device_events, logs, own_rate
from pipeline.simulate.pathways import VENTILATOR, pathways
from pipeline.simulate.plants import Codes, Escalation, Wall, Whole, drawn
from pipeline.simulate.service import BASE_SHARES, TROUBLED_BASE
from pipeline.simulate.support import Scene, support
from pipeline.simulate.times import Times, times


@dataclass(frozen=True)
class Options:
    """What a delivery is made from."""

    trips: int
    months: int
    seed: int
    first_month: str
    plants: float
    truth: Truth
    confounding: float
    all_rules: bool

    @property
    def rules(self) -> tuple[str, ...]:
        """The rules judged and planted."""
        return RULES if self.all_rules else FIRST_RULES

    def winter(self, month: Ints) -> Floats:
        """Return how wintry each month is: 1 in January, 0 in July."""
        number = (int(self.first_month[5:]) - 1 + month) % 12
        return np.asarray((1 + np.cos(2 * np.pi * number / 12)) / 2)

    def month_of(self, index: Ints) -> Ints:
        """Return the position of each trip's month: winters are busier, every month has a trip."""
        share = 1 + of("winter_trips") * (self.winter(np.arange(self.months)) - 0.5)
        last = np.cumsum(share / share.sum()) * (self.trips - self.months)
        # at least one trip a month
        until = np.rint(last).astype(np.int64) + np.arange(1, self.months + 1)
        return np.asarray(np.searchsorted(until, index, side="right"))

    @property
    def training_month(self) -> int:
        """Position of the month in which the troubled base was retrained."""
        return self.months * 2 // 3


@dataclass
class Chunk:
    """The tables of some trips; `trip` columns hold the trips' numbers in the delivery."""

    tables: dict[str, Columns]
    answers: Answers
    offset_s: Ints
    codes: Codes
    when: Times


def made(options: Options, index: Ints, whole: Ints) -> Chunk:
    """Make the trips with these numbers; `whole` forces what befalls some of them."""
    draws = Draws(options.seed, index)
    month = options.month_of(index)
    base = draws.pick("base", BASE_SHARES)
    trained = month > options.training_month
    long_wall = np.where(base == TROUBLED_BASE, np.where(trained, 0.04, 0.20), 0.0)
    codes = drawn(draws, options.plants, long_wall, whole)
    child = children(draws, codes, options.confounding)
    exempt = exemptions(draws, codes, FORCED_EXEMPT)
    way = pathways(draws, codes, child, exempt > 0)
    when = times(draws, codes, way, options.winter(month))
    scene = Scene(draws, codes, child, when, support(draws, codes, child, when))
    log = logs(draws, codes, when)
    place = Place(base, month)
    events, seen, clock = device_events(scene, log, options.truth, place)
    # a call about occlusions would answer for the escalation as well
    asks = np.isin(codes.escalation, [Escalation.CALLED, Escalation.NOT_CALLED])
    codes.clear("escalation", asks & (seen.trigger_s >= 0))
    response = answers_to_occlusions(draws)
    rate = own_rate(draws, options.truth.shape)
    tables = {
        "trips": _trips(scene, place, log.said, exempt),
        "crew": _crew(draws, base),
        "settings": settings(scene),
        "device_events": events,
        "observations": observations(scene, rate),
        "contacts": contacts(scene, seen.trigger_s, response),
    }
    for columns in tables.values():
        columns["trip"] = index[columns["trip"]]
    found = answers(scene, log, seen, response, exempt)
    return Chunk(tables, found, clock.offset, codes, when)


def _trips(scene: Scene, place: Place, said: Ints, exempt: Ints) -> Columns:
    """The trips table of a chunk."""
    draws, codes, child, when = scene.draws, scene.codes, scene.child, scene.when
    vehicle = draws.pick("vehicle", (0.72, 0.20, 0.08))
    no_departure = codes.wall == Wall.DEPARTURE_MISSING
    return {
        "trip": np.arange(len(place.month)),
        "month": place.month,
        "base": place.base,
        "vehicle": vehicle,
        "age": child.age,
        "weight10": child.weight_shown10,
        "diagnosis": child.diagnosis,
        "planned": when.planned,
        "sending_cannula": child.sending_cannula,
        "sending_flow10": child.sending_flow10,
        "sending_fio2": np.where(draws.chance("sending fio2", 0.05), -1, child.fio2),
        "departed_s": np.where(no_departure, -1, when.departed * 60),
        "arrived_s": when.arrived * 60,
        "handover_s": np.where(codes.whole == Whole.OPEN, -1, when.end * 60),
        "outcome": outcomes(draws, codes),
        "device_log": said,
        "exempt": exempt,
        "unit": np.where(when.kind == VENTILATOR, draws.whole("unit", 1, 4), 0),
        "heater": draws.whole("heater", 1, 5),
    }


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


def expected(options: Options, delivered: list[int]) -> list[int]:
    """Trips that the dispatch log has for each month: more than delivered in some."""
    month = Draws(options.seed, np.arange(options.months))
    more = month.chance("short month", 0.4)
    surplus = 1 + (np.array(delivered) * of("expected_surplus")).astype(np.int64)
    return [int(n) for n in np.array(delivered) + np.where(more, surplus, 0)]
