"""Rows of a case page's long tables as HTML, out of plain data; the templates hold all the rest.

A month has a million such cells: here each costs a tenth of what it does in a template's loop.
"""

from __future__ import annotations

from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row

if TYPE_CHECKING:
    from markupsafe import Markup

CELL, NUMBER = "<td>%s</td>", '<td class="num">%s</td>'
HEAD = '<th scope="row" class="num">%s</th>'
PLACE = '<td class="num place" id="%s-%s"><bdi>%s</bdi>:%s</td>'
SETTING = f"      <tr%s>{HEAD}{CELL}{NUMBER}{NUMBER}{CELL}{CELL}<td>%s%s%s</td>{PLACE}</tr>\n"
AFTER = ' <span class="quiet">after the end, not counted</span>'
HAPPENED = f'      <tr class="%s">{HEAD}<td colspan="6">%s</td>%s</tr>\n'
LINE = '<td class="num place" id="observations-%s">%s</td>'
OBSERVED = f"        <tr>{HEAD}{NUMBER}{NUMBER}{NUMBER}{CELL}{LINE}</tr>\n"
KNOWN = f"        <tr>{HEAD}{NUMBER}{CELL * 5}</tr>\n"
VERDICT = '<li id="verdict-%s"><strong>%s.</strong> %s</li>'


@lru_cache(maxsize=words.MANY)
def cell(text: str) -> str:
    """A text as HTML, as the templates show it: escaped, control characters spelled out."""
    from markupsafe import escape

    return str(escape(words.visible(text)))


def course(rows: list[Row]) -> Markup:
    """Settings as charted, and between them what else happened."""
    return _joined([_setting(r) if r["kind"] == "setting" else _happened(r) for r in rows])


def _setting(row: Row) -> str:
    support = f" <strong>on {cell(row['support'])}</strong>" if row["support"] else ""
    kind, after = (' class="outside"', AFTER) if row["outside"] else ("", "")
    shown = map(cell, (row["at"], *row["cells"], row["reason"]))
    return SETTING % (kind, *shown, support, after, *_place(row))


def _happened(row: Row) -> str:
    place = PLACE % _place(row) if row["line"] else "<td></td>"
    return HAPPENED % (*map(cell, (row["kind"], row["at"], row["said"])), place)


def _place(row: Row) -> tuple[str, int | None, str, int | str]:
    return cell(row["table"]), row["line"], cell(row["file"]), _line(row)


def _line(row: Row) -> int | str:
    return "" if row["line"] is None else int(row["line"])


def observations(rows: list[Row]) -> Markup:
    """Every observation of the child."""
    shown = itemgetter("at", "spo2", "resp", "heart", "behaviour")
    return _joined([OBSERVED % (*map(cell, shown(row)), row["line"], _line(row)) for row in rows])


def timeline(rows: list[Row]) -> Markup:
    """What is taken to be known, stretch by stretch."""
    return _joined(
        [KNOWN % tuple(map(cell, (row["from"], row["until"], *row["cells"]))) for row in rows]
    )


def verdicts(rows: list[Row]) -> Markup:
    """Verdicts that need no reading, a sentence each."""
    shown = itemgetter("rule", "title", "sentence")
    return _joined([VERDICT % tuple(map(cell, shown(row))) for row in rows])


def evidence(sources: list[Row]) -> Markup:
    """The files and lines that a verdict rests on, linked where the row stands on the page."""
    said = "; ".join([_source(source) for source in sources])
    return _joined([f'<span class="evidence">Rests on {said}.</span>'] if said else [])


def _source(source: Row) -> str:
    ranges = [(cell(r["text"]), cell(r["anchor"])) for r in source["ranges"]]
    one = len(ranges) == 1 and words.DASH not in ranges[0][0]
    links = [f'<a href="#{to}">{text}</a>' if to else text for text, to in ranges]
    return f"<bdi>{cell(source['file'])}</bdi> {'line' if one else 'lines'} {', '.join(links)}"


def _joined(rows: list[str]) -> Markup:
    from markupsafe import Markup

    return Markup("".join(rows))
