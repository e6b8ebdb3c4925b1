"""From good rows to what is known when: review windows, intervals of constant support, clocks.

A trip is its place among the kept trips: tables of trips are indexed by it, and `of(trips, rows)`
style look-ups are plain array indexing. Unknown is NaN; while series are built, -1 marks "no
longer known" (no flow is negative, no category has that code), so that NaN is "not charted".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from tests.bench.peer.reading import Tables

FIELDS = ["source", "flow_lpm", "fio2", "humidification", "cannula"]
TIMED = ("trips", "settings", "contacts")
UNKNOWN = -1.0
MATCH_WITHIN_S = 900


@dataclass(frozen=True)
class Charts:
    """A delivery's trips and settings, in order; `codes` has the texts behind coded fields."""

    trips: pd.DataFrame
    settings: pd.DataFrame
    lost: pd.DataFrame
    codes: dict[str, pd.Index]

    def code(self, field: str, *texts: str) -> list[float]:
        """The codes of some texts; those that nobody charted are left out."""
        return [float(c) for c in self.codes[field].get_indexer(list(texts)) if c >= 0]


def charts(tables: Tables, export: dict[str, Any], versions: list[dict[str, Any]]) -> Charts:
    """The settings in order of trip, time and line, and every trip with its review window."""
    settings = tables.rows["settings"].sort_values(["trip", "at_s", "line"], ignore_index=True)
    codes = {}
    for field in ("source", "humidification", "cannula"):
        codes[field] = settings[field].cat.categories
        coded = settings[field].cat.codes.astype(float)
        settings[field] = coded.where(coded >= 0)
    lost = tables.lost[tables.lost["table"] == "settings"]
    trips = _windows(tables, settings, lost, export)
    months = [version["from_month"] for version in versions]
    in_force = np.searchsorted(months, trips["service_month"].astype(str), side="right") - 1
    return Charts(trips.assign(version=in_force), settings, lost, codes)


def _windows(
    tables: Tables, settings: pd.DataFrame, lost: pd.DataFrame, export: dict[str, Any]
) -> pd.DataFrame:
    """Each trip's review window, resolutions, and which of its records are complete."""
    trips = tables.rows["trips"]
    charted = pd.concat([settings[["trip", "at_s"]], lost[["trip", "at_s"]]])
    spans = charted.groupby("trip")["at_s"].agg(["min", "max"]).reindex(trips.index)
    support_end = _support_end(settings).reindex(trips.index)
    handover = trips["handover_s"]
    known_end = handover.where(handover.notna(), spans["max"])
    last = np.fmin(handover, support_end) - 1
    gone = {name: set(rows["trip"]) for name, rows in tables.lost.groupby("table")}
    recorded = [t not in export.get("not_recorded", []) for t in ("contacts", "device_events")]
    events = tables.rows["device_events"]["trip"]
    log = trips["device_log"]
    logged = (log == "complete") | (log.isna() & trips.index.isin(events))
    resolution = {f"r_{t}": export["time_resolution_s"].get(t, 1) for t in TIMED}
    return trips.assign(
        **resolution,
        start_s=spans["min"],
        end_s=np.fmin(known_end, support_end),
        open_end=handover.isna(),
        ends_at_handover=handover.notna() & ~(handover > support_end),
        keep_until_s=last.where(last.notna(), spans["max"]),
        all_unknown=trips.index.isin(lost.loc[lost["at_s"].isna(), "trip"]),
        contacts_known=recorded[0] & ~trips.index.isin(list(gone.get("contacts", ()))),
        log_complete=recorded[1] & logged & ~trips.index.isin(list(gone.get("device_events", ()))),
    )


def _support_end(settings: pd.DataFrame) -> pd.Series:
    """When other support was first charted; of two rows at one second the later holds."""
    charted = settings.loc[settings["support"].notna(), ["trip", "at_s", "line", "support"]]
    high = charted[charted["support"] == "high_flow"]
    other = charted[charted["support"] != "high_flow"]
    latest = high.groupby(["trip", "at_s"])["line"].max().rename("high_line").reset_index()
    other = other.merge(latest, on=["trip", "at_s"], how="left")
    return other[~(other["high_line"] > other["line"])].groupby("trip")["at_s"].min()


def timeline(found: Charts, versions: list[dict[str, Any]]) -> pd.DataFrame:
    """Intervals [from_s, until_s) of constant known support, in order: trip and the five fields."""
    trips = found.trips
    points = _charted(found)
    limited = [f for f in FIELDS if any(_carry_s(v, f) is not None for v in versions)]
    points = pd.concat([points, *(_expiries(points, trips, f, versions) for f in limited)])
    points = points.sort_values(["trip", "at_s", "line"], ignore_index=True)
    points[FIELDS] = points.groupby("trip")[FIELDS].ffill()
    points = points.drop_duplicates(["trip", "at_s"], keep="last")
    end_s = trips["end_s"].to_numpy()[points["trip"]]
    points = points[points["at_s"] < end_s].reset_index(drop=True)
    points[FIELDS] = points[FIELDS].mask(points[FIELDS] == UNKNOWN)
    before = points[FIELDS].shift()
    same = ((points[FIELDS] == before) | (points[FIELDS].isna() & before.isna())).all(axis=1)
    held = points[~same | points["trip"].ne(points["trip"].shift())].reset_index(drop=True)
    ends = pd.Series(trips["end_s"].to_numpy()[held["trip"]])
    following = held["at_s"].shift(-1).where(held["trip"].eq(held["trip"].shift(-1)), ends)
    held = held.rename(columns={"at_s": "from_s"}).drop(columns="line")
    return held.assign(until_s=following)


def _charted(found: Charts) -> pd.DataFrame:
    """The settings that bear on the window; set-aside rows as unknown in every field."""
    trips = found.trips
    columns = ["trip", "at_s", "line", *FIELDS]
    unknown = trips[trips["all_unknown"] & trips["start_s"].notna()]
    hidden = pd.DataFrame({"trip": unknown.index, "at_s": unknown["start_s"], "line": 0})
    rows = [found.settings[columns], found.lost[["trip", "at_s", "line"]].assign(**_NOTHING)]
    kept = []
    for part in rows:
        trip = part["trip"].to_numpy()
        bears = part["at_s"].to_numpy() <= trips["keep_until_s"].to_numpy()[trip]
        kept.append(part[bears & ~trips["all_unknown"].to_numpy()[trip]])
    points = pd.concat([*kept, hidden.assign(**_NOTHING)])
    return points.sort_values(["trip", "at_s", "line"], ignore_index=True)


def _carry_s(version: dict[str, Any], field: str) -> int | None:
    minutes = version["carry_forward_min"]
    if isinstance(minutes, dict):
        minutes = minutes[field]
    return None if minutes == "until_changed" else round(minutes * 60)


def _expiries(
    points: pd.DataFrame, trips: pd.DataFrame, field: str, versions: list[dict[str, Any]]
) -> pd.DataFrame:
    """The moments at which a charted value of one field stops being known."""
    series = points.loc[points[field].notna(), ["trip", "at_s", field]]
    series = series.drop_duplicates(["trip", "at_s"], keep="last")
    follows = series["trip"].eq(series["trip"].shift(-1))
    next_s = series["at_s"].shift(-1).where(follows)
    differs = series[field].ne(series[field].shift(-1).where(follows))
    carry = np.array([_carry_s(v, field) for v in versions] + [None], dtype=float)
    ends_s = series["at_s"] + carry[trips["version"].to_numpy()[series["trip"]]]
    known_to = np.fmin(next_s, trips["end_s"].to_numpy()[series["trip"]])
    expires = (series[field] != UNKNOWN) & differs & (ends_s < known_to)
    return pd.DataFrame(
        {"trip": series.loc[expires, "trip"], "at_s": ends_s[expires], "line": 0, field: UNKNOWN}
    )


_NOTHING = dict.fromkeys(FIELDS, UNKNOWN)


def occlusions(
    tables: Tables, found: Charts, intervals: pd.DataFrame, versions: list[dict[str, Any]],
    max_offset_s: float,
) -> pd.DataFrame:  # fmt: skip
    """Occlusions in the window that rates count: trip, and cannula in force; blockages merged."""
    trips = found.trips
    events = tables.rows["device_events"]
    offset = _clock_offset(events, found, tables.lost, max_offset_s)
    events = events[events["event"] == "occlusion"].copy()
    of = events["trip"].to_numpy()
    events["at_s"] -= offset.to_numpy()[of]
    start, end = trips["start_s"].to_numpy()[of], trips["end_s"].to_numpy()[of]
    events = events[(events["at_s"] >= start) & (events["at_s"] < end)]
    events = events.sort_values(["trip", "at_s", "line"])
    merge = np.array([v.get("merge_within_s", 0) for v in versions] + [0], dtype=float)
    merge_s = merge[trips["version"].to_numpy()[events["trip"]]]
    near = events["at_s"].diff().le(merge_s) & events["trip"].eq(events["trip"].shift())
    events = events[~near | (merge_s == 0)]
    placed = pd.merge_asof(
        events[["trip", "at_s"]].astype({"trip": intervals["trip"].dtype}).sort_values("at_s"),
        intervals.sort_values("from_s"),
        left_on="at_s", right_on="from_s", by="trip",
    )  # fmt: skip
    complete = trips["log_complete"].to_numpy()[placed["trip"]]
    counted = placed["source"].isin(found.code("source", "ventilator")) & complete
    return placed[counted & placed["cannula"].notna() & placed["flow_lpm"].notna()]


def _clock_offset(
    events: pd.DataFrame, found: Charts, lost: pd.DataFrame, max_offset_s: float
) -> pd.Series:
    """What is taken off a trip's device times: the offset of its first start, 0 if not sure."""
    ventilator = found.settings["source"].isin(found.code("source", "ventilator"))
    charted = found.settings[ventilator].groupby("trip")["at_s"].min().reindex(found.trips.index)
    missing = found.lost
    early = ~(missing["at_s"] > charted.to_numpy()[missing["trip"]])
    early &= missing["at_s"].isna() | charted.notna().to_numpy()[missing["trip"]]
    doubtful = [lost.loc[lost["table"] == "device_events", "trip"], missing.loc[early, "trip"]]
    started = events[(events["event"] == "started") & ~events["trip"].isin(pd.concat(doubtful))]
    apart = started["at_s"] - charted.to_numpy()[started["trip"]]
    matched = started[apart.abs() <= MATCH_WITHIN_S].groupby("trip")["at_s"].min()
    offset = matched.reindex(found.trips.index) - charted
    return offset.where(offset.abs() <= max_offset_s, 0.0)
