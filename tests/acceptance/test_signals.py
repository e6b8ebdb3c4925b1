"""Signals against plain sums over their data files; what was said stays said."""

from __future__ import annotations

import csv
import math
import shutil
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.simulate import simulate

from .command_runs import command_in, signals_alone

pytestmark = pytest.mark.usefixtures("without_screen")


Row = dict[str, str]
CHANGED_FROM = LAST = "2027-01"
WITHHELD = 3
RESTARTED = "2026-10"
NOW = ("standing", "so_far", "conclusion")
"""Columns of a signal that tell how it stands in the month under review, not what was said."""


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write(path: Path, rows: list[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def plant(delivery: Path) -> None:
    """Four occlusions more on every ventilator trip from CHANGED_FROM on."""
    trips = {row["trip_id"]: row for row in read(delivery / "trips.csv")}
    rows: list[Row] = []
    for row in read(delivery / "device_events.csv"):
        rows.append(row)
        later = trips[row["trip_id"]]["service_month"] >= CHANGED_FROM
        if row["event"] == "started" and later:
            rows += [
                {**dict.fromkeys(row, ""), "trip_id": row["trip_id"], "event": "occlusion",
                 "at_s": str(int(row["at_s"]) + after)}
                for after in (200, 400, 600, 800)
            ]  # fmt: skip
    write(delivery / "device_events.csv", rows)


def without(delivery: Path, into: Path, trips: set[str]) -> None:
    """The delivery without some trips, which its expected numbers still count."""
    shutil.copytree(delivery, into)
    for path in into.glob("*.csv"):
        rows = read(path)
        if rows and "trip_id" in rows[0] and path.name != "expected.csv":
            write(path, [row for row in rows if row["trip_id"] not in trips])


def taken_back(delivery: Path) -> list[Row]:
    """A sheet that says of every occlusion of LAST that the flow came back then."""
    last = {r["trip_id"] for r in read(delivery / "trips.csv") if r["service_month"] == LAST}
    return [
        {"trip_id": row["trip_id"], "table": "device_events", "line": str(line), "at_s": "",
         "column": "event", "value": "restored", "reason": "misread from the log", "by": "C1"}
        for line, row in enumerate(read(delivery / "device_events.csv"), 2)
        if row["trip_id"] in last and row["event"] == "occlusion"
    ]  # fmt: skip


def stricter(delivery: Path, into: Path) -> Path:
    """The delivery with a second protocol version from RESTARTED on: ten minutes on the wall."""
    shutil.copytree(delivery, into)
    first = (into / "protocol.toml").read_text(encoding="utf-8")
    second = first.replace('id = "2026.1"', 'id = "2026.2"')
    second = second.replace('from_month = "2026-01"', f'from_month = "{RESTARTED}"')
    second = second.replace("limit_min = 50", "limit_min = 10")
    assert second.count("limit_min = 10\n") == 1
    (into / "protocol.toml").write_text(f"{first}\n{second}", encoding="utf-8")
    return into


@pytest.fixture(scope="module")
def sentence(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Row]]:
    """Data files of the month reviewed short of trips (`short`), when they came (`whole`), and when
    its occlusions were corrected away and there was a new protocol version (`corrected`).
    """
    folder = tmp_path_factory.mktemp("signals")
    whole = folder / "whole"
    simulate(whole, trips=520, months=13, seed=5, first_month="2026-01")
    plant(whole)
    last = [row["trip_id"] for row in read(whole / "trips.csv") if row["service_month"] == LAST]
    without(whole, folder / "short", set(last[-WITHHELD:]))
    sheet = folder / "fixes.csv"
    write(sheet, taken_back(whole))
    runs = {
        "short": [("review", folder / "short")],
        "whole": [("review", whole)],
        "corrected": [("correct", sheet), ("review", stricter(whole, folder / "stricter"))],
    }
    found = {}
    with signals_alone():
        for name, commands in runs.items():
            for words in commands:
                ran = command_in(folder, *words)
                assert ran.code == 0, (name, ran.err)
            for path in (folder / "tailrace-out" / LAST / "data").glob("*.csv"):
                found[f"{name} {path.stem}"] = read(path)
    return found


def number(row: Row, name: str) -> float:
    return float(row[name]) if row[name] else math.nan


def increment(row: Row) -> float:
    """W of a month by the published formulas, from its own row."""
    x, n = number(row, "numerator"), number(row, "denominator")
    if not n:
        return 0.0
    if row["measure"] == "occlusion-rate":
        m, k = number(row, "expected"), number(row, "k_eff")
        q = math.log((k + 2 * m) / (k + m))
        return x * (math.log(2) - q) - k * q
    p = number(row, "level")
    p1 = 3 * p / (1 + 2 * p)
    return x * math.log(p1 / p) + (n - x) * math.log((1 - p1) / (1 - p))


def chart_of(row: Row) -> tuple[str, str, str]:
    return row["measure"], row["group_by"], row["group_value"]


def charts(sentence: dict[str, list[Row]], name: str) -> dict[tuple[str, str, str], list[Row]]:
    found: dict[tuple[str, str, str], list[Row]] = {}
    for row in sentence[f"{name} signal_charts"]:
        found.setdefault(chart_of(row), []).append(row)
    return found


def test_sums_and_headlines_follow_from_the_data_file(sentence: dict[str, list[Row]]) -> None:
    """S = max(0, S + W); a headline where S is above the threshold, and then S begins again.

    Since when: the month after the last 0 of the sum that runs on through signals.
    """
    headlines = {
        (chart_of(row), row["month"]): row
        for row in sentence["whole signals"]
        if row["kind"] == "headline" and row["standing"] in {"stands", "ended"}
    }
    found = set()
    for chart, rows in charts(sentence, "whole").items():
        s, on, since = 0.0, 0.0, rows[0]["month"]
        for i, row in enumerate(rows):
            if row["restart"] == "true":
                s, on, since = 0.0, 0.0, row["month"]
            if i >= 6 or row["increment"] != "0.0":  # in the first six months nothing is watched
                assert number(row, "increment") == pytest.approx(increment(row), abs=1e-9)
            s = max(0.0, s + number(row, "increment"))
            on = max(0.0, on + number(row, "increment"))
            assert number(row, "statistic") == pytest.approx(s, abs=1e-9)
            if s > number(row, "threshold"):
                found.add((chart, row["month"]))
                assert headlines[chart, row["month"]]["since"] == since
                s = 0.0
            if on == 0 and i + 1 < len(rows):
                since = rows[i + 1]["month"]
    assert found == set(headlines)


def test_planted_occlusions_are_named_with_their_beginning(sentence: dict[str, list[Row]]) -> None:
    own = [
        row for row in sentence["short signals"]
        if row["kind"] == "headline" and row["measure"] == "occlusion-rate"
        and row["group_by"] == "service"
    ]  # fmt: skip
    assert own[0]["month"] == CHANGED_FROM
    assert own[0]["since"] in {"2026-12", CHANGED_FROM}  # within a month of it
    # the rate was about 25 in 100 h; four more on each trip of about an hour are many times that
    assert number(own[0], "ratio_low") > 2
    assert number(own[0], "noticed_in_100") > 50


def test_missing_trips_bound_and_do_not_mute(sentence: dict[str, list[Row]]) -> None:
    last = [row for row in sentence["short signals"] if row["month"] == LAST]
    sure = [row for row in last if chart_of(row) == ("occlusion-rate", "service", "all")]
    assert [(row["certainty"], row["missing"]) for row in sure] == [("sure", str(WITHHELD))]
    assert "whatever the 3 missing trips would ordinarily hold." in sure[0]["sentence"]
    settled = [
        row["certainty"] != "depends"
        for row in sentence["short signal_charts"] if row["month"] == LAST
    ]  # fmt: skip
    assert sum(settled) >= 0.8 * len(settled)


def as_said(sentence: dict[str, list[Row]], run: str) -> list[Row]:
    return [
        {name: value for name, value in row.items() if name not in NOW}
        for row in sentence[f"{run} signals"] if row["kind"] != "exploratory"
    ]  # fmt: skip


def of_service(sentence: dict[str, list[Row]], run: str) -> list[Row]:
    """The headline of the last month on the occlusions of all sizes, and its revisions."""
    return [
        row for row in sentence[f"{run} signals"]
        if row["month"] == LAST and row["kind"] == "headline"
        and chart_of(row) == ("occlusion-rate", "service", "all")
    ]  # fmt: skip


def test_what_was_said_is_in_every_later_run(sentence: dict[str, list[Row]]) -> None:
    for earlier, later in pairwise(("short", "whole", "corrected")):
        before, after = as_said(sentence, earlier), as_said(sentence, later)
        assert before
        assert [row for row in before if row not in after] == []
        assert len(after) > len(before), "each of these runs revises something"


def test_revisions_stand_beside_what_was_said(sentence: dict[str, list[Row]]) -> None:
    own = of_service(sentence, "whole")
    assert [(row["missing"], row["standing"]) for row in own] == [("3", "revised"), ("0", "stands")]
    assert "trips that came or were corrected since" in own[1]["sentence"]
    own = of_service(sentence, "corrected")
    assert [row["standing"] for row in own] == ["revised", "revised", "found no more"]
    assert own[2]["sentence"].endswith(own[1]["sentence"])


def test_months_whose_trips_did_not_change_keep_what_was_worked_out(
    sentence: dict[str, list[Row]],
) -> None:
    def increments(run: str) -> dict[tuple[str, ...], str]:
        rows = sentence[f"{run} signal_charts"]
        return {(*chart_of(row), row["month"]): row["increment"] for row in rows}

    def changed(earlier: str, later: str) -> set[tuple[str, ...]]:
        before, after = increments(earlier), increments(later)
        assert {key for key in before if key[-1] < LAST}
        return {key for key, w in before.items() if after.get(key) != w}

    assert {key[-1] for key in changed("short", "whole")} == {LAST}
    # by the correction only what counts occlusions in that month
    otherwise = changed("whole", "corrected")
    counted = {key for key in otherwise if key[0] == "occlusion-rate"}
    assert {key[-1] for key in counted} == {LAST}
    # and by the new version only the rule that it changed, and only from its first month on
    judged = otherwise - counted
    assert {key[2].partition(" at ")[0] for key in judged} == {"wall-oxygen-time"}
    assert min(key[-1] for key in judged) >= RESTARTED


def test_the_trips_behind_a_signal_are_those_with_an_event(sentence: dict[str, list[Row]]) -> None:
    signal = next(
        row for row in sentence["whole signals"]
        if chart_of(row) == ("occlusion-rate", "service", "all") and row["month"] == LAST
        and row["standing"] == "stands"
    )  # fmt: skip
    trips = [
        row for row in sentence["whole signal_trips"]
        if chart_of(row) == chart_of(signal) and row["month"] == LAST
    ]  # fmt: skip
    assert {row["trip_month"] for row in trips} <= {signal["since"], LAST}
    events = {
        row["month"]: number(row, "numerator")
        for row in sentence["whole signal_charts"] if chart_of(row) == chart_of(signal)
    }  # fmt: skip
    wanted = sum(n for month, n in events.items() if month >= signal["since"])
    assert sum(int(row["events"]) for row in trips) == wanted
    assert {row["read"] for row in trips} == {"false"}


def test_one_by_one_counts_trips_since_the_last(sentence: dict[str, list[Row]]) -> None:
    for row in sentence["whole one_by_one"]:
        shares = [
            other for other in sentence["whole measures"]
            if (other["measure"], other["group_value"]) == ("deviation-share", row["rule"])
        ]  # fmt: skip
        whole = next(other for other in shares if other["month"].startswith("to "))
        assert int(row["all_came"]) == float(whole["numerator"])
        late = [o["month"] for o in shares if float(o["numerator"]) and o["month"][:2] != "to"]
        assert row["last_month"] == max(late, default="")
        watched = int(row["undecided"]) <= 0.2 * int(row["later"])
        assert (row["watched"] == "true") == watched


def test_twelve_months_are_the_sums_of_their_months(sentence: dict[str, list[Row]]) -> None:
    rows = [row for row in sentence["whole years"] if row["measure"] == "deviation-share"]
    assert rows
    for row in rows:
        months = [
            other for other in sentence["whole measures"]
            if chart_of(other) == chart_of(row) and not other["month"].startswith("to ")
        ]  # fmt: skip
        now = [other for other in months if other["month"] > "2026-01"]
        assert float(row["now_numerator"]) == sum(float(o["numerator"]) for o in now)
        assert float(row["before_denominator"]) == sum(
            float(o["denominator"]) for o in months if o["month"] == "2026-01"
        )
