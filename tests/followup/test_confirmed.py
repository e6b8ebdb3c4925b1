"""Measures as screened and as confirmed, agreement of readers, and practice variances."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pipeline.followup.actions import follow_ups
from pipeline.followup.confirmed import (
    agreement,
    confirmed_measures,
    determinations,
    make_flags,
    practice_variances,
    screen_quality,
)
from schemas.findings import CONCLUSIONS, HAPPENED, NOT_CONFIRMED
from schemas.followup_outputs import FOLLOWUP_OUTPUTS
from schemas.outputs import Measures
from tests.frames import in_pandas

from . import judged_store
from .judged_store import RULE

agreement = in_pandas(agreement)
confirmed_measures = in_pandas(confirmed_measures)
determinations = in_pandas(determinations)
practice_variances = in_pandas(practice_variances)
screen_quality = in_pandas(screen_quality)
follow_ups = in_pandas(follow_ups)

MONTH = "2026-01"


def trips(verdicts: dict[str, int], month: str = MONTH) -> pd.DataFrame:
    listed = [verdict for verdict, count in verdicts.items() for _ in range(count)]
    return pd.DataFrame({
        "trip_id": [f"{month}-{n:03d}" for n in range(len(listed))], "month": month,
        "base": ["b1", "b2"] * (len(listed) // 2) + ["b1"] * (len(listed) % 2), "verdict": listed,
    })  # fmt: skip


def sentence(conclusions: dict[int, str | None], **more: str) -> pd.DataFrame:
    return pd.DataFrame({
        "trip_id": [f"{MONTH}-{n:03d}" for n in conclusions],
        "conclusion": list(conclusions.values()), **more,
    })  # fmt: skip


def columns(name: str) -> list[str]:
    return list(FOLLOWUP_OUTPUTS[name].to_schema().columns)


def test_flags_reviewed_and_confirmed_are_counted_by_what_was_concluded() -> None:
    """10 variances, 2 borderline, 10 met; 9 variances answered, one of each conclusion."""
    con = judged_store.with_trips(
        trips({"deviation": 10, "borderline": 2, "met": 10, "cannot_tell": 3})
    )
    causes = [*HAPPENED, *NOT_CONFIRMED]
    answers: dict[int, str | None] = dict(enumerate(causes))
    judged_store.answered(con, sentence({**answers, 10: "practice", 14: "missed"}))
    make_flags(con, MONTH)
    found = screen_quality(con, MONTH)
    assert list(found.columns) == columns("screen_quality")
    assert list(found["month"]) == [MONTH, MONTH, f"to {MONTH}", f"to {MONTH}"]
    row = found[(found["month"] == MONTH) & (found["verdict"] == "deviation")].iloc[0]
    assert [row[name] for name in ("judged", "flags", "reviewed", "confirmed", "missed")] == [
        22, 10, 9, 6, 1,
    ]  # fmt: skip
    assert [row[cause] for cause in causes] == [1] * 9
    assert row[["confirmed_share", "low", "high"]].isna().all(), "nine are too few for a share"
    borderline = found[(found["month"] == MONTH) & (found["verdict"] == "borderline")].iloc[0]
    assert [borderline[name] for name in ("flags", "reviewed", "confirmed", "missed")] == [
        2, 1, 1, 0,
    ]  # fmt: skip


def test_measures_after_determinations_carry_what_is_unread() -> None:
    con = judged_store.with_trips(trips({"deviation": 8, "met": 12}))
    judged_store.answered(
        con, sentence({0: "practice", 1: "practice", 2: "equipment", 3: "flag_wrong"})
    )
    make_flags(con, MONTH)
    found = confirmed_measures(screen_quality(con, MONTH))
    assert list(found.columns) == list(Measures.to_schema().columns)
    rows = {r["measure"]: r for r in found[found["month"] == MONTH].to_dict("records")}
    assert {
        name: (r["numerator"], r["denominator"], r["left_out"]) for name, r in rows.items()
    } == {
        "confirmed-share": (3, 4, 4),
        "confirmed-deviation-share": (3, 20, 4),
        "practice-share": (2, 20, 4),
    }
    share = rows["confirmed-deviation-share"]
    assert (share["bound_low"], share["bound_high"]) == (3 / 20, 7 / 20)


def test_nothing_reviewed_is_no_share() -> None:
    con = judged_store.with_trips(trips({"deviation": 2, "met": 2}))
    make_flags(con, MONTH)
    found = screen_quality(con, MONTH)
    assert found[["confirmed_share", "low", "high"]].isna().all(axis=None)


def test_an_answer_counts_only_while_the_verdict_is_the_one_it_was_given_to() -> None:
    con = judged_store.with_trips(trips({"deviation": 4, "met": 6}))
    judged_store.answered(con, sentence({0: "practice", 1: "practice", 2: "practice"}))
    con.execute("UPDATE judged.verdict SET verdict = 'borderline' WHERE trip_key = 1")
    con.execute("UPDATE judged.verdict SET verdict = 'met' WHERE trip_key = 2")
    make_flags(con, MONTH)
    found = screen_quality(con, MONTH).set_index(["month", "verdict"])
    deviation, borderline = found.loc[(MONTH, "deviation")], found.loc[(MONTH, "borderline")]
    assert (deviation["flags"], deviation["reviewed"], deviation["outdated"]) == (2, 1, 0)
    assert (borderline["flags"], borderline["reviewed"], borderline["outdated"]) == (1, 0, 1)


def test_a_later_answer_holds_and_an_empty_one_overrides_nothing() -> None:
    con = judged_store.with_trips(trips({"deviation": 3}))
    judged_store.answered(con, sentence({0: "practice", 1: "practice"}))
    judged_store.answered(con, sentence({0: "flag_wrong"}, reviewer="R2"))
    judged_store.answered(con, sentence({1: None}, status="awaiting_crew"))
    make_flags(con, MONTH)
    row = screen_quality(con, MONTH).iloc[1]
    assert (row["verdict"], row["reviewed"], row["confirmed"]) == ("deviation", 2, 1)
    shown = determinations(con, MONTH)
    assert list(shown.columns) == columns("determinations")
    assert list(shown["conclusion"].fillna("")) == ["flag_wrong", "practice"]
    assert list(shown["readers"]) == [2, 1]
    assert list(shown["agreed"]) == [False, True]


def test_the_confirmed_share_recovers_the_planted_one() -> None:
    """95 % intervals hold it as often as Wilson's do by enumeration, within 3 standard errors."""
    shares, labels = (0.5, 0.7, 0.95), judged_store.months(600)
    planted = {month: shares[n % 3] for n, month in enumerate(labels)}
    generator = np.random.default_rng(5)
    both = pd.concat([trips({"deviation": 30, "met": 5}, month) for month in labels])
    con = judged_store.with_trips(both.reset_index(drop=True))
    flagged = both[both["verdict"] == "deviation"]
    right = generator.random(len(flagged)) < flagged["month"].map(planted)
    cause = generator.choice(HAPPENED, len(flagged))
    other = generator.choice(NOT_CONFIRMED, len(flagged))
    judged_store.answered(con, pd.DataFrame({
        "trip_id": flagged["trip_id"].to_numpy(), "conclusion": np.where(right, cause, other)
    }))  # fmt: skip
    make_flags(con, labels[-1])
    found = screen_quality(con, labels[-1])
    found = found[found["verdict"] == "deviation"]
    single, together = found[found["month"].isin(labels)], found[~found["month"].isin(labels)]
    assert (len(single), len(together)) == (600, 1)
    for share in shares:
        own = single[single["month"].map(planted) == share]
        inside = ((own["low"] <= share) & (share <= own["high"])).mean()
        due = judged_store.wilson_coverage(30, share)
        assert due > 0.92
        assert abs(inside - due) <= 3 * math.sqrt(due * (1 - due) / len(own))
    assert together["low"].iloc[0] <= np.mean(shares) <= together["high"].iloc[0]
    assert together["confirmed_share"].iloc[0] == pytest.approx(right.mean())


def test_agreement_is_the_published_kappa() -> None:
    """Fleiss's example (from memory): [[75,1,4],[5,4,1],[0,0,10]] gives 0.6765, SE 0.0877."""
    table = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]
    kinds = CONCLUSIONS[:3]
    pairs = [(kinds[i], kinds[j]) for i in range(3) for j in range(3) for _ in range(table[i][j])]
    con = judged_store.with_trips(trips({"deviation": 100}))
    for reviewer, place in (("R1", 0), ("R2", 1)):
        judged_store.answered(con, sentence({n: pair[place] for n, pair in enumerate(pairs)},
                                 reviewer=reviewer))  # fmt: skip
    # a third reader, and a case with one reader, change nothing
    judged_store.answered(con, sentence({0: "flag_wrong"}, reviewer="R3"))
    found = agreement(con, MONTH)
    assert list(found.columns) == columns("agreement")
    assert list(found["month"]) == [MONTH, f"to {MONTH}"]
    row = found.iloc[0]
    assert (row["cases"], row["same"]) == (100, 89)
    assert row["kappa"] == pytest.approx(0.6765, abs=5e-5)
    assert row["high"] - row["low"] == pytest.approx(2 * 1.96 * 0.0877, abs=5e-4)


def test_agreement_without_a_second_reader_says_nothing() -> None:
    con = judged_store.with_trips(trips({"deviation": 3}))
    judged_store.answered(con, sentence({0: "practice", 1: "practice"}))
    found = agreement(con, MONTH)
    assert list(found["cases"]) == [0, 0]
    assert found["kappa"].isna().all()


def test_practice_variances_by_base() -> None:
    con = judged_store.with_trips(trips({"deviation": 4, "met": 4}))
    judged_store.answered(
        con, sentence({0: "practice", 1: "logistics", 2: "practice", 5: "missed"})
    )
    make_flags(con, MONTH)
    found = practice_variances(con)
    assert list(found.columns) == columns("practice_variances")
    assert found.to_dict("records") == [
        {"month": MONTH, "rule": RULE, "base": "b1", "judged": 4, "flags": 2, "reviewed": 2,
         "practice": 2, "missed": 0},
        {"month": MONTH, "rule": RULE, "base": "b2", "judged": 4, "flags": 2, "reviewed": 1,
         "practice": 0, "missed": 1},
    ]  # fmt: skip


# ---- follow-up


def ask_for(con: object, number: int, trip: int, status: str, **more: str | None) -> None:
    values = {"action": None, "due": None, "reviewer": "R1", "conclusion": "equipment", **more}
    con.execute(  # type: ignore[attr-defined]
        "INSERT INTO loop.determination VALUES (?, 1, ?, ?, ?, ?, ?, ?, 'director', ?, ?, ?, NULL)",
        [number, number, f"{MONTH}-{trip:03d}", trip + 1, MONTH, values["conclusion"], status,
         values["reviewer"], values["action"], values["due"]],
    )  # fmt: skip
    con.execute(  # type: ignore[attr-defined]
        "INSERT INTO loop.determination_rule VALUES (?, ?, 'deviation')", [number, RULE]
    )


def test_actions_are_open_until_a_later_sheet_closes_them() -> None:
    con = judged_store.with_trips(trips({"deviation": 5}))
    ask_for(con, 1, 0, "open", action="buy a heater", due="2026-03")
    ask_for(con, 2, 1, "awaiting_crew", action="ask the crew")
    ask_for(con, 3, 2, "open", action="train", due="2026-02")
    ask_for(con, 4, 3, "closed", action="was told")
    ask_for(con, 5, 4, "open")
    found = follow_ups(con, "2026-03")
    assert list(found.columns) == columns("follow_ups")
    assert list(found["action"]) == ["train", "buy a heater", "ask the crew", "was told"]
    assert list(found["overdue"]) == [True, False, False, False]
    assert list(follow_ups(con, "2026-04")["overdue"]) == [True, True, False, False]
    assert follow_ups(con, "2025-12").empty
    ask_for(con, 6, 2, "closed", reviewer="C1")
    ask_for(con, 7, 1, "open", action="ask the crew again", due="2026-05")
    assert list(follow_ups(con, "2026-03")["action"]) == [
        "buy a heater", "ask the crew again", "was told",
    ]  # fmt: skip
    ask_for(con, 8, 2, "open", action="train once more")
    assert "train once more" in list(follow_ups(con, "2026-03")["action"])
