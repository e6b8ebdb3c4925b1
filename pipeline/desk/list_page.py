"""The list: all open work of every month, late first."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk.earlier import earlier_line
from pipeline.desk.frame import answer, go_to, rooms, visitor
from pipeline.desk.open_work import KINDS, TO_READ, open_work, reading_order
from pipeline.desk.piece import Piece
from pipeline.desk.waiting import DIRECTOR
from pipeline.followup.states import DIFFERS
from reports.text import words

SHOWN = 200
"""Rows of the list on a page; the rest are behind a link."""
SQUARES = 24
MONTHS = 6
"""Months with a column of their own in the squares; what is older stands in one before them."""

ASKED = ("kind", "month", "owner", "for")
"""What a list may be asked for, by the names of its address."""


def show_list(request: Request) -> Response:
    """All open work, or what of it a kind, month or owner is asked for."""
    by = visitor(request).by
    if not by:
        return go_to("/who")
    with rooms(request).desk.reading_work() as con:
        pieces, before = open_work(con, by), earlier_line(con)
    wanted = {n: request.query_params.get(n, "") for n in ASKED}
    rows = [p for p in pieces if _fits(p, wanted)]
    rooms(request).desk.order[by] = reading_order(rows)
    first = int(request.query_params.get("from", "0") or 0) if _is_number(request) else 0
    late = sum(p.late for p in pieces)
    months = sorted({p.opened for p in pieces})
    title = "Open work"
    return answer(
        request, "desk_list.html", title, sentence=_sentence(len(pieces), late, pieces),
        heading=_heading(wanted, rows, pieces),
        before=before, filtered=rows != pieces, months=_columns(months),
        kinds=[_by_kind(kind, pieces, months) for kind in KINDS if any(
            p.kind == kind for p in pieces)],
        owners=[{"word": o, "href": f"/?{urlencode({'owner': o})}"}
                for o in sorted({p.owner for p in pieces if p.owner} - {DIRECTOR})],
        of_director=wanted["for"] == DIRECTOR, directors=sum(_is_directors(p) for p in pieces),
        rows=[_row(p) for p in rows[first : first + SHOWN]],
        next=next((p.href for p in rows if p.kind in TO_READ), ""),
        more=_more(rows, first, wanted),
    )  # fmt: skip


def _heading(wanted: dict[str, str], rows: list[Piece], pieces: list[Piece]) -> str:
    if wanted["for"] == DIRECTOR:
        late = sum(p.late for p in rows)
        return f"For the director: {len(rows)}, {late or 'none'} late" if rows else (
            "For the director")  # fmt: skip
    return "Open work" if rows == pieces else f"{len(rows)} of {len(pieces)}"


def _is_directors(piece: Piece) -> bool:
    """Whether it waits for the director: what is referred there, what readers differ on, signals,
    limits, publishing.
    """
    return piece.owner == DIRECTOR or piece.kind == "signal" or piece.state == DIFFERS


def _is_number(request: Request) -> bool:
    text = request.query_params.get("from", "")
    return text.isascii() and text.isdigit() and len(text) < 9


def _fits(piece: Piece, wanted: dict[str, str]) -> bool:
    return (
        wanted["kind"] in ("", piece.kind)
        and wanted["month"] in ("", piece.opened)
        and wanted["owner"] in ("", piece.owner)
        and (wanted["for"] != DIRECTOR or _is_directors(piece))
    )


def _sentence(count: int, late: int, pieces: list[Piece]) -> str:
    if not count:
        return "Nothing is open."
    pieces_of_work = f"{words.many(count, 'open piece')} of work"
    if not late:
        return f"None of {pieces_of_work} is late."
    oldest = max(p.age for p in pieces if p.late)
    return (
        f"{late} of {pieces_of_work} {'is' if late == 1 else 'are'} late,"
        f" the oldest {words.many(oldest, 'month')} old."
    )


def _columns(months: list[str]) -> list[dict[str, str]]:
    """The squares' columns: a month each, and one before them for what is older."""
    names = [words.month_name(month) for month in months[-MONTHS:]]
    return [{"name": n} for n in (["Earlier"] if len(months) > MONTHS else []) + names]


def _by_kind(kind: str, pieces: list[Piece], months: list[str]) -> dict[str, Any]:
    own = [p for p in pieces if p.kind == kind]
    cells = []
    older = [months[:-MONTHS]] if len(months) > MONTHS else []
    for column in (*older, *([month] for month in months[-MONTHS:])):
        those = [p for p in own if p.opened in column]
        late = sum(p.late for p in those)
        shown = min(late, SQUARES)
        cells.append({"n": len(those), "late": shown, "more": max(0, len(those) - SQUARES),
                      "rest": min(len(those), SQUARES) - shown})  # fmt: skip
    return {"word": KINDS[kind], "n": len(own), "cells": cells, "href": f"/?kind={kind}"}


def _row(piece: Piece) -> dict[str, Any]:
    many = words.many(piece.n, "flag" if piece.kind == "batch" else "trip")
    if not piece.trip and piece.kind in ("signal", "action", "limits", "publish"):
        many = KINDS[piece.kind] if piece.n == 1 else words.many(piece.n, piece.kind)
    return {
        **{n: getattr(piece, n) for n in ("trip", "why", "owner", "state", "age", "late", "href")},
        "many": many, "kind": KINDS[piece.kind],
        "opened": words.month_name(piece.opened),
        "due": words.month_name(piece.due) if piece.due else "",
    }  # fmt: skip


def _more(rows: list[Piece], first: int, wanted: dict[str, str]) -> dict[str, str] | None:
    left = len(rows) - first - SHOWN
    if left <= 0:
        return None
    asked = {name: value for name, value in wanted.items() if value}
    href = f"/?{urlencode({**asked, 'from': first + SHOWN})}"
    return {"href": href, "words": f"{left} more"}
