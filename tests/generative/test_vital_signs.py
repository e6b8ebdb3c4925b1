"""What crews chart of invented children, counted from the files with plain pandas.

The bounds are what transport nurses expect of charts: common practice, no source; the rates by age
are of Fleming 2011, Lancet 377:1011.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipeline.simulate import simulate

HEART, RESP, SPO2 = "heart_rate", "resp_rate", "spo2_pct"
UNDILUTED = ["wall", "cylinder"]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    into: Path = tmp_path_factory.mktemp("simulated") / "d"
    simulate(into, 1200, 6, 21)
    names = ("trips", "settings", "observations", "planted")
    found = {name: pd.read_csv(into / f"{name}.csv") for name in names}
    observed = found["observations"].drop_duplicates(["trip_id", "at_s"])
    source = (
        found["settings"].dropna(subset="source").sort_values("at_s")[["trip_id", "at_s", "source"]]
    )
    found["observations"] = pd.merge_asof(
        observed.sort_values("at_s"), source, on="at_s", by="trip_id"
    ).sort_values(["trip_id", "at_s"])
    return found


def test_the_rates_follow_what_the_child_does(files: dict[str, pd.DataFrame]) -> None:
    seen = files["observations"]
    for rate, crying, agitated in ((HEART, (20, 40), (10, 20)), (RESP, (6, 15), (3, 10))):
        from_own = seen[rate] - seen.groupby("trip_id")[rate].transform("mean")
        by_state = from_own.groupby(seen["behaviour"]).mean()
        assert crying[0] <= by_state["crying"] <= crying[1]
        assert agitated[0] <= by_state["agitated"] <= agitated[1]
        assert by_state.idxmin() == "asleep"


def test_the_rates_and_saturation_remember(files: dict[str, pd.DataFrame]) -> None:
    """The correlation of readings one after the other, in trips long enough to tell it."""
    seen = files["observations"]
    for column in (HEART, RESP, SPO2):
        long = seen.dropna(subset=column).groupby("trip_id").filter(lambda rows: len(rows) >= 25)
        lag = long.groupby("trip_id")[column].apply(lambda values: values.autocorr())
        assert len(lag) > 50
        assert 0.5 < lag.median() < 0.85, column


def test_the_rates_are_the_ages(files: dict[str, pd.DataFrame]) -> None:
    """Calm children are above the healthy medians, as they are ill, and by no more than 20."""
    seen = files["observations"].merge(files["trips"][["trip_id", "age_months"]], on="trip_id")
    calm = seen[seen["behaviour"] == "calm"]
    for low, high, beats, breaths in ((0, 3, 143, 43), (6, 12, 131, 38), (24, 48, 107, 26)):
        here = calm[calm["age_months"].between(low, high, inclusive="left")]
        assert len(here) > 100
        assert beats <= here[HEART].median() <= beats + 20
        assert breaths <= here[RESP].median() <= breaths + 20


def test_undiluted_oxygen_saturates_nearly_all(files: dict[str, pd.DataFrame]) -> None:
    seen = files["observations"]
    pure = seen[seen["source"].isin(UNDILUTED)][SPO2].dropna()
    blended = seen[seen["source"].isin(["blender", "ventilator"])][SPO2].dropna()
    assert (pure == 100).mean() > 0.4
    assert (pure >= 99).mean() > 0.75
    assert blended.between(92, 97).mean() > 0.8


def test_charts_bunch_and_leave_holes_around_moves(files: dict[str, pd.DataFrame]) -> None:
    seen = files["observations"]
    apart = seen.groupby("trip_id")["at_s"].diff() / 60
    spread = apart.groupby(seen["trip_id"]).std()
    assert spread.median() > 1.5, "not on a clock"
    departed = seen["trip_id"].map(files["trips"].set_index("trip_id")["departed_s"])
    after = seen.groupby("trip_id")["at_s"].shift(-1)
    over = (after - seen["at_s"])[(seen["at_s"] <= departed) & (after > departed)] / 60
    assert (over >= 9).mean() > 0.5
    planted = files["planted"].query("rule == 'monitoring-gap' and verdict == 'met'")["trip_id"]
    assert apart[seen["trip_id"].isin(planted)].max() <= 13, "two below what is told from 15"


def test_support_starts_as_the_sending_hospital_had_it(files: dict[str, pd.DataFrame]) -> None:
    first = files["settings"].dropna(subset="flow_lpm").groupby("trip_id")["flow_lpm"].first()
    kept = files["planted"].query("rule == 'flow-kept' and verdict == 'met'")["trip_id"]
    sent = files["trips"].set_index("trip_id")["sending_flow_lpm"].loc[kept]
    assert (first.loc[kept] == sent).mean() > 0.9


def test_weaned_is_less_support_at_hand_over_than_at_first(files: dict[str, pd.DataFrame]) -> None:
    outcome = files["trips"].set_index("trip_id")["outcome"]
    change = pd.DataFrame({
        field: rows["last"] - rows["first"]
        for field in ("flow_lpm", "fio2")
        for rows in [files["settings"].groupby("trip_id")[field].agg(["first", "last"])]
    }).reindex(outcome.index).fillna(0)  # fmt: skip
    fell = (change.min(axis=1) < 0) & (change.max(axis=1) <= 0)
    assert fell[outcome == "weaned"].all()
    assert not fell[outcome == "unchanged"].any()
    assert 0.05 < (outcome == "weaned").mean() < 0.25


def test_settings_keep_to_no_beat(files: dict[str, pd.DataFrame]) -> None:
    """Confirming rows come as often at one place as at another of any beat from the first row."""
    rows = files["settings"].sort_values(["trip_id", "at_s"]).drop_duplicates(["trip_id", "at_s"])
    since = (rows["at_s"] - rows.groupby("trip_id")["at_s"].transform("first")) / 60
    # six or more in long trips, or a beat is found by luck
    late = since[since > 0].groupby(rows["trip_id"]).filter(lambda trip: len(trip) >= 10)
    beats = [minutes / 4 for minutes in range(32, 45)]
    on_beat = pd.DataFrame({
        beat: ((late - beat * (late / beat).round()).abs() <= 1).groupby(rows["trip_id"]).mean()
        for beat in beats
    }).dropna()  # fmt: skip
    assert len(on_beat) > 100
    assert on_beat.max(axis=1).median() < 0.6
    kept = files["planted"].query("rule == 'settings-gap' and verdict == 'met'")["trip_id"]
    assert (rows.groupby("trip_id")["at_s"].diff() / 60)[rows["trip_id"].isin(kept)].max() <= 28


def test_breaths_rest_on_no_least_and_are_counted_even(files: dict[str, pd.DataFrame]) -> None:
    seen = files["observations"].dropna(subset=RESP)
    of_trip = seen.groupby("trip_id")[RESP]
    at_least = of_trip.agg(lambda values: (values == values.min()).mean())
    assert at_least[of_trip.size() >= 12].median() < 0.2
    even = of_trip.agg(lambda values: bool((values % 2 == 0).all()))[of_trip.size() >= 12]
    assert 0.45 < even.mean() < 0.75


def test_a_child_gets_worse_then_more_support(files: dict[str, pd.DataFrame]) -> None:
    """The most that was given is charted last, after what made the crew give it, and helps."""
    trips = files["trips"].set_index("trip_id")
    more = trips.index[trips["outcome"] == "more_support"]
    rows = files["settings"][files["settings"]["trip_id"].isin(more)]
    rows = rows.sort_values(["trip_id", "at_s"])
    rises = {
        field: rows[rows[field] > rows.groupby("trip_id")[field].transform(
            lambda values: values.ffill().shift())]
        for field in ("flow_lpm", "fio2")
    }  # fmt: skip
    other = rows[rows["support"].isin(["noninvasive", "invasive"])]
    more_given = pd.concat([*rises.values(), other])
    given = more_given[~more_given["source"].isin(UNDILUTED)].groupby("trip_id")["at_s"].max()
    assert len(more) > 30
    assert len(given) >= 0.95 * len(more)
    seen = files["observations"].merge(given.rename("given_s").reset_index(), on="trip_id")
    apart = (seen["at_s"] - seen["given_s"]) / 60
    before = seen[apart.between(-8, 0)].groupby("trip_id")[RESP].mean()
    for other_time in (apart < -28, apart > 25):
        else_ = seen[other_time].groupby("trip_id")[RESP].mean()
        rose = (before - else_).dropna()
        assert len(rose) > 5
        assert rose.median() > 3


def test_few_genuine_saturations_are_low_and_none_is_a_floor(
    files: dict[str, pd.DataFrame],
) -> None:
    low = files["planted"].query("rule == 'low-saturation-response'")
    free = low[low["verdict"] == "not_applicable"]["trip_id"]
    seen = files["observations"]
    seen = seen[seen["trip_id"].isin(free) & (seen["care"] != "sensor_moved")]
    worse = seen["trip_id"].isin(files["trips"].query("outcome == 'more_support'")["trip_id"])
    assert seen[worse][SPO2].min() < 90
    shares = seen[SPO2].value_counts(normalize=True)
    assert shares.get(90, 0) + shares.get(91, 0) > 0.2 * shares[92]
