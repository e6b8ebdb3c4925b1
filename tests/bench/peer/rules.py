"""The first five rules, each for all trips of one protocol version at once, with their bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tests.bench.peer.timeline import Charts

Answers = pd.DataFrame
Params = dict[str, Any]
Pair = tuple[pd.Series, pd.Series]


def judge(
    found: Charts, intervals: pd.DataFrame, contacts: pd.DataFrame, versions: list[dict[str, Any]]
) -> pd.DataFrame:
    """Every trip's verdict on every rule: trip, rule, verdict, observed_low and _high, times."""
    answers = []
    for number, version in enumerate(versions):
        chosen = (found.trips["version"] == number).to_numpy()
        own = Charts(found.trips[chosen], _of(found.settings, chosen), _of(found.lost, chosen),
                     found.codes)  # fmt: skip
        spans, calls = _of(intervals, chosen), _of(contacts, chosen)
        for name, rule in RULES.items():
            if (params := version["rules"].get(name)) and params.get("enabled", True):
                answers.append(rule(own, spans, calls, params).assign(rule=name))
    columns = ["trip", "rule", "verdict", "observed_low", "observed_high", "from_s", "until_s"]
    found_all = pd.concat(answers).rename_axis("trip").reset_index()
    return found_all[columns]


def _of(rows: pd.DataFrame, chosen: np.ndarray) -> pd.DataFrame:
    return rows[chosen[rows["trip"]]]


def wall_oxygen_time(found: Charts, spans: pd.DataFrame, calls: pd.DataFrame, p: Params) -> Answers:
    """Minutes on wall or cylinder."""
    state = _is_in(spans["source"], found.code("source", "wall", "cylinder"))
    return _total(found, spans, state, _first_call(calls, "longer_wall_oxygen", found), p)


def unheated_time(found: Charts, spans: pd.DataFrame, calls: pd.DataFrame, p: Params) -> Answers:
    """Minutes unheated."""
    state = _is_in(spans["humidification"], found.code("humidification", "unheated"))
    return _total(found, spans, state, _first_call(calls, "longer_unheated", found), p)


def source_choice(found: Charts, spans: pd.DataFrame, calls: pd.DataFrame, p: Params) -> Answers:
    """The ventilator, or what does as well, at every instant that may have been the departure."""
    trips = found.trips
    at, transit = _at_departure(found, spans)
    fails = p.get("at_limit", "pass") == "fail"
    over = _beyond(at["flow_lpm"], p["flow_limit_lpm"], fails)
    over |= _beyond(transit, p["transit_limit_min"], fails)
    unsure = at["flow_lpm"].isna() | transit.isna()
    serves = at["source"].isin(found.code("source", *p["satisfied_by"]))
    answer = np.select(
        [serves, ~over & ~unsure, over & at["source"].notna()],
        ["met", "met", "deviation"], "cannot_tell",
    )  # fmt: skip
    flags = pd.DataFrame({"trip": at["trip"], "flow": at["flow_lpm"]})
    for kind in ("met", "deviation", "cannot_tell"):
        flags[kind] = answer == kind
    by_trip = flags.groupby("trip").agg(
        low=("flow", "min"), high=("flow", "max"), met=("met", "any"),
        deviation=("deviation", "any"), cannot_tell=("cannot_tell", "any"),
    )  # fmt: skip
    seen = pd.Series(trips.index.isin(by_trip.index), index=trips.index)
    by_trip = by_trip.reindex(trips.index)
    met, deviation, unclear = (by_trip[k].eq(True) for k in ("met", "deviation", "cannot_tell"))
    plain = np.select(
        [~seen | unclear, met & deviation, met], ["cannot_tell", "borderline", "met"], "deviation"
    )
    called = _first_call(calls, "wall_instead_of_ventilator", found)
    authorised = called <= trips["departed_s"] + 60 * p.get("grace_min", 5)
    verdict = _excused(plain, authorised, trips)
    departed = trips["departed_s"]
    return _answers(trips, verdict, (by_trip["low"], by_trip["high"]), (departed, departed))


def _at_departure(found: Charts, spans: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Intervals in force at some instant that may have been departure; their planned transit."""
    wanted = ["departed_s", "start_s", "end_s", "r_trips", "r_settings", "planned_transit_min"]
    own = found.trips.reindex(spans["trip"])[wanted].set_axis(spans.index)
    departed = own["departed_s"]
    there = (
        (spans["from_s"] < departed + own["r_trips"])
        & (spans["until_s"] > departed - own["r_settings"] + 1)
        & (departed >= own["start_s"])
        & (departed < own["end_s"])
    )
    return spans[there], own.loc[there, "planned_transit_min"]


def fallback_reason(found: Charts, spans: pd.DataFrame, calls: pd.DataFrame, p: Params) -> Answers:
    """Whether every episode both unheated and undiluted has a charted reason."""
    trips = found.trips
    undiluted = _is_in(spans["source"], found.code("source", "wall", "cylinder"))
    unheated = _is_in(spans["humidification"], found.code("humidification", "unheated"))
    # true and true; false wherever either is false; else unknown
    state = (undiluted * unheated).where(
        undiluted.notna() & unheated.notna(),
        np.where((undiluted == 0) | (unheated == 0), 0, np.nan),
    )
    perhaps = trips.index.isin(spans.loc[state.isna(), "trip"])
    perhaps |= (trips["open_end"] | trips["start_s"].isna()).to_numpy()
    episodes = _runs(spans[state == 1]).rename_axis("episode").reset_index()
    charted = found.settings[["trip", "at_s"]].assign(
        accepted=found.settings["reason"].isin(p["accepted_reasons"]), lost=False
    )
    gone = found.lost[["trip", "at_s"]].assign(accepted=False, lost=True)
    rows = pd.concat([charted[charted["accepted"]], gone])
    near = episodes.merge(rows, on="trip")
    within = near["at_s"] >= near["from_s"] - 60 * p.get("reason_window_min", 5)
    near = near[within & (near["at_s"] < near["until_s"])]
    accepted = episodes["episode"].isin(near.loc[near["accepted"], "episode"])
    lost = episodes["episode"].isin(near.loc[near["lost"], "episode"])
    told = episodes.assign(untold=~accepted & lost, unexplained=~accepted & ~lost)
    by_trip = told.groupby("trip").agg(
        untold=("untold", "sum"), unexplained=("unexplained", "sum"), from_s=("from_s", "min"),
        until_s=("until_s", "max"),
    ).reindex(trips.index)  # fmt: skip
    verdict = np.select(
        [by_trip["unexplained"] > 0, by_trip["untold"] > 0, by_trip["untold"].notna(), perhaps],
        ["deviation", "cannot_tell", "met", "cannot_tell"], "not_applicable",
    )  # fmt: skip
    high = by_trip["unexplained"] + by_trip["untold"]
    observed, times = (by_trip["unexplained"], high), (by_trip["from_s"], by_trip["until_s"])
    return _answers(trips, verdict, observed, times)


def flow_kept(found: Charts, spans: pd.DataFrame, calls: pd.DataFrame, p: Params) -> Answers:
    """The first charted flow against the sending hospital's."""
    trips = found.trips
    rows = found.settings[found.settings["flow_lpm"].notna()]
    keep_until = trips["keep_until_s"].reindex(rows["trip"]).to_numpy()
    rows = rows[rows["at_s"].to_numpy() <= keep_until]
    rows = rows.drop_duplicates(["trip", "at_s"], keep="last").drop_duplicates("trip")
    first = rows.set_index("trip")[["at_s", "line", "flow_lpm", "reason"]].reindex(trips.index)
    gone = found.lost.join(first[["at_s", "line"]], on="trip", suffixes=(None, "_first"))
    earlier = gone["at_s"].isna() | (gone["at_s"] < gone["at_s_first"])
    earlier |= (gone["at_s"] == gone["at_s_first"]) & (gone["line"] > gone["line_first"])
    value = first["flow_lpm"].mask(trips.index.isin(gone.loc[earlier, "trip"]))
    sending = trips["sending_flow_lpm"]
    apart = (value - sending).abs().round(6)
    share = sending * p.get("tolerance_pct", 10) / 100
    allowed = np.maximum(p.get("tolerance_lpm", 1), share).round(6)
    outside = _beyond(apart, allowed, p.get("at_limit", "pass") == "fail")
    plain = np.select([apart.isna(), outside], ["cannot_tell", "deviation"], "met")
    called = _first_call(calls, "flow_change", found) <= first["at_s"] + 60 * p.get("grace_min", 5)
    verdict = _excused(plain, (first["reason"] == "clinical") | called, trips)
    return _answers(trips, verdict, (apart, apart), (first["at_s"], first["at_s"]))


def _total(
    found: Charts, spans: pd.DataFrame, state: pd.Series, called: pd.Series, p: Params
) -> Answers:
    """Bounds of the time in a state over all episodes, against the limit.

    Recorded times are truncated and some are unknown: low is what surely was in the state, high
    what may have been, known high the same without unknown time.
    """
    assert p.get("count", "total") == "total"
    trips, limit_s = found.trips, 60 * p["limit_min"]
    sure = _bounded(_runs(spans[state == 1]), trips)
    maybe = spans.assign(unknown=state.isna())[state != 0]
    runs = _bounded(_runs(maybe), trips)
    recorded = sure["until_s"] - sure["from_s"]
    before = recorded.groupby(sure["trip"]).cumsum() - recorded
    sure["reached_s"] = (sure["from_s"] + limit_s - before).where(before + recorded >= limit_s)
    by_trip = sure.groupby("trip").agg(
        low=("low", "sum"), known_high=("high", "sum"), from_s=("from_s", "min"),
        until_s=("until_s", "max"), reached_s=("reached_s", "min"),
    ).reindex(trips.index)  # fmt: skip
    unbounded = trips["open_end"] | trips["start_s"].isna()
    high = runs.groupby("trip")["high"].sum().reindex(trips.index).fillna(0).mask(unbounded)
    unsure = unbounded | trips.index.isin(maybe.loc[maybe["unknown"], "trip"])
    fails = p.get("at_limit", "pass") == "fail"
    plain = np.select(
        [
            by_trip["low"].isna() & ~unsure,
            high.notna() & ~_beyond(high, limit_s, fails),
            _beyond(by_trip["low"].fillna(0), limit_s, fails),
            ~_beyond(by_trip["known_high"].fillna(0), limit_s, fails),
        ],
        ["not_applicable", "met", "deviation", "cannot_tell"], "borderline",
    )  # fmt: skip
    moment = by_trip["reached_s"].fillna(by_trip["until_s"])
    verdict = _excused(plain, called <= moment + 60 * p.get("grace_min", 0), trips)
    asked = plain != "not_applicable"
    low = (by_trip["low"].fillna(0) / 60).round(2).where(asked)
    observed = (low, (high / 60).round(2).where(asked))
    return _answers(trips, verdict, observed, (by_trip["from_s"], by_trip["until_s"]))


def _runs(spans: pd.DataFrame) -> pd.DataFrame:
    """Maximal runs of intervals that follow each other without a gap: trip, from_s, until_s."""
    begins = spans["from_s"].ne(spans["until_s"].shift()) | spans["trip"].ne(spans["trip"].shift())
    return spans.groupby(begins.cumsum().to_numpy()).agg(
        trip=("trip", "first"), from_s=("from_s", "first"), until_s=("until_s", "last")
    )


def _bounded(runs: pd.DataFrame, trips: pd.DataFrame) -> pd.DataFrame:
    """Add the true length's bounds: times were truncated to the resolution of what they are."""
    own = trips[["ends_at_handover", "end_s", "r_trips", "r_settings"]].reindex(runs["trip"])
    own = own.set_axis(runs.index)
    at_handover = own["ends_at_handover"].eq(True) & (runs["until_s"] == own["end_s"])
    recorded = runs["until_s"] - runs["from_s"]
    r_end = own["r_trips"].where(at_handover, own["r_settings"])
    low = (recorded - own["r_settings"]).clip(lower=0)
    return runs.assign(low=low, high=recorded + r_end)


def _is_in(values: pd.Series, codes: list[float]) -> pd.Series:
    """1 where a value is one of `codes`, 0 where it is another, NaN where it is unknown."""
    return values.isin(codes).astype(float).where(values.notna())


def _beyond(values: pd.Series, limit: Any, fails_at_limit: bool) -> pd.Series:
    return values >= limit if fails_at_limit else values > limit


def _first_call(calls: pd.DataFrame, code: str, found: Charts) -> pd.Series:
    """When a call first authorised `code`, NaN where none did."""
    given = calls[calls["authorised"] == code].groupby("trip")["at_s"].min()
    return given.reindex(found.trips.index)


def _excused(plain: np.ndarray, authorised: pd.Series, trips: pd.DataFrame) -> np.ndarray:
    """Verdicts after calls: a variance may be authorised, or not to be told without the calls."""
    variance = np.isin(plain, ["deviation", "borderline"])
    calls_unknown = ~trips["contacts_known"].to_numpy()
    return np.select(
        [variance & authorised.to_numpy(), variance & calls_unknown],
        ["authorised", "cannot_tell"], plain,
    )  # fmt: skip


def _answers(trips: pd.DataFrame, verdict: Any, observed: Pair, times: Pair) -> Answers:
    names = ("observed_low", "observed_high", "from_s", "until_s")
    amounts = dict(zip(names, (*observed, *times), strict=True))
    return pd.DataFrame({"verdict": verdict, **amounts}, index=trips.index)


RULES = {
    "wall-oxygen-time": wall_oxygen_time,
    "unheated-time": unheated_time,
    "source-choice": source_choice,
    "fallback-reason": fallback_reason,
    "flow-kept": flow_kept,
}
