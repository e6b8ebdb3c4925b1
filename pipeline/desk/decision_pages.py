"""Decisions: approving limits, corrections, retraining held, deliveries, pages drawn anew."""

from __future__ import annotations

import csv
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import at, form, form_page, go_to, link, one, rooms, visitor, worker
from pipeline.desk.thing_pages import nothing_there
from pipeline.desk.waiting import DIRECTOR
from pipeline.errors.mistakes import Refused
from pipeline.followup.by_hand import approve_version, versions_to_approve
from pipeline.followup.case_rules import directors
from pipeline.followup.moves import month_under_review
from pipeline.followup.screen_text import check_by
from pipeline.followup.second_reading import ONE, SEVERAL, readers_of, say_readers
from pipeline.judging.versions import versions_in_store
from pipeline.month.gather import protocol_in_force, rule_facts
from pipeline.store.protocol_versions import VersionInStore
from reports.text import words
from schemas.connection import Connection

PAGE = re.compile(
    r"(?:assets/[A-Za-z0-9._-]+\.(?:js|css)"
    r"|\d{4}-\d{2}/(?:cases/|data/)?[A-Za-z0-9_-]+\.(?:html|csv|json))"
)
"""What is served of a store's folder: its pages and data files, by names without a way out."""


READERS_LINE = (
    "With several readers one trip in ten that has a variance is read by a second one, who does not"
    " see the first reading. With one reader none is drawn, and none that was is waited for."
)

# ---- who


def show_who(request: Request) -> Response:
    """Who works in this browser."""
    fields = [ask.line("by", "Your token", visitor(request).by, most=64, required=True)]
    lines = ["A token, never a name. Nothing is recorded of how long or how often you work."]
    begin = form(request, "/who", "Begin", fields=fields)
    return form_page(request, "Who are you?", lines=lines, forms=[begin])


def save_who(request: Request, fields: Fields) -> Response:
    """Remember it for this browser, as long as the desk runs; a director's list comes first."""
    by = one(fields, "by")
    check_by(by or "=", "Your token")
    visitor(request).by = by
    with rooms(request).desk.reading() as con:
        directs, known = by in directors(con), _has_worked(con, by)
    if directs:
        return go_to(f"/?for={DIRECTOR}")
    said = f"{by} has done nothing in this store before. If it is a slip of the keys, change it."
    return go_to("/" if known else at("/", said=said))


def _has_worked(con: Connection, by: str) -> bool:
    """Whether a token stands at anything that was done to this store, or is somebody's work."""
    rows = con.execute(
        """SELECT 1 WHERE $by IN (SELECT reviewer FROM loop.determination)
           OR $by IN (SELECT unnest([recorded_by, owner]) FROM loop.move)
           OR $by IN (SELECT recorded_by FROM loop.sheet)
           OR $by IN (SELECT recorded_by FROM loop.publication)
           OR $by IN (SELECT recorded_by FROM loop.draft)""",
        {"by": by},
    ).fetchall()
    return bool(rows)


# ---- decisions


def show_decisions(request: Request) -> Response:
    """What waits for a decision, and forms for what is told the store."""
    with rooms(request).desk.reading() as con:
        waiting, readers = versions_to_approve(con), readers_of(con)
        versions, now = versions_in_store(con), month_under_review(con)
    forms = [
        form(request, "/approve", "Approve these limits", title=f"Protocol version {version}",
             fields=[ask.hidden("version", version)])
        for version in waiting
    ]  # fmt: skip
    forms += [
        form(request, "/readers", "Keep", title="Who reads", lines=[READERS_LINE], fields=[
            ask.choice("readers", "Cases are read by", readers,
                         {SEVERAL: "several readers", ONE: "one reader alone"}),
            ask.line("why", "Why, naming nobody")]),
        form(request, "/retrained", "Keep", title="A retraining was held", fields=_texts(
            ("month", "Month, YYYY-MM"), ("base", "Token of the base"),
            ("crew_member", "Or token of the one crew member"), ("rule", "Id of the rule"))),
        form(request, "/correct", "Correct", title="A value that cannot be exported again",
             fields=_texts(("trip_id", "Token of the trip"), ("table", "Table of the row"),
                           ("line", "Line of the row in the delivered file"),
                           ("at_s", "Or its recorded time, s"), ("column", "The wrong column"),
                           ("value", "What it should be; empty: known to be empty"),
                           ("reason", "Why, in a few words, naming nobody"))),
        form(request, "/deliver", "Check this folder", title="A delivery",
             fields=_texts(("folder", "Folder of the delivery")), go="check"),
    ]  # fmt: skip
    return form_page(request, "Decisions", forms=forms, **_limits(versions, now),
                     links=_if_moved(rooms(request).desk.folder, now))  # fmt: skip


def _limits(versions: list[VersionInStore], month: str) -> dict[str, Any]:
    """Each version with who approved it and when, and the limits in force in a month."""
    lines = []
    for known in map(protocol_in_force, versions):
        who = known.approved_by and f"approved by {known.approved_by}"
        when = f", {words.month_name(known.approved_month)}" if known.approved_month else ""
        from_month = words.month_name(known.from_month)
        lines.append(
            f"Protocol version {known.id}, from {from_month} on:"
            f" {f'{who}{when}' if who else 'nobody has approved its limits'}."
        )
    in_force = [v for v in versions if v.version.from_month <= month][-1:]
    if in_force:
        lines.append(
            f"What version {in_force[0].version.id} asks, in force in {words.month_name(month)}:"
        )
    rules = rule_facts(in_force)
    return {"lines": lines, "facts": [(words.rule_title(r.rule), r.asks) for r in rules]}


def _if_moved(folder: Path, month: str) -> list[dict[str, str]]:
    """The way to what the month's trips would have been under other limits, where it is drawn."""
    page = f"{month}/director.html"
    if not (folder / page).is_file():
        return []
    return [link("If a limit moved", f"/pages/{page}#what-if-section")]


def _texts(*named: tuple[str, str]) -> list[dict[str, Any]]:
    return [ask.line(name, label) for name, label in named]


def save_approve(request: Request, fields: Fields) -> Response:
    """Approve a version's limits."""
    by = worker(request)
    with rooms(request).desk.writing() as con:
        approve_version(con, one(fields, "version"), by)
    return go_to(at("/decisions", said="Approved."))


def save_readers(request: Request, fields: Fields) -> Response:
    """Keep whether one person reads all cases, or several do."""
    by = worker(request)
    with rooms(request).desk.writing() as con:
        say_readers(con, one(fields, "readers"), one(fields, "why"), by)
    return go_to(at("/decisions", said="Kept."))


def save_correct(request: Request, fields: Fields) -> Response:
    """Store a corrected value, as a sheet of one row."""
    from pipeline.followup.correct import correct
    from pipeline.followup.correct import corrected_words as said

    names = ("trip_id", "table", "line", "at_s", "column", "value", "reason")
    return _as_sheet(request, fields, names, correct, said)


def save_retrained(request: Request, fields: Fields) -> Response:
    """Store a retraining, as a sheet of one row."""
    from pipeline.followup.retraining import retrained
    from pipeline.followup.retraining import retrained_words as said

    return _as_sheet(request, fields, ("month", "base", "crew_member", "rule"), retrained, said)


def _as_sheet(
    request: Request,
    fields: Fields,
    names: tuple[str, ...],
    read_in: Callable[[Path, Path, str | None], Any],
    said: Callable[[Any], str],
) -> Response:
    """What a form says, read in as a sheet would be: the same rules, the same entry."""
    own = rooms(request)
    with own.desk.apart(), tempfile.TemporaryDirectory(prefix="tailrace-") as private:
        sheet = Path(private, "form.csv")
        with sheet.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(names)
            writer.writerow([one(fields, name) for name in names])
        done = read_in(sheet, own.desk.folder, visitor(request).by)
    if done.problems:
        raise Refused(done.problems)
    return go_to(at("/decisions", said=said(done).splitlines()[0]))


def save_deliver(request: Request, fields: Fields) -> Response:
    """Check a delivery's folder, and review it once it was looked at."""
    from pipeline import review as steps
    from pipeline.ingest.check import check_delivery

    own, folder = rooms(request), Path(one(fields, "folder") or ".").expanduser()
    if one(fields, "go") == "check":
        report, aside = check_delivery(folder, None, None, shown=30)
        receive = "Receive it and draw its pages"
        fields_ = [ask.hidden("folder", str(folder))]
        button = form(request, "/deliver", receive, go="receive", fields=fields_)
        lines = [*report.splitlines(), "Rows would be set aside." if aside else ""]
        return form_page(request, "A delivery, checked", lines=[line for line in lines if line],
                         forms=[button])  # fmt: skip
    with own.desk.apart():
        done = steps.review(folder, own.desk.folder, by=visitor(request).by)
    return go_to(at("/months", said=f"{done.month.month} is drawn."))


# ---- the months' pages


def show_months(request: Request) -> Response:
    """The pages of each month that were drawn, and a button to draw one anew."""
    from reports.text.navigation import months_written

    own = rooms(request)
    months = list(reversed(months_written(own.desk.folder)))
    called = {month: words.month_name(month) for month in months}
    links = [link(name, f"/pages/{month}/index.html") for month, name in called.items()]
    fields = [ask.choice("month", "Month", months[0] if months else "", called)]
    anew = form(request, "/draw", "Draw anew", title="Draw a month's pages anew", fields=fields)
    return form_page(request, "Months' pages", links=links, forms=[anew] if months else [])


def save_draw(request: Request, fields: Fields) -> Response:
    """Draw a month's pages and workbook anew, whole or not at all."""
    from pipeline import review as steps

    own, month = rooms(request), one(fields, "month")
    with own.desk.apart():
        steps.draw_anew(own.desk.folder, month)
    return go_to(at("/months", said=f"{month} is drawn anew."))


def show_page(request: Request) -> Response:
    """A page or data file of the store's folder, as it lies there."""
    own, name = rooms(request), request.path_params["name"]
    path = own.desk.folder / name
    if not PAGE.fullmatch(name) or not path.is_file() or _leads_out(path, own.desk.folder):
        return nothing_there(request)
    return FileResponse(path)


def _leads_out(path: Path, folder: Path) -> bool:
    return not os.path.realpath(path).startswith(os.path.realpath(folder) + os.sep)
