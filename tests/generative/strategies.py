"""Hypothesis strategies for small deliveries whose times crowd around what could go wrong.

Limits are drawn short (half a minute to five minutes), and the gaps between rows are drawn
from those limits, one second and one minute either side of them, and zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from hypothesis import strategies as st

from .twin.model import Delivery, Row, seconds
from .twin.write import write_delivery

__all__ = ["RULE_PARAMETERS", "deliveries", "write_delivery"]

MINUTES = [1, 2, 5, 0.5]
GRACE = [0, 1, 5]
AT_LIMIT = ["pass", "fail"]
COUNT = ["total", "longest"]
DURATION: dict[str, list[Any]] = {
    "limit_min": MINUTES, "at_limit": AT_LIMIT, "count": COUNT, "grace_min": GRACE,
}  # fmt: skip
RULE_PARAMETERS: dict[str, dict[str, list[Any]]] = {
    "wall-oxygen-time": DURATION,
    "unheated-time": DURATION,
    "source-choice": {
        "flow_limit_lpm": [18, 20],
        "transit_limit_min": [50, 60],
        "at_limit": AT_LIMIT,
        "satisfied_by": [["ventilator", "blender"], ["ventilator"]],
        "grace_min": GRACE,
    },
    "fallback-reason": {
        "accepted_reasons": [["heater_failed", "ventilator_failed", "power_lost"], ["comfort"]],
        "reason_window_min": [5, 1],
    },
    "flow-kept": {"tolerance_lpm": [1, 2], "tolerance_pct": [10, 20], "grace_min": GRACE},
    "cannula-kept": {"convert_to": ["prong", "cushion"], "grace_min": GRACE},
    "cannula-flow-range": {
        "limit_min": MINUTES,
        "at_limit": AT_LIMIT,
        "count": ["longest", "total"],
        "grace_min": GRACE,
    },
    "cannula-weight": {"grace_min": GRACE},
    "repeated-occlusion-call": {
        "count": [3, 2, 1],
        "window_min": [10, 2, 1],
        "lead_min": [5, 0],
        "within_min": [10, 5],
    },
    "flow-interruption": {"longest_limit_s": [15, 8], "total_limit_s": [60, 20]},
    "heat-ready": {"grace_min": GRACE},
    "oxygen-titration": {
        "spo2_pct": [98],
        "fio2": [0.4],
        "limit_min": [2, 5],
        "at_limit": AT_LIMIT,
        "max_spacing_min": [2, 5],
    },
    "low-saturation-response": {
        "spo2_pct": [90],
        "within_min": [1, 5],
        "max_spacing_min": [2, 5],
        "recovery_counts": [False, True],
    },
    "monitoring-gap": {"limit_min": [2, 5], "at_limit": AT_LIMIT},
    "settings-gap": {"limit_min": [2, 5], "at_limit": AT_LIMIT},
    "escalation-call": {},
    "blend-required": DURATION,
}
"""Each rule's parameters with the values they are drawn from."""

SETTING: dict[str, list[Any]] = {
    "support": [None, "high_flow", None, "high_flow", None, "low_flow", "none"],
    "source": ["wall", "ventilator", None, "blender", "cylinder", "ventilator", "other"],
    "flow_lpm": [10.0, None, 18.0, 18.5, 20.0, 25.0, 9.0, 11.0],
    "fio2": [0.5, None, 0.4, 0.45, 1.0],
    "humidification": ["unheated", "heated", None],
    "cannula": ["prong-1", None, "prong-2", "cushion-1", "loop-1", "unlisted"],
    "reason": [None, "heater_failed", "comfort", "clinical", None],
}
TIDY_SETTING = {
    **{field: [v for v in values if v is not None] for field, values in SETTING.items()},
    "support": [None, "high_flow"],
    "reason": SETTING["reason"],
}
VENTILATED_SETTING = TIDY_SETTING | {
    "source": [*["ventilator"] * 4, "wall"],
    "fio2": [None, None, None, 0.5, 0.45, 0.4],
    "cannula": [None, None, "prong-1", "prong-2"],
}
SATURATIONS = [[98.0, 89.0, None, 90.0, 97.0], [98.0, 98.0, 99.0, 98.0, 97.0], [89.0, 88.0, 90.0]]
OBSERVATION: dict[str, list[Any]] = {
    "resp_rate": [40.0, 40.0, None],
    "heart_rate": [None],
    "behaviour": [None, "crying"],
    "care": [None, None, None, None, None, "suction"],
}
CONTACT: dict[str, list[Any]] = {
    "contacted": ["medical_direction", "medical_direction", "clinical_lead"],
    "about": [None],
    "authorised": [
        None,
        "longer_wall_oxygen",
        "longer_unheated",
        "wall_instead_of_ventilator",
        "cannula_change",
        "flow_change",
    ],
}
DEVICE_EVENT: dict[str, list[Any]] = {
    "event": [*["occlusion"] * 6, "restored", "paused", "started"],
    "pressure_cmh2o": [None, 52.0],
    "cutoff_s": [8.0, 0.0, 4.0, 15.0, None, 15.5, 20.0, 44.0],
}
TRIP: dict[str, list[Any]] = {
    "base": ["base-1"],
    "vehicle": ["ground"],
    "age_months": [None, 7],
    "weight_kg": [5.0, None, 3.0, 8.0, 8.5, 2.9],
    "diagnosis_group": ["group-1"],
    "planned_transit_min": [None, 50.0, 50.5, 60.0, 61.0, 30.0],
    "sending_cannula": ["prong-1", None, "prong-2", "cushion-1", "loop-1", "unlisted"],
    "sending_flow_lpm": [10.0, None, 20.0, 9.0],
    "sending_fio2": [None, 0.5],
    "outcome": ["unchanged", None, "more_support", "intubated", "weaned", "arrest", "died"],
    "device_log": ["complete", None, "complete", "partial", "none"],
    "spo2_exempt": [None, False, False, True],
    "blend_ordered": [True, None, False],
}
CLOCK_OFFSETS = [0, 30, -30, 500, -900, 900, 901, 1000]
TIMED = ("trips", "settings", "device_events", "observations", "contacts")
LATEST_S, EARLIEST_DEVICE_S = 172_800, -86_400


_MADE: dict[str, st.SearchStrategy[Row]] = {}  # strategies are dear to make


def _drawn_from(values: dict[str, list[Any]]) -> st.SearchStrategy[Row]:
    if (key := repr(values)) not in _MADE:
        _MADE[key] = st.fixed_dictionaries({k: st.sampled_from(v) for k, v in values.items()})
    return _MADE[key]


def _seldom(strategy: st.SearchStrategy[Any], otherwise: Any) -> st.SearchStrategy[Any]:
    """Something unusual in about one example out of six."""
    return st.sampled_from([False] * 5 + [True]).flatmap(
        lambda unusual: strategy if unusual else st.just(otherwise)
    )


@st.composite
def _versions(draw: st.DrawFn, rules: Sequence[str]) -> list[Row]:
    """One protocol version or two, the second from February on."""
    months = draw(st.sampled_from([["2026-01"], ["2026-01", "2026-02"], ["2025-11", "2026-02"]]))
    if draw(_seldom(st.just(True), otherwise=False)):
        months = ["2026-02"]
    return [draw(_version(f"2026.{n}", month, rules)) for n, month in enumerate(months, start=1)]


@st.composite
def _version(draw: st.DrawFn, name: str, month: str, rules: Sequence[str]) -> Row:
    carry = st.sampled_from(["until_changed", "until_changed", 1, 5, 0.5])
    fields = ("source", "flow_lpm", "fio2", "humidification", "cannula")
    each = st.fixed_dictionaries(dict.fromkeys(fields, carry))
    left_out = draw(_seldom(st.sampled_from(list(rules)), otherwise=None))
    entries = {
        rule: draw(_drawn_from(RULE_PARAMETERS[rule]))
        | {"severity": "high", "text": "Invented for testing.", "source": "local protocol"}
        for rule in rules
        if rule != left_out
    }
    if entries and draw(_seldom(st.just(True), otherwise=False)):
        entries[min(entries)]["enabled"] = False
    return {
        "id": name,
        "from_month": month,
        "approved": {"by": "D1", "month": "2025-10"},
        "carry_forward_min": draw(st.one_of(each, st.sampled_from([2, "until_changed"]))),
        "merge_within_s": draw(st.sampled_from([0, 30, 60])),
        "always_read": ["intubated"],
        "clock_tolerance_s": draw(st.sampled_from([120, 30])),
        "matched_tolerance_s": draw(st.sampled_from([60, 0])),
        "rules": entries,
    }


def interesting_lengths(versions: Iterable[Row]) -> list[int]:
    """Zero, the resolutions, and everything the protocol measures, a little less and more."""
    lengths = {0, 60, 300}
    for version in versions:
        carry = version["carry_forward_min"]
        minutes = list(carry.values()) if isinstance(carry, dict) else [carry]
        for rule in version["rules"].values():
            minutes += [value for key, value in rule.items() if key.endswith("_min")]
        numbers = [value for value in minutes if value != "until_changed" and value <= 10]
        lengths |= {int(seconds(value)) for value in numbers}
        lengths.add(version["merge_within_s"])
    near = {length + step for length in lengths for step in (-60, -1, 0, 1, 60)}
    # Zero stands often enough for two rows at one second to be common.
    return [0] * (len(near) // 8) + sorted(length for length in near if length >= 0)


CATALOGUE = [
    ("prong-1", "prong", 1, 2, 10, 3, 8),
    ("prong-2", "prong", 2, 10, 20, 5, 12),
    ("cushion-1", "cushion", 1, 2, 18, 2, 5),
    ("loop-1", "loop", 1, 2, 10, 3, 8),
]


@st.composite
def _catalogue(draw: st.DrawFn) -> list[Row]:
    """Four sizes of three families; nobody carries the last, seldom the second."""
    keys = ["id", "family", "size_rank"]
    keys += ["flow_min_lpm", "flow_max_lpm", "weight_min_kg", "weight_max_kg"]
    entries: list[Row] = [dict(zip(keys, entry, strict=True)) for entry in CATALOGUE]
    for entry in entries:
        entry |= {"label": entry["id"].replace("-", " "), "carried": entry["family"] != "loop"}
    entries[0]["carried"] = draw(st.booleans())
    entries[1]["carried"] = draw(st.booleans())
    return entries


class _Times:
    """Draws times of one trip; `lengths` are the gaps worth trying."""

    def __init__(self, draw: st.DrawFn, lengths: list[int], resolution: dict[str, int]) -> None:
        self.draw, self.lengths, self.resolution = draw, lengths, resolution

    def truncated(self, table: str, at_s: int) -> int:
        lowest = EARLIEST_DEVICE_S if table == "device_events" else 0
        step = self.resolution[table]
        return max(lowest, min(LATEST_S, at_s)) // step * step

    def one_after_another(
        self, table: str, start: int, most: int, least: int = 0, longest_gap: int = LATEST_S
    ) -> list[int]:
        """`least` to `most` times, each an interesting length after the one before."""
        some = st.sampled_from([length for length in self.lengths if length <= longest_gap])
        gaps = self.draw(st.lists(some, min_size=least, max_size=most))
        times = [start + sum(gaps[:n]) for n in range(len(gaps))]
        return [self.truncated(table, at_s) for at_s in times]

    def near(self, table: str, anchors: list[int]) -> int:
        """One time an interesting length (or two) after one of the anchors, or just before it."""
        anchor = self.draw(st.sampled_from(anchors))
        later = self.draw(st.sampled_from([-60, -1, *self.lengths]))
        again = self.draw(_seldom(st.sampled_from(self.lengths), otherwise=0))
        return self.truncated(table, anchor + later + again)


@st.composite
def _trip(
    draw: st.DrawFn, trip_id: str, lengths: list[int], resolution: dict[str, int]
) -> tuple[dict[str, list[Row]], list[Row]]:
    """One trip's rows by table, and the rows of it that validation is to set aside."""
    times = _Times(draw, lengths, resolution)
    start = draw(st.sampled_from([0, 0, 0, 60, 300, LATEST_S - 600]))
    tidy = draw(st.sampled_from([None, TIDY_SETTING, VENTILATED_SETTING]))
    charted = _drawn_from(tidy or SETTING)
    settings = [
        {"trip_id": trip_id, "at_s": at_s, **draw(charted)}
        for at_s in times.one_after_another("settings", start, most=7, least=1 if tidy else 0)
    ]
    anchors = sorted({start, *(row["at_s"] for row in settings)})
    trip = _trip_row(times, trip_id, anchors, tidy=bool(tidy))
    events = _device_events(times, trip_id, settings)
    moments = anchors + [row["at_s"] for row in events[-1:]] * len(anchors)
    moments += [] if trip["handover_s"] is None else [trip["handover_s"]]
    rows = {
        "trips": [trip],
        "crew": [{"trip_id": trip_id, "crew_member": "C1", "role": "lead"}],
        "settings": settings,
        "observations": _observations(times, trip_id, start),
        "contacts": [
            {"trip_id": trip_id, "at_s": times.near("contacts", moments), **called}
            for called in draw(st.lists(_drawn_from(CONTACT), max_size=4))
        ],
        "device_events": events,
    }
    spoilt: bool = draw(_seldom(st.just(True), otherwise=False))
    lost: list[Row] = draw(_lost_rows(times, trip_id, moments)) if spoilt else []
    return rows, lost


def _observations(times: _Times, trip_id: str, start: int) -> list[Row]:
    """Observations of a child whose saturation stays high, stays low, or moves about."""
    draw = times.draw
    seen = _drawn_from(OBSERVATION | {"spo2_pct": draw(st.sampled_from(SATURATIONS))})
    at = times.one_after_another("observations", start, most=7, longest_gap=300)
    return [{"trip_id": trip_id, "at_s": at_s, **draw(seen)} for at_s in at]


def _trip_row(times: _Times, trip_id: str, anchors: list[int], *, tidy: bool) -> Row:
    """The trips row; hand-over is seldom missing, and seldom before the last settings."""
    draw = times.draw
    late = draw(st.sampled_from([anchors[-1], anchors[-1], anchors[len(anchors) // 2]]))
    further = 600 if tidy else 0
    handover = times.truncated("trips", late + further + draw(st.sampled_from(times.lengths)))
    departed = times.near("trips", anchors)
    known = st.sampled_from([True, True, True, tidy])
    return {
        "trip_id": trip_id,
        "service_month": draw(st.sampled_from(["2026-01", "2026-02"])),
        **draw(_drawn_from(TRIP)),
        "departed_s": departed if draw(known) else None,
        "handover_s": handover if draw(known) else None,
    }


def _device_events(times: _Times, trip_id: str, settings: list[Row]) -> list[Row]:
    """Events on a clock that is off by something, with or without a start to match it by."""
    draw = times.draw
    ventilated = [row["at_s"] for row in settings if row["source"] == "ventilator"]
    begin = min(ventilated, default=0) + draw(st.sampled_from(CLOCK_OFFSETS))
    least = draw(st.sampled_from([0, 4]))
    clock_s = times.one_after_another("device_events", begin, 6, least, longest_gap=120)
    events = [
        {"trip_id": trip_id, "at_s": at_s, **draw(_drawn_from(DEVICE_EVENT))} for at_s in clock_s
    ]
    matched: bool = draw(st.booleans())
    if events and matched:
        events[0]["event"] = "started"
    return events


@st.composite
def _lost_rows(draw: st.DrawFn, times: _Times, trip_id: str, moments: list[int]) -> list[Row]:
    """One or two rows to be set aside; their place in the file is made to fit later."""
    tables = ["settings", "settings", "contacts", "device_events", "observations"]
    lost = []
    for table in draw(st.lists(st.sampled_from(tables), min_size=1, max_size=2)):
        timed = draw(st.sampled_from([True, True, False]))
        at_s = times.near(table, moments) if timed else None
        place = draw(st.integers(0, 12))
        lost.append({"table": table, "trip_id": trip_id, "at_s": at_s, "position": place})
    return lost


@st.composite
def deliveries(
    draw: st.DrawFn, max_trips: int = 8, rules: Sequence[str] = (), min_trips: int = 1
) -> Delivery:
    """A delivery of so many small trips over two months, judged by `rules`, or by every one."""
    versions = draw(_versions(rules or tuple(RULE_PARAMETERS)))
    resolution = {table: draw(st.sampled_from([1, 60])) for table in TIMED}
    # A recorded minute is usually a whole one, but nothing may rest on that.
    whole = draw(st.sampled_from([True, True, False]))
    steps = resolution if whole else dict.fromkeys(TIMED, 1)
    lengths = interesting_lengths(versions)
    tables: dict[str, list[Row]] = {table: [] for table in (*TIMED, "crew")}
    lost: list[Row] = []
    for n in range(draw(st.integers(min_trips, max_trips))):
        rows, lost_of_trip = draw(_trip(f"T{n + 1}", lengths, steps))
        for table, some in rows.items():
            tables[table] += some
        lost += lost_of_trip
    not_recorded = draw(_seldom(st.sampled_from([[table] for table in TIMED[1:]]), otherwise=[]))
    for table, in_file in tables.items():
        if draw(_seldom(st.just(True), otherwise=False)):
            in_file.reverse()
        if table in not_recorded:
            in_file.clear()
    return {
        "export": {
            "contract": 1,
            "service": "service-a",
            "months": ["2026-01", "2026-02"],
            "privacy_basis": "limited-data-set",
            "not_recorded": not_recorded,
            "time_resolution_s": resolution,
            "device_clock": {"max_offset_s": draw(st.sampled_from([900, 400, 0]))},
        },
        "protocol": {"version": versions},
        "cannulas": {"cannula": draw(_catalogue())},
        "tables": tables | {"training": []},
        "lost": _placed(lost, tables, not_recorded),
    }


def _placed(lost: list[Row], tables: dict[str, list[Row]], not_recorded: list[str]) -> list[Row]:
    """The set-aside rows with distinct positions inside their files."""
    placed: list[Row] = []
    for table in sorted({row["table"] for row in lost} - set(not_recorded)):
        own = sorted((row for row in lost if row["table"] == table), key=lambda r: r["position"])
        for n, row in enumerate(own):
            # One place further than the last, and never past the end of the file.
            lowest = placed[-1]["position"] + 1 if n else 0
            position = max(lowest, min(row["position"], len(tables[table]) + n))
            placed.append(row | {"position": position})
    return placed
