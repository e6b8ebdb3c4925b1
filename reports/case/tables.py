"""The tables of a case page: what was charted, in order, each row with its file and line.

Long tables are written as HTML here, not in the templates: a month has a million such cells, and
each costs a tenth of what it does in a template's loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

from reports.case.facts import Cases, milestones
from reports.text import words
from reports.text.plain_rows import Row, text

if TYPE_CHECKING:
    from markupsafe import Markup

    from reports.case.records import Source, VerdictRow

ROWS_SHOWN = 300
"""No table of a page is longer; how many rows there are is said."""

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


class Place(NamedTuple):
    """Where a row was delivered: the line is not known of what no file holds."""

    file: str = ""
    table: str = ""
    line: int | None = None


class Setting(NamedTuple):
    """A row of settings as charted; `cells` are gas, flow, FiO2, humidification and cannula."""

    at_s: float
    at: str
    cells: tuple[str, ...]
    reason: str
    support: str
    after_window: bool
    place: Place


class Happened(NamedTuple):
    """What else stands in the course of a trip; `kind`: milestone, call, limit or lost."""

    at_s: float
    at: str
    sentence: str
    kind: str
    place: Place = Place()


class Occlusion(NamedTuple):
    """One occlusion, in words, with what came with it and what followed."""

    at: str
    pressure: str
    cutoff: str
    logged: int
    flow: str
    cannula: str
    behaviour: str
    pattern: str
    next: str
    another: str
    left_out: str
    place: Place


class Observation(NamedTuple):
    """One observation of the child, in words."""

    at: str
    spo2: str
    resp: str
    heart: str
    behaviour: str
    place: Place


class Known(NamedTuple):
    """A stretch of what is taken to be known; `cells` as of a setting."""

    since: str
    until: str
    cells: tuple[str, ...]


R = TypeVar("R")


class Table(NamedTuple, Generic[R]):
    """The rows that a page shows, how many there are, and how many of them it does not show."""

    rows: list[R]
    total: int
    hidden: int


class Tables(NamedTuple):
    """A case page's four tables."""

    course: Table[Setting | Happened]
    occlusions: Table[Occlusion]
    observations: Table[Observation]
    timeline: Table[Known]

    @property
    def anchors(self) -> set[tuple[str, int]]:
        """The rows that evidence may link to, as table and line."""
        placed = (*self.course.rows, *self.observations.rows, *self.occlusions.rows)
        return {(r.place.table, r.place.line) for r in placed if r.place.line is not None}


def case_tables(trip: Row, cases: Cases) -> Tables:
    """All that was charted of a trip."""
    return Tables(
        course_table(trip, cases),
        _capped([_occlusion(row, trip, cases) for row in trip["occlusions"]]),
        _capped([_observation(row, trip) for row in trip["observations"]]),
        _capped([_known(row, trip, cases) for row in trip["timeline"]]),
    )


def course_table(trip: Row, cases: Cases) -> Table[Setting | Happened]:
    """Settings as charted, and between them what else happened, in order of time."""
    rows: list[Setting | Happened] = [_setting(row, trip, cases) for row in trip["settings"]]
    rows += [_lost(row, trip) for row in trip["lost"]]
    rows += [_happened(0, "The crew reached the bedside", "milestone", 60)]
    rows += [
        _happened(m.at_s, words.capital(m.label), "milestone", trip["r_trips"])
        for m in milestones(trip) if m.label != "first setting"
    ]  # fmt: skip
    rows += [_call(row, trip) for row in trip["contacts"]]
    rows += [_limit(row, trip) for row in trip["limit_moments"]]
    # of one moment: what was reached before what was charted then
    rows.sort(key=lambda r: (r.at_s, _delivered(r), r.place.line or 0))
    return _capped(rows)


def _delivered(row: Setting | Happened) -> bool:
    return isinstance(row, Setting) or row.kind == "lost"


def _setting(row: Row, trip: Row, cases: Cases) -> Setting:
    support = text(row["support"])
    after_window = (
        trip["end_s"] is not None and row["at_s"] >= trip["end_s"] and not trip["open_end"]
    )
    return Setting(
        at_s=row["at_s"],
        at=words.clock(row["at_s"], trip["r_settings"]),
        cells=(
            words.SOURCE_WORDS.get(text(row["source"]), text(row["source"])),
            words.number(row["flow_lpm"]),
            "" if row["fio2"] is None else f"{row['fio2']:.2f}",
            text(row["humidification"]),
            cases.cannula(row["cannula"]),
        ),
        reason=words.plain(text(row["reason"])),
        support="" if support in ("", "high_flow") else words.plain(support),
        after_window=after_window,
        place=_place(row, "settings"),
    )


def _lost(row: Row, trip: Row) -> Happened:
    at_s = row["at_s"]
    when = "" if at_s is None else words.clock(at_s, trip["r_settings"])
    unread = " Its time cannot be read." if at_s is None else ""
    sentence = (
        f"A row of {words.plain(text(row['table']))} was set aside: what it said is not"
        f" known.{unread}"
    )
    place = _place(row, text(row["table"]))
    return Happened(0 if at_s is None else at_s, when, sentence, "lost", place)


def _happened(
    at_s: int, sentence: str, kind: str, resolution_s: float, place: Place | None = None
) -> Happened:
    return Happened(at_s, words.clock(at_s, resolution_s), sentence, kind, place or Place())


def _call(row: Row, trip: Row) -> Happened:
    who = words.plain(text(row["contacted"]))
    about = f", about {words.isolated(text(row['about']))}" if row["about"] else ""
    gave = f"authorised {words.plain(row['authorised'])}" if row["authorised"] else "authorised"
    if row["authorised"] and text(row.get("authorised_by")):
        gave += f" by {words.isolated(text(row['authorised_by']))}"
    sentence = f"Call to {who}{about}: {gave if row['authorised'] else 'nothing authorised'}"
    return _happened(row["at_s"], sentence, "call", trip["r_contacts"], _place(row, "contacts"))


def _limit(row: Row, trip: Row) -> Happened:
    rule = words.rule_title(text(row["rule"]))
    verdict = next((v for v in trip["verdicts"] if v["rule"] == row["rule"]), None)
    limit = words.number(words.some(verdict["limit"])) if verdict else ""
    unit = text(verdict["unit"]) if verdict else ""
    sentence = f"{rule}: limit of {limit} {unit} reached"
    if row["due"]:
        sentence = f"{rule}: a {row['due']} was due by now, {limit} {unit} after"
    return _happened(row["at_s"], sentence, "limit", trip["r_settings"])


def _occlusion(row: Row, trip: Row, cases: Cases) -> Occlusion:
    return Occlusion(
        at=words.clock(row["at_s"], trip["r_device"]),
        pressure=words.number(words.some(row["pressure_cmh2o"])),
        cutoff=words.number(words.some(row["cutoff_s"])),
        logged=int(row["logged_events"] or 1),
        flow=words.number(words.some(row["flow_lpm"])),
        cannula=cases.cannula(row["cannula"]),
        behaviour=text(row.get("behaviour")),
        pattern=words.PATTERN_WORDS.get(text(row.get("pattern")), ""),
        next=_next(row),
        another=_yes_no(row.get("another_within_15_min")),
        left_out=text(row["not_counted_because"]),
        place=_place(row, "device_events"),
    )


def _next(row: Row) -> str:
    action = text(row.get("next_action"))
    sentence = words.NEXT_WORDS.get(action, words.plain(action)) or "not known"
    after = words.some(row.get("action_after_s"))
    if action in ("", "nothing") or after is None:
        return sentence
    return f"{sentence}, {round(after / 60)} min after" if after >= 30 else f"{sentence} at once"


def _yes_no(value: Any) -> str:
    return "not known" if value is None else "yes" if value else "no"


def _observation(row: Row, trip: Row) -> Observation:
    return Observation(
        words.clock(row["at_s"], trip["r_observations"]), words.number(row["spo2_pct"]),
        words.number(row["resp_rate"]), words.number(row["heart_rate"]), _seen(row),
        _place(row, "observations"),
    )  # fmt: skip


def _seen(row: Row) -> str:
    """What the child was doing, and the care given then."""
    care = text(row.get("care"))
    return "; ".join(filter(None, [text(row["behaviour"]), care and f"care: {words.plain(care)}"]))


def _known(row: Row, trip: Row, cases: Cases) -> Known:
    def value(shown: str, known: Any) -> str:
        return shown if known is not None else "not known"

    return Known(
        words.clock(row["from_s"], trip["r_settings"]),
        words.clock(row["until_s"], trip["r_settings"]),
        (
            value(words.SOURCE_WORDS.get(text(row["source"]), ""), row["source"]),
            value(words.number(row["flow_lpm"]), row["flow_lpm"]),
            value(f"{row['fio2'] or 0:.2f}", row["fio2"]),
            value(text(row["humidification"]), row["humidification"]),
            value(cases.cannula(row["cannula"]), row["cannula"]),
        ),
    )


def _place(row: Row, table: str) -> Place:
    line = None if row["line"] is None else int(row["line"])
    return Place(text(row["file"]) or table, table, line)


def _capped(rows: list[R]) -> Table[R]:
    return Table(rows[:ROWS_SHOWN], len(rows), len(rows[ROWS_SHOWN:]))


@lru_cache(maxsize=words.MANY)
def cell(text: str) -> str:
    """A text as HTML, as the templates show it: escaped, control characters spelled out."""
    from markupsafe import escape

    return str(escape(words.visible(text)))


def course_html(rows: Sequence[Setting | Happened]) -> Markup:
    """Settings as charted, and between them what else happened."""
    return _joined(
        [_setting_html(r) if isinstance(r, Setting) else _happened_html(r) for r in rows]
    )


def _setting_html(row: Setting) -> str:
    support = f" <strong>on {cell(row.support)}</strong>" if row.support else ""
    kind, after = (' class="outside"', AFTER) if row.after_window else ("", "")
    shown = map(cell, (row.at, *row.cells, row.reason))
    return SETTING % (kind, *shown, support, after, *_place_html(row.place))


def _happened_html(row: Happened) -> str:
    place = PLACE % _place_html(row.place) if row.place.line else "<td></td>"
    return HAPPENED % (*map(cell, (row.kind, row.at, row.sentence)), place)


def _place_html(place: Place) -> tuple[str, int | None, str, int | str]:
    return cell(place.table), place.line, cell(place.file), _line_html(place)


def _line_html(place: Place) -> int | str:
    return "" if place.line is None else place.line


def observations_html(rows: Sequence[Observation]) -> Markup:
    """Every observation of the child."""
    return _joined(
        [OBSERVED % (*map(cell, row[:5]), row.place.line, _line_html(row.place)) for row in rows]
    )


def timeline_html(rows: Sequence[Known]) -> Markup:
    """What is taken to be known, stretch by stretch."""
    return _joined([KNOWN % tuple(map(cell, (r.since, r.until, *r.cells))) for r in rows])


def verdicts_html(rows: Sequence[VerdictRow]) -> Markup:
    """Verdicts that need no reading, a sentence each."""
    return _joined([VERDICT % tuple(map(cell, (r.rule, r.title, r.sentence))) for r in rows])


def evidence_html(sources: Sequence[Source]) -> Markup:
    """The files and lines that a verdict rests on, linked where the row stands on the page."""
    sentence = "; ".join([_source_html(source) for source in sources])
    return _joined([f'<span class="evidence">Rests on {sentence}.</span>'] if sentence else [])


def _source_html(source: Source) -> str:
    ranges = [(cell(r.text), cell(r.anchor)) for r in source.ranges]
    one = len(ranges) == 1 and words.DASH not in ranges[0][0]
    links = [f'<a href="#{to}">{text}</a>' if to else text for text, to in ranges]
    return f"<bdi>{cell(source.file)}</bdi> {'line' if one else 'lines'} {', '.join(links)}"


def _joined(rows: list[str]) -> Markup:
    from markupsafe import Markup

    return Markup("".join(rows))
