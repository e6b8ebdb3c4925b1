"""What the case pages say and which files they are, without a browser."""

from __future__ import annotations

import dataclasses
import itertools
import re
import unicodedata
from pathlib import Path
from xml.etree import ElementTree

import pytest

from reports import write_pages
from reports.case import tables
from reports.case.data import CasePage, case_pages, line_ranges
from reports.case.records import LineRange, Source, VerdictRow
from reports.case.tables import Setting
from reports.case.trip_axis import Frame, Shelves, Spaces, nice_top, tick_minutes
from reports.case.trip_data import behaviour_runs
from reports.case.trip_picture import trip_picture
from reports.charts import svg
from reports.month.cases import CASES_IN_TABLE
from reports.month.data import month_data
from reports.month.records import problems
from reports.text import words
from reports.text.case_links import case_file, case_files
from reports.text.navigation import Site, months_written, navigation
from schemas.frame import stacked
from schemas.month_review import MonthReview
from tests.browser import case_fixture, fixture
from tests.browser.case_fixture import LIMIT_MIN
from tests.browser.reading import numbers


def pages_of(review: MonthReview) -> list[CasePage]:
    return list(case_pages(review, Site()))


def test_moments_as_words() -> None:
    assert words.clock(3120, 60) == "52"
    assert words.clock(3127, 1) == "52:07"
    assert words.clock(-83, 1) == "-1:23"
    assert words.moment(3120, 1) == "52 min"
    assert words.moment(3127, 1) == "52 min 7 s"
    assert words.age(23) == "23 months"
    assert words.age(31) == "2 years 7 months"
    assert words.age(24) == "2 years"
    assert words.age(None) == ""


def test_lines_as_ranges() -> None:
    assert line_ranges([9, 4, 3, 5, 5]) == [(3, 5), (9, 9)]
    assert line_ranges([]) == []


def test_a_file_name_is_safe_and_the_same_in_every_run() -> None:
    for token in fixture.HOSTILE.values():
        assert re.fullmatch(r"[0-9a-f]{16}\.html", case_file(token))
        assert case_file(token) == case_file(token)
    assert case_file("../x") != case_file("x")
    # SHA-256 of "abc", FIPS 180-2, appendix B.1
    assert case_file("abc") == "ba7816bf8f01cfea.html"


def test_verdicts_are_grouped_by_what_needs_reading() -> None:
    page = pages_of(fixture.month_review())[0]
    assert [g.verdict for g in page.groups] == [
        *("deviation", "cannot_tell", "authorised", "met", "not_applicable"),
    ]
    first = page.groups[0].rows[0]
    assert numbers(first.moment) == ["50", f"{LIMIT_MIN}"]
    shown = [(r.text, r.anchor) for r in first.evidence[0].ranges]
    assert shown == [("100–102", "settings-100"), ("104", "settings-104")]
    flagged = str(fixture.cases_frame(20)["rules"][0]).split()
    assert set(flagged) == {"wall-oxygen-time", "source-choice"}
    assert page.to_conclude == ["Wall oxygen time", "Source choice"]
    audit = pages_of(fixture.month_review())[-1]
    assert (audit.group, audit.to_conclude) == ("audit", [])


def test_neighbours_follow_the_reading_order() -> None:
    pages = pages_of(fixture.month_review())
    assert pages[0].previous is None
    assert pages[-1].next is None
    for before, after in itertools.pairwise(pages):
        assert before.next.trip == after.trip
        assert after.previous.trip == before.trip
    assert {p.total for p in pages} == {20}


@pytest.mark.parametrize(
    ("index", "why", "minutes"),
    [
        (0, "until hand-over", ["3", "120"]),
        (1, "nothing is known", ["3", "110"]),
        (2, "No setting", []),
        (3, "other support", ["3", "115"]),
    ],
)
def test_the_window_in_words(index: int, why: str, minutes: list[str]) -> None:
    said = pages_of(fixture.month_review())[index].window
    assert why in said
    assert numbers(said) == minutes


def test_the_course_of_a_trip_in_order() -> None:
    rows = pages_of(fixture.month_review())[0].tables.course.rows
    told = [(r.at, r.cells[0] if isinstance(r, tables.Setting) else r.kind) for r in rows]
    assert told == [  # their sentences stand in the kept text of the page
        ("0", "milestone"),
        ("3", "wall oxygen"),
        ("33", "ventilator"),
        ("40", "milestone"),
        ("45", "wall oxygen"),
        ("65", "limit"),
        ("80", "ventilator"),
        ("90", "call"),
        ("100", "ventilator"),
        ("100", "lost"),
        ("105", "milestone"),
        ("120", "milestone"),
    ]


def test_what_failed_is_told_at_its_mark_and_in_the_course() -> None:
    page = pages_of(fixture.month_review())[0]
    (reason,) = page.picture.reasons
    assert (reason.at_s, reason.words) == (2700, "ventilator failed")
    told = {row.at: row.reason for row in page.tables.course.rows if isinstance(row, Setting)}
    assert told["45"] == "ventilator failed"
    for narrow in (False, True):
        drawn = str(trip_picture(page.picture, "A trip", "Lanes", narrow=narrow))
        (x,) = re.findall(r'd="M([\d.]+) \d+l5 5-5 5-5-5z"><title>V[a-z ]+ failed', drawn)
        assert float(x) == pytest.approx(Frame(0, 7200, narrow, "any").x(2700), abs=0.06)
        assert ">ventilator failed</text>" in drawn
    calm = page.picture._replace(reasons=[])
    assert "failed" not in str(trip_picture(calm, "A trip", "Lanes", narrow=False))


def test_what_is_far_outside_is_counted_and_not_drawn() -> None:
    review = fixture.month_review()
    assert review.details is not None
    strays = review.details.contacts.assign(at_s=100_000)
    details = dataclasses.replace(review.details, contacts=strays)
    page = pages_of(dataclasses.replace(review, details=details))[0]
    assert page.picture.domain == (0, 7200)
    assert page.picture.beyond_axis == 1
    assert pages_of(review)[0].picture.beyond_axis == 0


def test_the_axis_holds_what_happened() -> None:
    pages = pages_of(fixture.month_review())
    low, high = pages[1].picture.domain
    assert (low, high) == (0, 6600 + 330)  # an open trip runs on, unknown, past its last record
    frame = Frame(low, high, False, "wide")
    assert frame.x(low) == frame.left
    assert frame.x(high) == frame.right
    assert tick_minutes(frame)[:3] == [0, 10, 20]
    for minutes in (3, 45, 130, 400, 2880):
        for narrow in (True, False):
            ticks = tick_minutes(Frame(0, minutes * 60, narrow, "any"))
            assert 2 <= len(ticks) <= 20, (minutes, narrow)


def test_room_for_words() -> None:
    shelves = Shelves(2)
    assert [shelves.place(0, 10), shelves.place(5, 15), shelves.place(8, 20)] == [0, 1, None]
    spaces = Spaces(gap=0)
    assert [spaces.place(10, 20), spaces.place(0, 10), spaces.place(15, 30)] == [True, True, False]
    assert svg.fitting(["prong 2 (1.9 mm)", "p2"], 40, 10) == "p2"
    assert nice_top(33) == 40
    assert nice_top(201) == 220


def test_svg_escapes_what_comes_from_data() -> None:
    own, name = "</text><script>alert(1)</script>\x07", '"><b>'
    drawn = svg.text(1, 2, own, class_=name)
    assert (drawn.count("<"), drawn.count(">")) == (2, 2)  # of its own tag alone
    read = ElementTree.fromstring(drawn)
    assert (read.text, read.get("class")) == (own.replace("\x07", "[U+0007]"), name)


def test_forms_write_numbers_as_tags_do() -> None:
    form = '<line x1="%.1f" x2="%.1f"><title>%s</title></line>'
    for x in (12, 12.0, 12.04, 12.25, -0.04, 1e6):
        tagged = svg.tag("line", svg.title('"1.0" & 2.0'), x1=x, x2=float(x))
        assert svg.one(form, x, x, svg.escaped('"1.0" & 2.0')) == tagged
        assert svg.each(form, [(x, x, "a"), (x, x, "b")]) == (
            svg.one(form, x, x, "a") + svg.one(form, x, x, "b")
        )


def test_rows_of_tables_escape_what_comes_from_data() -> None:
    sentence = "</td><script>'\u202e\x07"
    shown = "&lt;/td&gt;&lt;script&gt;&#39;[U+202E][U+0007]"
    place = tables.Place(sentence, sentence, 3)
    row = tables.Observation(*[sentence] * 5, place)
    assert str(tables.observations_html([row])).count(shown) == 5
    evidence = [Source(sentence, [LineRange(sentence, sentence)])]
    assert str(tables.evidence_html(evidence)).count(shown) == 3
    happened = tables.Happened(0, *[sentence] * 3, place)
    assert str(tables.course_html([happened])).count(shown) == 5
    known = tables.Known(sentence, sentence, (sentence,) * 5)
    assert str(tables.timeline_html([known])).count(shown) == 7
    verdict = VerdictRow(sentence, sentence, True, *[sentence] * 4, evidence)
    assert str(tables.verdicts_html([verdict])).count(shown) == 3


def test_every_character_that_may_mislead_is_spelled_out() -> None:
    """The quick way past harmless texts takes none that the slow way would change."""
    for code in range(0x20, 0x700):
        char = chr(code)
        hidden = unicodedata.category(char) in {"Cc", "Cf", "Cn", "Zl", "Zp"}
        turns = unicodedata.bidirectional(char) in {"R", "AL"} and not hidden
        assert words.visible(f"a{char}") == (f"a[U+{code:04X}]" if hidden else f"a{char}")
        assert words.isolated(f"a{char}").startswith(words.ISOLATE[0]) == turns


def test_a_month_of_many_observations_stays_light(tmp_path: Path) -> None:
    """An observation every 15 s for two days: the points lose their texts, the table is cut."""
    review = fixture.one_trip()
    assert review.details is not None
    one = review.details.observations.rows(slice(1))
    many = stacked([one.assign(at_s=15 * n, line=n) for n in range(3000)])
    details = dataclasses.replace(review.details, observations=many)
    page = write_pages(dataclasses.replace(review, details=details), tmp_path)
    case = next((page.parent / "cases").iterdir())
    html = case.read_text(encoding="utf-8")
    assert len(html.encode()) < 400_000
    assert "300 of 3,000 rows" in html


# ---- files and links


def test_only_pages_that_were_written_are_linked(tmp_path: Path) -> None:
    nav = navigation("2026-06", Site(("month",), ("2026-04", "2026-06")), "month")
    assert [link.label for link in nav.pages] == ["Month"]
    assert [link.href for link in nav.months] == ["../2026-04/index.html"]
    nav = navigation("2026-06", Site(("month", "director")), "case", up="../")
    assert [link.href for link in nav.pages] == ["../index.html", "../director.html"]
    assert not any(link.current for link in nav.pages)
    assert months_written(tmp_path / "none") == ()
    (tmp_path / "2026-05").mkdir()
    (tmp_path / "2026-05" / "index.html").touch()
    (tmp_path / "2026-04").mkdir()
    (tmp_path / "assets").mkdir()
    assert months_written(tmp_path) == ("2026-05",)


def test_the_list_links_to_cases_that_have_a_page(pages: dict[str, Path]) -> None:
    data = month_data(fixture.large_month()).cases
    assert [bool(row.file) for row in data.rows[:22]] == [True] * 20 + [False] * 2
    html = pages["large"].read_text(encoding="utf-8")
    assert "Only the first 20" in html
    assert "Only the first" not in pages["full"].read_text(encoding="utf-8")
    review = fixture.large_month()
    details = case_fixture.details(review.cases.rows(slice(502)))
    more = month_data(dataclasses.replace(review, details=details)).cases
    assert more.next_page == case_file(str(review.cases["trip_id"][CASES_IN_TABLE]))


def test_pages_of_trips_that_are_no_case_any_more_go(tmp_path: Path) -> None:
    review = fixture.month_review()
    page = write_pages(review, tmp_path)
    folder = page.parent / "cases"
    assert {p.name for p in folder.iterdir()} == set(case_files(review).values())
    (folder / "notes.html").touch()
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert review.details is not None
    fewer = dataclasses.replace(review.details, trips=review.details.trips.rows(slice(3)))
    write_pages(dataclasses.replace(review, details=fewer), tmp_path)
    assert len(list(folder.iterdir())) == 4
    write_pages(review, tmp_path)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_words_a_case_page_must_not_say(pages: dict[str, Path]) -> None:
    for page in sorted((pages["full"].parent / "cases").iterdir()):
        html = page.read_text(encoding="utf-8").lower()
        for word in ("violation", "significant", ">nan<", ">none<", "undefined", "nan min"):
            assert word not in html, (page.name, word)
        for word in ("not for treating", "privacy basis", "0.1.0"):
            assert word in html


def test_a_trip_of_nothing_is_drawn(tmp_path: Path) -> None:
    """Every optional value missing: no error, and the picture says that nothing is known."""
    review = fixture.month_review()
    assert review.details is not None
    empty = {
        name: getattr(review.details, name).rows(slice(0))
        for name in ("timeline", "settings", "observations", "contacts", "occlusions", "lost",
                     "verdicts", "evidence", "limit_moments", "stretches", "problems")
    }  # fmt: skip
    lacking = {
        **dict.fromkeys(("age_months", "weight_kg", "sending_flow_lpm", "sending_fio2"), None),
        **dict.fromkeys(("departed_s", "arrived_s", "handover_s", "start_s", "end_s"), None),
        **dict.fromkeys(("sending_cannula", "planned_transit_min", "outcome"), None),
        **dict.fromkeys(("clock_tolerance_s", "clock_removed"), None),
    }
    trips = review.details.trips.rows(slice(1)).assign(**lacking, open_end=True)
    details = dataclasses.replace(review.details, trips=trips, **empty)
    alone = dataclasses.replace(review, details=details)
    written = write_pages(alone, tmp_path).parent / "cases" / case_file(str(trips["trip_id"][0]))
    assert "nothing is known" in written.read_text(encoding="utf-8")
    page = pages_of(alone)[0]
    assert page.groups == []
    facts = dict(page.facts)
    assert facts["Times"].endswith("not recorded")
    assert facts["Child"].count("not recorded") == 2  # age and weight


# ---- what the Month page says of rows whose trip was set aside


def test_rows_of_trips_set_aside_are_one_problem() -> None:
    review = fixture.month_review()
    row = review.problems.rows(slice(1)).assign(problem="trip-set-aside", trip_id=None)
    many = [row.assign(line=n, what=f"the row's trip was set aside: line {n % 2} of trips")
            for n in range(5)]  # fmt: skip
    alone = dataclasses.replace(review, problems=stacked(many))
    groups = problems(alone)
    assert [(g.count, numbers(g.problem)) for g in groups] == [(5, ["2"])]  # rows, trips
    assert month_data(alone).completeness.rows_aside == 0
    both = dataclasses.replace(review, problems=stacked([review.problems, *many]))
    assert month_data(both).completeness.rows_aside == 8


def test_late_trips_of_an_earlier_month_are_said() -> None:
    late = fixture.month_review(late={"2026-05": 1, "2026-02": 3})
    assert month_data(late).late == (("February 2026", 3), ("May 2026", 1))


def test_the_cases_to_read_first_are_counted() -> None:
    review = fixture.month_review()
    cases = review.cases.assign(group="deviation", severity="medium")
    assert month_data(dataclasses.replace(review, cases=cases)).work[0].first == 0
    cases["severity"][1] = "high"
    cases["group"][4] = "always_read"
    assert month_data(dataclasses.replace(review, cases=cases)).work[0].first == 2


def test_a_run_of_one_behaviour_ends_where_none_is_charted() -> None:
    charted = [(52, "crying"), (57, None), (62, None), (67, "crying"), (72, "crying")]
    rows = [{"at_s": at, "behaviour": behaviour} for at, behaviour in charted]
    assert [r.times for r in behaviour_runs(rows)] == [[52], [67, 72]]
