"""What the pages say of the review loop: sentences and tables, from hand-made answers."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from reports.director.screen_quality import screen_data
from reports.month.data import month_data
from reports.month.followup import answers_by_trip, confirmed_by_rule, followup_data
from reports.month.restated import restated
from reports.text.words import NBSP
from schemas.followup_outputs import FOLLOWUP_OUTPUTS, MONTH_TABLES, FollowUpReview
from schemas.frame import Frame, stacked
from schemas.month_review import MonthReview
from tests.browser import fixture, fixture_figures
from tests.browser.reading import numbers

MONTH = fixture.month_review().month
TRIP = str(fixture.month_review().cases["trip_id"][0])
RULE = "wall-oxygen-time"


def frame(name: str, rows: list[dict[str, Any]]) -> Frame:
    columns = list(FOLLOWUP_OUTPUTS[name].to_schema().columns)
    assert all(set(row) <= set(columns) for row in rows), name
    return Frame.of_rows(rows, columns)


def with_followup(month: MonthReview | None = None, **tables: list[dict[str, Any]]) -> MonthReview:
    frames = {name: frame(name, tables.get(name, [])) for name in MONTH_TABLES}
    followup = FollowUpReview(baseline=False, published=0, ledger_head="0" * 64, **frames)
    return dataclasses.replace(month or fixture_figures.full(), followup=followup)


def quality(**more: Any) -> dict[str, Any]:
    counts = dict.fromkeys(
        ["reviewed", "confirmed", "practice", "logistics", "justified", "equipment", "record_gap",
         "protocol_unclear", "flag_wrong", "holds", "cannot_say", "outdated", "missed"], 0
    )  # fmt: skip
    row = {"month": f"to {MONTH}", "rule": RULE, "verdict": "deviation", "judged": 100, "flags": 40}
    return {**counts, **row, "method": "Wilson score", **more}


def change(**more: Any) -> dict[str, Any]:
    row = {
        "month": "2026-05", "measure": "deviation-share", "group_by": "rule", "group_value": RULE,
        "unit": "share of trips", "then_numerator": 3.0, "then_denominator": 30.0, "then": 0.1,
        "now_numerator": 5.0, "now_denominator": 31.0, "now": 5 / 31, "late": 1, "replaced": 0,
        "corrected": 0, "rejudged": 0, "determinations": 0, "trips": "T9",
        "why": "1 trip came late.",
    }  # fmt: skip
    return {**row, **more}


def test_a_review_without_followup_shows_nothing_of_it() -> None:
    review = dataclasses.replace(fixture_figures.full(), followup=None)
    assert followup_data(review).present is False
    assert confirmed_by_rule(review) == {} == answers_by_trip(review)
    assert not month_data(review).any_confirmed


def test_a_quiet_month_says_so_in_a_line() -> None:
    data = followup_data(with_followup())
    assert data.restated.finding == data.actions.finding == data.agreement == ""
    assert "not been published" in data.publication
    assert data.left == (fixture_figures.full().cases["kind"] != "batch").sum()


def test_figures_that_read_otherwise_come_first_and_name_their_cause() -> None:
    same = change(group_value="unheated-time", now=0.1, now_numerator=3.0, now_denominator=30.0,
                  then_denominator=29.9)  # fmt: skip
    whole = change(measure="occlusion-rate", group_by="service", group_value="all",
                   unit="events per 100 ventilator hours", then=20.0, then_numerator=4.0,
                   then_denominator=20.0, now=25.0, now_numerator=5.0, now_denominator=20.0,
                   why="1 trip was corrected.")  # fmt: skip
    review = with_followup(restatements=[same, change(), whole])
    found = restated(review)
    assert [r.figure.rpartition(", ")[2] for r in found.rows] == [
        "Occlusion rate", "Wall oxygen time", "Unheated time",
    ]  # fmt: skip
    assert found.rows[0].then == "20.0 (4 events in 20 h)"
    assert found.rows[1].now == f"16{NBSP}% (5 of 31 trips)"
    assert numbers(found.finding) == ["3", "2026", "1", "1"]  # figures, late, corrected
    assert found.rows[1].change == "+6.1 points"
    assert found.rows[0].change == "+5.0"
    assert [(c.why, c.figures, c.trips) for c in found.causes] == [
        ("1 trip came late.", 2, ("T9",)), ("1 trip was corrected.", 1, ("T9",)),
    ]  # fmt: skip


def test_actions_overdue_come_first_and_are_counted() -> None:
    row = {"trip_id": "T1", "month": "2026-04", "base": "alder", "rules": RULE,
           "conclusion": "practice", "status": "awaiting_crew", "refer_to": "education",
           "reviewer": "R1", "action": "Talk it through", "due_month": "2026-09",
           "overdue": False}  # fmt: skip
    late = {**row, "trip_id": "T2", "due_month": "2026-05", "overdue": True, "rules": None}
    data = month_data(with_followup(follow_ups=[row, late]))
    actions = data.followup.actions
    assert (data.key.overdue, data.key.actions) == (1, 2)
    assert [r.trip for r in actions.rows] == ["T2", "T1"]
    assert numbers(actions.finding) == ["2", "1"]  # open, overdue
    assert "whole" in actions.rows[0].rules


def test_closed_cases_are_not_asked_for_again() -> None:
    own = {"trip_id": TRIP, "rule": RULE, "verdict": "deviation", "conclusion": "practice",
           "status": "closed", "reviewer": "R1", "readers": 2, "agreed": False}  # fmt: skip
    review = with_followup(determinations=[own])
    data = month_data(review)
    total = int((review.cases["kind"] != "batch").sum())
    assert data.followup.left == total - 1
    assert data.cases.rows[0].status == "closed: practice"
    answer = answers_by_trip(review)[TRIP][0]
    assert answer.readers.startswith("2 readers, not alike")
    halfway = with_followup(determinations=[own, {**own, "rule": None, "status": "open"}])
    assert followup_data(halfway).left == total


def test_confirmed_shares_stand_beside_screened_ones() -> None:
    review = with_followup(screen_quality=[
        quality(month=MONTH, flags=3, reviewed=2, confirmed=1, practice=1, flag_wrong=1)
    ])  # fmt: skip
    share = {"measure": "confirmed-deviation-share", "month": MONTH, "group_by": "rule",
             "group_value": RULE, "numerator": 1.0, "denominator": 50.0, "estimate": 0.02,
             "low": 0.004, "high": 0.105}  # fmt: skip
    measures = stacked([review.measures, Frame.of_rows([share], share)])
    found = confirmed_by_rule(dataclasses.replace(review, measures=measures))[RULE]
    assert found.share.startswith("1 of 50 trips")
    assert found.reading.startswith("2 of 3")


@pytest.mark.parametrize(
    ("read", "confirmed", "high", "wolf"),
    [(0, 0, None, False), (4, 1, 0.3, False), (30, 5, 0.34, True), (30, 20, 0.8, False)],
)
def test_a_rule_cries_wolf_only_with_enough_flags_read(
    read: int, confirmed: int, high: float | None, wolf: bool
) -> None:
    share = None if not read else confirmed / read
    row = quality(reviewed=read, confirmed=confirmed, confirmed_share=share, low=share, high=high)
    found = screen_data(with_followup(screen_quality=[row]))
    assert found is not None
    assert [r.wolf for r in found.rows] == [wolf]
    assert ("wrong" in found.said) == ("wall oxygen time" in found.said) == wolf
    assert found.said.startswith(f"{read} of 40")


def test_an_audit_nobody_read_says_nothing_is_known() -> None:
    row = {"month": MONTH, "unflagged": 40, "drawn": 11, "read": 0, "missed": 0}
    audit = followup_data(with_followup(audit_results=[row])).audit
    assert "nothing is known" in audit.month
    found = {**row, "read": 10, "missed": 1, "miss_rate": 0.1, "low": 0.018, "high": 0.404,
             "method": "Wilson score"}  # fmt: skip
    audit = followup_data(with_followup(audit_results=[found])).audit
    assert f"10{NBSP}% (2\u201340{NBSP}%; Wilson score)" in audit.month
