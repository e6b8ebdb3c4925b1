"""What leaves the pages: which month a pack or a picture is of, and where it is written."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Usage, usage
from pipeline.store.months import months_drawn
from pipeline.store.session import store_in
from schemas.connection import Connection

if TYPE_CHECKING:
    from pipeline.sharing.act import Proposal
    from schemas.month_review import MonthReview

Stage = Callable[[str], None]


def reviewed_month(folder: Path, month: str | None, stage: Stage = lambda _: None) -> MonthReview:
    """The month as the store has it now; by default the latest reviewed. Usage if there is none.

    What was delivered or corrected since the month's pages were written counts, as on new pages.
    """
    from pipeline.judging.evaluator import judge
    from pipeline.kept_month import kept_month

    with store_in(folder) as con:
        known = months_drawn(folder)
        if month is None and known:
            month = known[-1]
        if month is None or month not in known:
            raise _not_reviewed(month, known)
        judge(con, stage)
        return kept_month(con, month, stage)


def packed_month(
    folder: Path, month: str, audience: str, stage: Stage = lambda _: None
) -> MonthReview:
    """The month for a pack; for the committee, actions without any token of a trip or person."""
    from dataclasses import replace

    review = reviewed_month(folder, month, stage)
    if audience != "committee" or review.followup is None:
        return review
    asked = {name: getattr(review.followup, name) for name in ("follow_ups", "year_actions")}
    with store_in(folder, read_only=True) as con:
        told = {
            name: frame.assign(action=without_tokens(con, list(frame["action"])))
            for name, frame in asked.items()
        }
    return replace(review, followup=replace(review.followup, **told))


def packed_base(
    folder: Path,
    month: str,
    base: str,
    draw: Callable[[MonthReview], None],
    stage: Stage = lambda _: None,
    *,
    act: bool,
    by: str | None = None,
) -> Proposal:
    """The month as the shared edition has it, drawn for one base; Usage if base or `by` is unknown.

    Without `act` nothing is remembered: it is what would be handed over. With it, `draw` is called
    within the act, so that what could not be written was not handed over; like the shared edition
    it is remembered, and what a period told once, it tells again.
    """
    from pipeline.followup.screen_text import check_by
    from pipeline.sharing.act import hand_over, proposed

    check_by(by)
    with store_in(folder, read_only=True) as con:
        rows = con.execute(
            "SELECT DISTINCT base FROM delivered.trips WHERE service_month <= ? ORDER BY 1", [month]
        ).fetchall()
    known = [name for (name,) in rows]
    if base not in known and month in months_drawn(folder):
        raise unknown("--base", base, "base with trips to that month", known)
    review = reviewed_month(folder, month, stage)
    with store_in(folder, read_only=not act) as con:
        found = proposed(con, review)
        if act:
            hand_over(con, found, by, base, write=lambda: draw(found.safe))
        else:
            draw(found.safe)
    return found


def without_tokens(con: Connection, texts: list[str]) -> list[str]:
    """The texts with "..." in place of every token of a trip, crew member or reviewer in them."""
    found = con.execute(
        """
        SELECT DISTINCT token FROM (
            SELECT trip_id AS token FROM delivered.trips
            UNION ALL SELECT crew_member FROM delivered.crew
            UNION ALL SELECT crew_member FROM delivered.training
            UNION ALL SELECT reviewer FROM loop.determination)
        WHERE token IS NOT NULL AND contains($1, token)""",
        ["\n".join(texts)],
    ).fetchall()
    tokens = sorted((token for (token,) in found), key=lambda token: (-len(token), token))
    if not tokens:
        return texts
    known = re.compile(rf"(?<!\w)({'|'.join(map(re.escape, tokens))})(?!\w)")
    return [known.sub("...", text) for text in texts]


def check_audience(audience: str, known: Sequence[str]) -> None:
    """Usage unless `audience` is one of the known ones."""
    if audience not in known:
        raise unknown("--for", audience, "reader of a pack", list(known))


def check_base(
    audience: str, base: str | None, *, act: bool = False, by: str | None = None
) -> None:
    """Usage unless a base is named for a base's pack, which alone is handed over and entered."""
    if (audience == "base") != (base is not None):
        what = "a base's pack needs the base" if base is None else "only a base's pack names a base"
        raise usage("usage", "--base", what, remedy="Write --for base --base TOKEN.")
    if act and base is None:
        what = "only a base's pack is handed over; this one stays in the service"
        raise usage("usage", "--hand-over", what, remedy="Leave --hand-over out.")
    if by is not None and not act:
        what = "only a hand-over is entered in the ledger"
        raise usage("usage", "--by", what, remedy="Leave --by out, or add --hand-over.")


def check_trip(audience: str, trip: str | None) -> None:
    """Usage unless a trip is named for a case to teach with, and for nothing else."""
    if (audience == "teaching") != (trip is not None):
        what = "only a case to teach with names a trip"
        if trip is None:
            what = "a case to teach with needs the trip"
        raise usage("usage", "--trip", what, remedy="Write --for teaching --trip TOKEN.")


def _not_reviewed(month: str | None, known: list[str]) -> Usage:
    what = f'"{(month or "")[:40]}" has not been reviewed'
    remedy = f"Write it as YYYY-MM; reviewed are {', '.join(known[-12:])}."
    if not known:
        what = "no month of this folder has been reviewed"
        remedy = "Review a delivery first: tailrace review DELIVERY."
    return usage("month-not-reviewed", "MONTH", what, remedy=remedy)


def write_out(path: Path, content: bytes, *, handed_over: bool = False) -> None:
    """Write a file whole or not at all; Usage where it cannot be written.

    `handed_over`: others may read it as the user's umask has it.
    """
    from pipeline.errors.disk import DISK_IS_FULL
    from pipeline.store.whole import replacing

    try:
        with replacing(path, handed_over=handed_over) as file:
            file.write(content)
    except OSError as error:
        if error.errno in DISK_IS_FULL:
            raise
        what = f"this file cannot be written ({error.strerror})"
        remedy = "Name another with --to."
        raise usage("no-permission", "--to", what, file=str(path), remedy=remedy) from None


def unknown(option: str, given: str, what: str, known: list[str]) -> Usage:
    """A name that is none of the known ones."""
    listed = f"Known are {', '.join(known)}." if known else "There are none."
    return usage("unknown-name", option, f'"{given[:40]}" is no {what}', remedy=listed)
