"""Two browsers, a sheet and a review at once: nothing is lost, and no conflict goes unseen."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import httpx

from pipeline.followup.ledger_words import ledger
from tests.faults import commands
from tests.faults.world import plainly
from tests.followup.reviewed_store import answer, ask, drawn_for_a_second, flags, write_csv

from .serving import forked
from .test_work import plain_trips
from .visiting import words

Form = dict[str, str | list[str]]


def _form(browser: httpx.Client, trip: str, conclusion: str) -> Form:
    """The trip's form as this browser has it open, filled in."""
    page = browser.get(f"/case?trip={trip}").text
    hidden = {name: found[1] for name in ("form", "mark")
              if (found := re.search(rf'name="{name}" value="([^"]*)"', page))}  # fmt: skip
    rules = re.findall(r'name="rule" value="([^"]*)"', page)
    said = {f"finding {rule}": conclusion for rule in rules}
    return {**hidden, **said, "trip": trip, "rule": rules, "status": "open", "go": "stay"}


def _become(browser: httpx.Client, origin: str, by: str) -> None:
    token = re.search(r'name="form" value="([^"]*)"', browser.get("/who").text)
    assert token is not None
    sent = browser.post("/who", data={"form": token[1], "by": by}, headers={"origin": origin})
    assert sent.status_code == 303


def test_all_at_once_nothing_is_lost_and_every_conflict_is_shown(
    folder: Path, clean_delivery: Path, tmp_path: Path
) -> None:
    both, one_only, other_only, of_sheet, *_ = plain_trips(folder)
    assert not {both, one_only, other_only, of_sheet} & {*drawn_for_a_second(folder)}
    rows = [answer(of_sheet, " ".join(flags(folder, of_sheet)), "holds", reviewer="R3"),
            answer(both, " ".join(flags(folder, both)), "cannot_say", status="open",
                   reviewer="R3")]  # fmt: skip
    sheet = write_csv(tmp_path / "a.csv", rows)
    typed = (["determine", sheet, "--into", folder], ["review", clean_delivery, "--into", folder])
    with forked(folder, "R1") as desk:
        first, second = desk.browser(), desk.browser(desk.new_link())
        _become(second, desk.origin, "R2")
        mine, theirs = _form(first, both, "holds"), _form(second, both, "does_not_hold")
        running = [commands.start(*command, before=plainly) for command in typed]
        answers: dict[tuple[str, str], httpx.Response] = {}

        def saves(browser: httpx.Client, by: str, own: str, form: Form) -> None:
            headers = {"origin": desk.origin}
            answers[by, both] = _until_free(browser, form, headers)
            answers[by, own] = _until_free(browser, _until_form(browser, own), headers)

        threads = [threading.Thread(target=saves, args=args) for args in
                   ((first, "R1", one_only, mine), (second, "R2", other_only, theirs))]  # fmt: skip
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=300)
        ended = [one.end(300) for one in running]
    # each command was done, or said who held the store and stored nothing
    for one in ended:
        assert one.code in (0, 3), one.err
        assert one.code == 0 or "is using this store" in one.err
    assert (answers["R1", one_only].status_code, answers["R2", other_only].status_code) == (
        303,
        303,
    )
    kept = {by for by, trip in answers if trip == both and answers[by, trip].status_code == 303}
    if ended[0].code == 0:
        kept.add("R3")
    # of those who had the same case open one was stored at most, and the others were told
    assert len(kept & {"R1", "R2"}) <= 1
    for by in {"R1", "R2"} - kept:
        assert answers[by, both].status_code == 409
        assert "changed after this form was opened" in words(answers[by, both].text)
    stored = ask(folder, f"""SELECT DISTINCT reviewer FROM loop.determination
                             WHERE trip_id = '{both}'""")  # fmt: skip
    assert {by for (by,) in stored} == kept
    drafts = ask(folder, f"SELECT recorded_by FROM loop.draft WHERE place = 'case {both}'")
    assert {by for (by,) in drafts} == {"R1", "R2"} - kept
    assert ledger(folder)[1] == []


def _until_free(browser: httpx.Client, form: Form, headers: dict[str, str]) -> httpx.Response:
    """Send a form again as long as another command holds the store."""
    while True:
        answered = browser.post("/case", data=form, headers=headers)
        if "is using this store" not in words(answered.text):
            return answered


def _until_form(browser: httpx.Client, trip: str) -> Form:
    while True:
        form = _form(browser, trip, "holds")
        if "mark" in form:
            return form
