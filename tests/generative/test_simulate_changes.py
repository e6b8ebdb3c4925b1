"""Changes on request: what is written of them, what is refused, and that a count finds them."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from pipeline.simulate import calibrate, simulate
from pipeline.simulate.changes import FORMS, Refused
from pipeline.simulate.lengths import BORDERLINE, DEVIATION, MET, against
from pipeline.simulate.options import Options
from pipeline.simulate.pathways import NEVER
from pipeline.simulate.simulator import options_of
from pipeline.simulate.trips import Laid, laid_out
from schemas.catalogue import parse_catalogue
from schemas.contract import ADDED
from tests.bench.change_recovery import recovered
from tests.deep import examples, with_deep

Cells = dict[str, str]


def rows(directory: Path, name: str) -> list[Cells]:
    with (directory / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def laid(options: Options) -> Laid:
    index = np.arange(options.trips)
    return laid_out(options, index, np.zeros_like(index))


@pytest.fixture(scope="module", autouse=True)
def fewer_aside() -> Iterator[None]:
    """Plants are dosed by the odds of fewer trips laid aside, which takes most of the time.

    With `--deep` of as many as ever; the sample's bytes, which a test makes again, rest on those.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(calibrate, "ASIDE", examples(20_000, calibrate.ASIDE))
        yield


def test_what_was_asked_is_written_beside_the_tables(tmp_path: Path) -> None:
    asked = (
        "occlusions of prong-2 x 2.5 from 2026-03 until 2026-04",
        "retraining of unheated-time at birch x 0.5 in 2026-02",
        "H-damson-2 fails 0.5 from 2026-04",
    )
    simulate(tmp_path / "d", 300, 6, 1, changes=asked)
    kinds = ("occlusions", "retraining", "fails")
    spans = (("2026-03", "2026-04"), ("2026-02", ""), ("2026-04", ""))
    found = rows(tmp_path / "d", "planted_changes.csv")
    assert tuple(row["kind"] for row in found) == kinds
    assert tuple((row["from_month"], row["until_month"]) for row in found) == spans
    assert [float(row["value"]) for row in found] == [2.5, 0.5, 0.5]
    (training,) = rows(tmp_path / "d", "training.csv")
    assert training == {"month": "2026-02", "base": "birch", "rule": "unheated-time"}


def test_missing_and_late_trips_are_counted_and_delivered(tmp_path: Path) -> None:
    asked = ("2 trips missing in 2026-06", "3 trips late in 2026-05")
    simulate(tmp_path / "whole", 300, 6, 4, changes=("logs of elm stop from 2026-06",))
    simulate(tmp_path / "d", 300, 6, 4, changes=asked)
    here, late = rows(tmp_path / "d", "trips.csv"), rows(tmp_path / "d-late", "trips.csv")
    assert [row["service_month"] for row in late] == ["2026-05"] * 3
    whole = Counter(row["service_month"] for row in rows(tmp_path / "whole", "trips.csv"))
    received = Counter(row["service_month"] for row in here + late)
    assert whole - received == Counter({"2026-06": 2})
    text = (tmp_path / "d" / "export.toml").read_text()
    assert f"2026-06 = {whole['2026-06']}\n" in text, "the dispatch log has the missing ones"


def test_a_base_whose_logs_stop_keeps_its_trips_and_loses_its_events(tmp_path: Path) -> None:
    simulate(tmp_path / "d", 600, 6, 5, changes=("logs of alder stop from 2026-04",))
    logged = {row["trip_id"] for row in rows(tmp_path / "d", "device_events.csv")}
    left, used = Counter[bool](), Counter[bool]()
    for row in rows(tmp_path / "d", "trips.csv"):
        if row["base"] == "alder" and row["ventilator_unit"]:
            later = row["service_month"] >= "2026-04"
            used[later] += 1
            left[later] += row["trip_id"] in logged
    assert left[True] == 0 < used[True]
    assert left[False] > used[False] / 2


def test_twelve_bases_and_twelve_sizes(tmp_path: Path) -> None:
    simulate(tmp_path / "d", 1500, 2, 6, bases=12, sizes=12)
    trips = rows(tmp_path / "d", "trips.csv")
    assert len({row["base"] for row in trips}) == 12
    catalogue = parse_catalogue((tmp_path / "d" / "cannulas.toml").read_text())
    assert len(catalogue.cannula) == 12
    carried = {entry.id for entry in catalogue.cannula if entry.carried}
    used = {row["cannula"] for row in rows(tmp_path / "d", "settings.csv")} - {""}
    assert used == carried


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ("more of everything", "is not a change"),
        ("occlusions of prong-9 x 2 from 2026-02", "no carried size prong-9"),
        ("occlusions of soft-1 x 2 from 2026-02", "no carried size soft-1"),
        ("occlusions of prong-2 x 0 from 2026-02", "above 0"),
        ("occlusions of prong-2 x 2 from 2027-02", "months 2026-01 to 2026-03"),
        ("occlusions of prong-2 x 2 from 2026-03 until 2026-02", "is before"),
        ("unheated-time at kestrel x 2 from 2026-02", "no base kestrel"),
        ("good-manners at cedar x 2 from 2026-02", "good-manners"),
        ("flow-interruption at cedar x 2 from 2026-02", "nothing that changes flow-interruption"),
        ("wall-oxygen-time at cedar x 0.01 from 2026-02", "Ask for less"),
        ("H-cedar-6 fails 0.5 from 2026-02", "no unit H-cedar-6"),
        ("V-cedar-1 fails 1.5 from 2026-02", "from 0 to 1"),
        ("logs of kestrel stop from 2026-02", "no base kestrel"),
        ("500 trips missing in 2026-02", "trips to choose from"),
        ("happy-end case at elm in 2026-02", "no case happy-end"),
        ("intubated case in 2026-02", "no trip that it could be"),
    ],
)
def test_a_change_that_cannot_be_is_a_sentence(tmp_path: Path, change: str, sentence: str) -> None:
    with pytest.raises(Refused, match=sentence) as refused:
        simulate(tmp_path / "never", 300, 3, 1, changes=(change,))
    assert str(refused.value).endswith(".")
    assert not (tmp_path / "never").exists()


def test_what_the_contract_gained_is_told_of(tmp_path: Path) -> None:
    """Every new column is filled in several ways, and the dispatch log names all trips."""
    asked = ("1 trip missing in 2026-03", "low-suctioned case at alder in 2026-02")
    simulate(tmp_path / "full", 1500, 3, 8, True, changes=asked)
    for table, names in ADDED.items():
        found = rows(tmp_path / "full", f"{table}.csv")
        assert all(len({row[name] for row in found}) > 2 for name in names)
    trips = rows(tmp_path / "full", "trips.csv")
    assert {row["blend_ordered"] for row in trips if row["spo2_exempt"] != "true"} <= {"", "false"}
    assert {row["outcome"] for row in trips} >= {"arrest", "intubated"}
    assert "arrest" not in {row["outcome_24h"] for row in trips}
    listed = {row["trip_id"] for row in rows(tmp_path / "full", "expected.csv")}
    assert len(listed - {row["trip_id"] for row in trips}) == 1, "the missing trip has a name"
    blend = Counter(
        row["verdict"]
        for row in rows(tmp_path / "full", "planted.csv")
        if row["rule"] == "blend-required"
    )
    assert blend["deviation"] > 0
    assert blend["not_applicable"] > 1200


def test_every_form_is_one_that_is_read() -> None:
    examples = tuple(example for _, example, _ in FORMS.values())
    options = options_of(600, 6, 1, changes=examples)
    assert [change.kind for change in options.changes] == list(FORMS)


def test_wall_overruns_come_of_time_as_it_goes() -> None:
    """With nothing planted at all, some trips on the wall run over their 50 minutes: the road was
    slower than planned, or the wait long. (Shares assumed; one in ten past 1.3 is the issue's.)"""
    when = laid(options_of(20_000, 12, 3, plants=0.0)).scene.when
    planned = when.planned > 0
    ratio = (when.arrived - when.departed)[planned] / when.planned[planned]
    assert 1.03 <= np.median(ratio) <= 1.08
    assert 0.08 <= (ratio > 1.3).mean() <= 0.12
    rides = when.on_wall
    assert 0.45 <= rides.mean() <= 0.60
    assert 0.03 <= (against(when.wall, 50)[rides] != MET).mean() <= 0.20
    within = planned & rides
    assert when.planned[within].max() <= 40
    assert (when.wall[~rides, 0, 0] >= NEVER).all()


def test_without_plants_only_time_and_the_ventilator_make_variances() -> None:
    """The road, the wait and the pauses; every crew does what the protocol asks."""
    found = laid(options_of(20_000, 12, 3, plants=0.0)).answers.by_rule
    varied = {
        rule: int(np.isin(verdicts, [DEVIATION, BORDERLINE]).sum())
        for rule, verdicts in found.items()
    }
    assert {rule for rule, count in varied.items() if count} == {
        "wall-oxygen-time",
        "flow-interruption",
    }
    assert min(varied["wall-oxygen-time"], varied["flow-interruption"]) > 100


def test_winters_are_busier() -> None:
    month = options_of(12_000, 12, 1).month_of(np.arange(12_000))
    count = np.bincount(month, minlength=12)
    assert count[0] > 1.3 * count[6]


# else `test_sample.py` counts the changes of the sample
@with_deep
def test_planted_changes_are_recovered_by_a_plain_count(tmp_path: Path) -> None:
    """Four standard errors, of a jackknife over 20 groups; `python -m tests.bench.change_recovery`
    does the same over 50 seeds."""
    found, events_of_stopped_logs = recovered(range(2), 2000, tmp_path)
    assert {one.name: one.off for one in found if one.off > 4} == {}
    assert events_of_stopped_logs == 0
    assert all(0 < one.error < 1 for one in found), "an estimate without spread shows nothing"
