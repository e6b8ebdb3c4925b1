"""Another limit tried on history: nothing where it is the current one, a full re-run otherwise."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipeline.errors import Usage
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging import trips_to_judge
from pipeline.judging.evaluator import judge, ranges_of, reuse_judged, sql_for_values, up_to_date
from pipeline.judging.versions import versions_in_store
from pipeline.judging.whatif import main_curves, what_if
from pipeline.judging.whatif_settings import parse_settings, shown
from pipeline.judging.whatif_words import parse_months, whatif
from pipeline.store.database import open_store
from pipeline.store.session import store_in
from schemas.followup_outputs import FOLLOWUP_OUTPUTS
from tests.deep import examples, with_deep
from tests.frames import in_pandas, to_pandas

from . import reviewed_store

VERDICTS = """SELECT w.trip_id, v.rule, v.verdict FROM judged.verdict v
              JOIN judged.trip_window w USING (trip_key) ORDER BY ALL"""
Verdicts = dict[tuple[str, str], str]


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def verdicts(folder: Path) -> Verdicts:
    return {(trip, rule): verdict for trip, rule, verdict in reviewed_store.ask(folder, VERDICTS)}


def full_run(delivery: Path, to: Path, old: str, new: str) -> Verdicts:
    """Load and judge the delivery from nothing under an edited protocol file."""
    shutil.copytree(delivery, to / "delivery")
    protocol = to / "delivery" / "protocol.toml"
    text = protocol.read_text(encoding="utf-8")
    assert text.count(old) == 1, "the edit must hit one place"
    protocol.write_text(text.replace(old, new), encoding="utf-8")
    return loaded(to / "delivery", to)


def loaded(delivery: Path, to: Path) -> Verdicts:
    """Load and judge a delivery from nothing, into a store there."""
    con = open_store(to / "store.duckdb", threads=1)
    load(con, read_delivery(con, delivery))
    judge(con)
    con.close()
    return verdicts(to)


def in_rule(text: str, rule: str, old: str) -> tuple[str, str]:
    """The part of a protocol's text from a rule's heading to `old`, and that with it taken out."""
    head = f"[version.rules.{rule}]"
    part = text[text.index(head) :]
    part = part[: part.index(old) + len(old)]
    return part, part[: -len(old)]


TRIED = [
    ("wall-oxygen-time.limit_min", "limit_min = 50", "30"),
    ("low-saturation-response.spo2_pct", "spo2_pct = 90", "95"),
    ("unheated-time.limit_min", "limit_min = 15", "3"),
    ("source-choice.flow_limit_lpm", "flow_limit_lpm = 18", "9"),
    ("oxygen-titration.fio2", "fio2 = 0.40", "0.25"),
    ("settings-gap.limit_min", "limit_min = 30", "12"),
    ("monitoring-gap.limit_min", "limit_min = 15", "8"),
    ("wall-oxygen-time.limit_min", "limit_min = 50", "58.5"),
    ("source-choice.satisfied_by", 'satisfied_by = ["ventilator", "blender"]', '["blender"]'),
]
TOGETHER = (range(7), range(7, 9))[: examples(1, 2)]
"""A rule's verdicts depend on its own parameters alone: one run tries each of several rules."""


@pytest.fixture(scope="module")
def now_and_then(
    reviewed_once: Path, clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Verdicts, list[Verdicts]]:
    """The verdicts as they are, and for each edit those of a full run that had it."""
    now, then = verdicts(reviewed_once), []
    for run in TOGETHER:
        edited = tmp_path_factory.mktemp("edited") / "delivery"
        shutil.copytree(clean_delivery, edited)
        protocol = edited / "protocol.toml"
        text = protocol.read_text(encoding="utf-8")
        for setting, old, value in (TRIED[n] for n in run):
            part, before = in_rule(text, setting.partition(".")[0], old)
            assert text.count(part) == 1, "the edit must hit one place"
            text = text.replace(part, f"{before}{old.partition(' = ')[0]} = {value}")
        protocol.write_text(text, encoding="utf-8")
        whole = loaded(edited, edited.parent)
        rules = {TRIED[n][0].partition(".")[0] for n in run}
        assert {rule for trip, rule in now if now[trip, rule] != whole[trip, rule]} == rules
        then += [whole] * len(run)
    return now, then


@pytest.mark.parametrize("number", range(examples(7, 9)), ids=lambda n: "=".join(TRIED[n][::2]))
def test_it_equals_a_full_run_under_an_edited_protocol(
    reviewed_once: Path, now_and_then: tuple[Verdicts, list[Verdicts]], number: int
) -> None:
    setting, _, value = TRIED[number]
    now, then = now_and_then[0], now_and_then[1][number]
    with store_in(reviewed_once, read_only=True) as con:
        changes = what_if(con, parse_settings([f"{setting}={value}"])).change_rows
    found = {(r["trip_id"], r["rule"]): (r["was"], r["becomes"])
             for r in changes}  # fmt: skip
    rule = setting.partition(".")[0]
    wanted = {key: (now[key], then[key]) for key in now if now[key] != then[key] and key[1] == rule}
    assert found == wanted
    assert found


def test_a_setting_of_the_whole_version_equals_a_full_run(
    folder: Path, clean_delivery: Path, tmp_path: Path
) -> None:
    now = verdicts(folder)
    then = full_run(clean_delivery, tmp_path / "again", "flow_lpm = 30\n", "flow_lpm = 5\n")
    with store_in(folder, read_only=True) as con:
        changes = what_if(con, parse_settings(["carry_forward_min.flow_lpm=5"])).change_rows
    found = {(r["trip_id"], r["rule"]): r["becomes"] for r in changes}
    assert found == {key: then[key] for key in now if now[key] != then[key]}
    assert len(found) > 5


def test_the_current_value_of_every_setting_changes_nothing(folder: Path) -> None:
    with store_in(folder, read_only=True) as con:
        (kept,) = versions_in_store(con)
        names = [
            f"{name}.{field}={shown(value) if not isinstance(value, list) else list(value)}"
            for name, parameters in kept.rules.items()
            for field, value in parameters.model_dump().items()
            if field not in ("text", "source") and value is not None
        ]
        result = what_if(con, parse_settings(names))
    assert len(names) > 60
    assert to_pandas(result.changes).empty
    assert set(to_pandas(result.curve)["rule"]) == set(kept.rules)
    assert to_pandas(result.curve)["current"].all()
    assert not to_pandas(result.curve)[["changed", "to_deviation", "from_deviation"]].any(axis=None)
    assert not to_pandas(result.curve)[["extra_ventilator_trips", "extra_ventilator_minutes"]].any(
        axis=None
    )


def test_several_values_give_a_curve_in_their_order(folder: Path) -> None:
    before = sha256(folder / "store.duckdb")
    with store_in(folder, read_only=True) as con:
        result = what_if(con, parse_settings(["wall-oxygen-time.limit_min=20,35,50,65"]))
    curve = to_pandas(result.curve)
    assert list(curve.columns) == list(FOLLOWUP_OUTPUTS["what_if"].to_schema().columns)
    assert list(to_pandas(result.changes).columns) == list(
        FOLLOWUP_OUTPUTS["what_if_changes"].to_schema().columns
    )
    assert list(curve["value"]) == ["20", "35", "50", "65"]
    assert list(curve["current"]) == [False, False, True, False]
    assert list(curve["deviation"]) == sorted(curve["deviation"], reverse=True)
    counts = curve[["met", "authorised", "borderline", "cannot_tell", "deviation",
                    "not_applicable"]]  # fmt: skip
    assert (counts.sum(axis=1) == curve["trips"]).all()
    per_value = to_pandas(result.changes).groupby("value").size()
    assert {v: n for v, n in zip(curve["value"], curve["changed"], strict=True) if n} == dict(
        per_value
    )
    assert sha256(folder / "store.duckdb") == before


def test_extra_ventilator_minutes_are_those_past_the_limit(folder: Path) -> None:
    """Reckoned here from the verdicts: the sure minutes of each sure variance past each limit."""
    over = """SELECT coalesce(sum(observed_low - {0}), 0), count(*) FROM judged.verdict v
              WHERE rule = 'wall-oxygen-time' AND verdict = 'deviation'"""
    ((now, trips),) = reviewed_store.ask(folder, over.format(50))
    with store_in(folder, read_only=True) as con:
        result = what_if(con, parse_settings(["wall-oxygen-time.limit_min=1000,40"]))
        asked = con.execute("""SELECT sum(observed_low - 40), count(*) FROM verdict_tried
                               WHERE becomes = 'deviation' AND no = 1""").fetchall()
    assert trips > 0
    minutes = list(to_pandas(result.curve)["extra_ventilator_minutes"])
    counts = list(to_pandas(result.curve)["extra_ventilator_trips"])
    assert (minutes[0], counts[0]) == (pytest.approx(-now, abs=0.05), -trips)
    assert minutes[1] == pytest.approx(asked[0][0] - now, abs=0.05)
    assert counts[1] == asked[0][1] - trips


def test_rules_that_want_no_other_source_have_no_extra_minutes(folder: Path) -> None:
    with store_in(folder, read_only=True) as con:
        curve = to_pandas(what_if(con, parse_settings(["unheated-time.limit_min=5"])).curve)
    assert curve["extra_ventilator_minutes"].isna().all()


def test_months_narrow_it(folder: Path) -> None:
    with store_in(folder, read_only=True) as con:
        curves = [
            to_pandas(
                what_if(
                    con, parse_settings(["wall-oxygen-time.limit_min=20"]), parse_months(m)
                ).curve
            )
            for m in ("2026-01", "2026-02", "2026-01..2026-02")
        ]
    assert [int(c["trips"].iloc[0]) for c in curves] == [30, 30, 60]
    changed = [int(c["changed"].iloc[0]) for c in curves]
    assert changed[0] + changed[1] == changed[2]


def test_main_curves_pass_through_the_present(folder: Path) -> None:
    with store_in(folder) as con:
        curve = in_pandas(main_curves)(con, reviewed_store.MONTH)
    rules = {"wall-oxygen-time", "unheated-time", "source-choice", "cannula-flow-range"}
    assert set(curve["rule"]) == rules
    assert len(set(curve["setting"])) == 5
    now = curve[curve["current"]]
    assert len(now) == 5
    assert not now["changed"].any()


def test_main_curves_are_those_of_each_limit_tried_alone(folder: Path) -> None:
    with store_in(folder) as con:
        together = in_pandas(main_curves)(con, reviewed_store.MONTH)
        for name, rows in together.groupby("setting", sort=False):
            tried = ",".join(rows["value"])
            alone = what_if(
                con, parse_settings([f"{name}={tried}"]), ("2025-03", reviewed_store.MONTH)
            ).curve
            pd.testing.assert_frame_equal(
                rows.reset_index(drop=True), to_pandas(alone), check_dtype=False
            )


def test_rules_judge_what_was_kept_as_they_did_at_first(folder: Path) -> None:
    answers = "SELECT * FROM {}.verdict{} ORDER BY ALL"
    with store_in(folder) as con:
        versions = versions_in_store(con)
        (trips,) = ranges_of(con, versions, ("2000-01", "2100-01"))
        reuse_judged(con, versions, trips)
        kept = con.execute(answers.format("judged", "")).fetchall()
        assert con.execute(answers.format("temp", "_now")).fetchall() == kept
        con.execute("DELETE FROM verdict_now")
        for sql in sql_for_values(con, {0: versions}):
            answered = f"SELECT * EXCLUDE (no) FROM ({sql})"
            con.execute(f"INSERT INTO verdict_now BY NAME {answered}")
        assert con.execute(answers.format("temp", "_now")).fetchall() == kept
    assert {row[2] for row in kept} == set(versions[0].rules)


TELLING = {
    "cannula-flow-range.limit_min", "flow-interruption.longest_limit_s", "flow-kept.tolerance_pct",
    "low-saturation-response.max_spacing_min", "low-saturation-response.spo2_pct",
    "low-saturation-response.within_min", "monitoring-gap.limit_min",
    "oxygen-titration.max_spacing_min", "oxygen-titration.spo2_pct",
    "repeated-occlusion-call.count", "settings-gap.limit_min", "source-choice.flow_limit_lpm",
    "source-choice.grace_min", "source-choice.transit_limit_min", "wall-oxygen-time.limit_min",
}  # fmt: skip
"""Numbers of which less and more give the trips of this delivery other answers."""


# else `test_main_curves_are_those_of_each_limit_tried_alone`
@with_deep
def test_values_asked_together_answer_as_each_asked_alone(folder: Path) -> None:
    """Every number that a rule of the protocol takes, at less than it is and at more."""
    with store_in(folder, read_only=True) as con:
        versions = versions_in_store(con)
        (trips,) = ranges_of(con, versions)
        reuse_judged(con, versions, trips)
        distinguished = set()
        for name, parameters in versions[0].rules.items():
            for field, now in parameters.model_dump().items():
                if isinstance(now, bool) or not isinstance(now, int | float):
                    continue
                tried = {
                    no: [replace(versions[0], rules={
                        name: parameters.model_copy(update={field: max(1, type(now)(now * by))})
                    })]
                    for no, by in enumerate((0.4, 2.5))
                }  # fmt: skip
                (sql,) = sql_for_values(con, tried)
                together = con.execute(f"FROM ({sql}) ORDER BY ALL").fetchall()
                alone = []
                for no, versions_tried in tried.items():
                    (sql,) = sql_for_values(con, {no: versions_tried})
                    alone += con.execute(f"FROM ({sql}) ORDER BY ALL").fetchall()
                assert together == alone, (name, field)
                less, more = ([r[1:] for r in together if r[0] == no] for no in tried)
                if less != more:
                    distinguished.add(f"{name}.{field}")
    assert distinguished >= TELLING


def test_what_was_kept_gives_what_judging_all_anew_gives(folder: Path) -> None:
    settings = parse_settings(["wall-oxygen-time.limit_min=20,50,65"])
    with store_in(folder) as con:
        versions = versions_in_store(con)
        assert up_to_date(con, versions)
        kept = what_if(con, settings, ("2026-02", "2026-02"))
        con.execute("BEGIN")
        con.execute("UPDATE judged.fingerprint SET value = 'another program'")
        assert not up_to_date(con, versions)
        anew = what_if(con, settings, ("2026-02", "2026-02"))
        con.execute("ROLLBACK")
    pd.testing.assert_frame_equal(to_pandas(kept.curve), to_pandas(anew.curve))
    pd.testing.assert_frame_equal(to_pandas(kept.changes), to_pandas(anew.changes))
    assert len(to_pandas(kept.changes))


@pytest.mark.parametrize(
    "setting",
    ["source-choice.flow_limit_lpm=2,4", "merge_within_s=0,600"][: examples(1, 2)],
)
def test_trips_in_ranges_are_compared_as_the_whole(
    folder: Path, setting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From what was kept, and where all is judged anew for each value."""
    with store_in(folder, read_only=True) as con:
        curves = in_pandas(main_curves)(con, reviewed_store.MONTH)
        whole = what_if(con, parse_settings([setting]))
        monkeypatch.setattr(trips_to_judge, "TRIPS_AT_ONCE", 17)
        assert len(ranges_of(con, versions_in_store(con))) > 2
        parts = what_if(con, parse_settings([setting]))
        pd.testing.assert_frame_equal(in_pandas(main_curves)(con, reviewed_store.MONTH), curves)
    assert parts == whole
    assert whole.change_rows


def test_it_is_told_in_words(folder: Path) -> None:
    text = whatif(folder, ["wall-oxygen-time.limit_min=20,50"], None, name_all=True)
    assert text.splitlines()[0] == "wall-oxygen-time.limit_min, over 60 trips:"
    assert "50 (now)" in text
    assert "50: no verdict of wall-oxygen-time would be otherwise." in text
    assert "from met to deviation: T" in text
    nothing = whatif(folder, ["wall-oxygen-time.limit_min=20"], "2020-01", name_all=False)
    assert nothing == "The store has no judged trips in these months."


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (["wall-oxygen-time.limit_min"], "does not set anything"),
        (["wall.limit_min=3"], 'there is no rule "wall"'),
        (["wall-oxygen-time.limit=3"], 'has no parameter "limit"'),
        (["wall-oxygen-time.limit_min=-3"], "limit_min must be above 0, is -3"),
        (["wall-oxygen-time.limit_min=soon"], 'must be a number, is "soon"'),
        (["wall-oxygen-time.limit_min=1,2", "unheated-time.limit_min=1,2"], "several settings"),
        (["wall-oxygen-time.limit_min=1", "wall-oxygen-time.limit_min=2"], "is set twice"),
        (["merge_within_s.x=1"], "no setting merge_within_s.x"),
    ],
)
def test_what_cannot_be_set_is_said(folder: Path, given: list[str], sentence: str) -> None:
    with pytest.raises(Usage) as caught:
        whatif(folder, given, None, name_all=False)
    assert sentence in str(caught.value)
    assert all(problem.remedy for problem in caught.value.problems)


@pytest.mark.parametrize("months", ["2026", "2026-02..2026-01", "2026-13", ""])
def test_a_strange_span_is_wrong_usage(months: str) -> None:
    with pytest.raises(Usage):
        parse_months(months)


# else `test_what_cannot_be_set_is_said`
@with_deep
def test_a_rule_nobody_judges_cannot_be_tried(
    clean_delivery: Path, tmp_path: Path, folder: Path
) -> None:
    assert folder
    shutil.copytree(clean_delivery, tmp_path / "d")
    protocol = tmp_path / "d" / "protocol.toml"
    text = protocol.read_text(encoding="utf-8")
    head = "[version.rules.heat-ready]\n"
    protocol.write_text(text.replace(head, f"{head}enabled = false\n"), encoding="utf-8")
    con = open_store(tmp_path / "store.duckdb")
    load(con, read_delivery(con, tmp_path / "d"))
    judge(con)
    con.close()
    with pytest.raises(Usage) as caught:
        whatif(tmp_path, ["heat-ready.grace_min=1"], None, name_all=False)
    assert "no protocol version of this store judges heat-ready" in str(caught.value)


def test_values_are_read_as_in_the_protocol_file() -> None:
    def values(text: str) -> tuple[Any, ...]:
        return parse_settings([f"source-choice.satisfied_by={text}"])[0].values

    assert values('["ventilator"], ["blender"]') == (["ventilator"], ["blender"])
    assert parse_settings(["source-choice.at_limit=pass,fail"])[0].values == ("pass", "fail")
    assert parse_settings(["heat-ready.grace_min=1,2.5"])[0].values == (1, 2.5)
