"""What sets a row aside, where it is listed, and that nothing is repaired or invented."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest import doubtful, rows_of_trips, stage
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.store.database import open_store
from tests.deep import examples

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


def test_duplicated_key_sets_every_row_of_the_trip_aside(tmp_path: Path) -> None:
    trips = small_delivery.TABLES["trips"][1:] + "007,2026-02,b9,rotor,croup,,,\n"
    found = small_delivery.aside(small_delivery.write(tmp_path / "d", trips=trips))
    repeated = [row for row in found if row[3] == "repeated-trip"]
    assert repeated == [
        ("trips.csv", 2, "trip_id", "repeated-trip"),
        ("trips.csv", 5, "trip_id", "repeated-trip"),
    ]
    orphans = [row for row in found if row[3] == "trip-set-aside"]
    assert ("settings.csv", 2, "trip_id", "trip-set-aside") in orphans
    assert len(found) == len(repeated) + len(orphans)


CELLS = [
    ("settings", "007,0,", "007,zero,", ("at_s", "not-a-whole-number")),
    ("settings", "007,0,", "007,12.0,", ("at_s", "not-a-whole-number")),
    ("settings", "007,0,", "007,1e3,", ("at_s", "not-a-whole-number")),
    ("settings", "007,0,", "007, 5,", ("at_s", "not-a-whole-number")),
    ("settings", "007,0,", "007,0x10,", ("at_s", "not-a-whole-number")),
    ("settings", "007,0,", "007,172801,", ("at_s", "out-of-range")),
    ("settings", "007,0,", "007,-1,", ("at_s", "out-of-range")),
    ("settings", "007,0,", "007,,", ("at_s", "missing-value")),
    ("settings", ",8,0.4", ",eight,0.4", ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ',"8,5",0.4', ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ",8 ,0.4", ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ",nan,0.4", ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ",inf,0.4", ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ",1_0,0.4", ("flow_lpm", "not-a-number")),
    ("settings", ",8,0.4", ",80.1,0.4", ("flow_lpm", "out-of-range")),
    ("settings", ",8,0.4", ",8,40", ("fio2", "out-of-range")),
    ("settings", ",wall,", ",Wall,", ("source", "not-a-code")),
    ("settings", ",prong-2,", ", prong-2,", ("cannula", "not-a-token")),
    ("crew", "007,c1,", "007,,", ("crew_member", "missing-value")),
    ("device_events", "-30,", "-86401,", ("at_s", "out-of-range")),
    ("trips", "T3,2026-02", "T3,2026-2", ("service_month", "not-a-token")),
]


Aside = list[tuple[str | None, int | None, str | None, str]]


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[tuple[str, int]], Aside]:
    """One delivery in which each case is a row more, of a trip of its own that is kept but for it.

    The place of each case's row, and everything that was set aside.
    """
    texts = {name: text[1:] for name, text in small_delivery.TABLES.items()}
    (sound,) = (line for line in texts["trips"].splitlines() if line.startswith("T3,"))
    places = []
    for number, (table, old, new, _) in enumerate(CELLS):
        changed = small_delivery.swap(table, old, new)[table].splitlines()
        before = small_delivery.TABLES[table][1:].splitlines()
        ((_, row),) = (pair for pair in zip(before, changed, strict=True) if pair[0] != pair[1])
        own = f"C{number},"
        if table != "trips":
            texts["trips"] += own + sound.partition(",")[2] + "\n"
        texts[table] += own + row.partition(",")[2] + "\n"
        places.append((f"{table}.csv", texts[table].count("\n")))
    return places, small_delivery.aside(
        small_delivery.write(tmp_path_factory.mktemp("broken") / "d", **texts)
    )


@pytest.mark.parametrize("number", range(len(CELLS)), ids=lambda n: "-".join(CELLS[n][1:3]))
def test_cell_that_breaks_a_rule(broken: tuple[list[tuple[str, int]], Aside], number: int) -> None:
    places, aside = broken
    assert [row[2:] for row in aside if row[:2] == places[number]] == [CELLS[number][3]]


def test_no_other_row_is_set_aside_for_it(broken: tuple[list[tuple[str, int]], Aside]) -> None:
    places, aside = broken
    assert {row[:2] for row in aside} == set(places)


def test_only_true_and_false_are_yes_and_no_in_any_case(tmp_path: Path) -> None:
    trips = "trip_id,service_month,base,vehicle,diagnosis_group,spo2_exempt\n"
    for number, value in enumerate(("true", "False", "", "0", "1", "yes", "TRUE", " true")):
        trips += f"T{number},2026-01,b1,ground,croup,{value}\n"
    con = open_store(tmp_path / "store.duckdb")
    staged = read_delivery(con, small_delivery.write(tmp_path / "d", trips=trips))
    found = [(p.line, p.column, p.code) for p in staged.problems(con) if p.file == "trips.csv"]
    assert found == [(line, "spo2_exempt", "not-true-or-false") for line in (5, 6, 7, 9)]
    load(con, staged)
    sql = "select trip_id, spo2_exempt from delivered.trips order by trip_key"
    assert con.execute(sql).fetchall() == [
        ("T0", True), ("T1", False), ("T2", None), ("T6", True),
    ]  # fmt: skip
    con.close()


def test_the_rule_is_told_in_words_and_the_value_is_not(tmp_path: Path) -> None:
    con = duckdb.connect()
    folder = small_delivery.write(
        tmp_path / "d", **small_delivery.swap("settings", ",8,0.4", ",8x,0.4")
    )
    problem = small_delivery.only(read_delivery(con, folder).problems(con))
    assert problem.sentence() == (
        "settings.csv, line 2: flow_lpm: must be a number from 0 to 80 L/min. Write it with a"
        " decimal point, without spaces, separators or units, or leave the cell empty where the"
        " value is not known."
    )


def test_rows_that_cannot_be_read_are_told_by_their_lines(tmp_path: Path) -> None:
    """Ragged ones, badly quoted ones, and those below blank lines and quoted line breaks."""
    settings = small_delivery.TABLES["settings"][1:].replace(
        "007,600,,ventilator,8.5,,,,", "007,600,x"
    )
    folder = small_delivery.write(
        tmp_path / "d",
        settings=settings.replace("T2,60,high_flow", "T2,60,extra,high_flow"),
        # blank lines are no rows and count as lines
        crew="trip_id,crew_member,role\n\n007,c1,nurse\n\n\nT9,c2,nurse\n\n",
        contacts="trip_id,at_s,contacted,about\n"
        '007,300,medical_direction,"fl\now"\nT2,300,medical_direction,"fl""ow"\n'
        "T9,300,medical_direction,flow\n",
        observations='trip_id,at_s,spo2_pct\n007,"0"x,96\nT2,60,88\n',
        training="month,base,crew_member,rule\n2026-01,,,wall-oxygen-time\n2026-01,,c1,x\n",
    )
    assert sorted(small_delivery.aside(folder), key=str) == [
        ("contacts.csv", 2, "about", "not-a-token"),
        ("contacts.csv", 5, "trip_id", "orphan-row"),
        ("crew.csv", 6, "trip_id", "orphan-row"),
        ("observations.csv", 2, None, "bad-quoting"),
        ("settings.csv", 3, None, "ragged-row"),
        ("settings.csv", 4, None, "ragged-row"),
        ("training.csv", 2, None, "no-subject"),
    ]


WRITTEN = list(itertools.product(["\n", "\r\n", "\r"], ["", "\ufeff"], [True, False]))
IN_SHORT = [
    ("\n", "", True), ("\n", "\ufeff", False), ("\r\n", "", False), ("\r\n", "\ufeff", True),
    ("\r", "", True), ("\r", "\ufeff", False),
]  # fmt: skip
"""Of line ends, mark and end of the last line: each two ways together."""


WAYS = WRITTEN if examples(0, 1) else IN_SHORT


@pytest.mark.parametrize("ways", [WAYS[at : at + 3] for at in range(0, len(WAYS), 3)], ids=repr)
def test_byte_order_mark_and_line_endings(
    tmp_path: Path, ways: list[tuple[str, str, bool]]
) -> None:
    """Three ways in one delivery, each of a table of its own."""
    columns = {"crew": "crew_member,role", "contacts": "at_s,contacted", "observations": "at_s"}
    row = {"crew": "c1,nurse", "contacts": "60,medical_direction", "observations": "60"}
    texts = {}
    for table, (newline, mark, last) in zip(columns, ways, strict=True):
        lines = [f"trip_id,{columns[table]}", f"007,{row[table]}", f"T9,{row[table]}"]
        texts[table] = mark + newline.join(lines) + (newline if last else "")
    assert sorted(small_delivery.aside(small_delivery.write(tmp_path / "d", **texts))) == [
        (f"{table}.csv", 3, "trip_id", "orphan-row") for table in sorted(columns)
    ]


def test_what_is_written_stays_as_it_is(tmp_path: Path) -> None:
    """Leading zeros, spellings, rows that are identical; an empty cell is null, quoted or not."""
    path = tmp_path / "store.duckdb"
    folder = small_delivery.write(
        tmp_path / "d",
        crew="trip_id,crew_member,role\n007,0012,NULL\n",
        settings='trip_id,at_s,support,source\n007,0,"",""\n007,60,,wall\n',
    )
    small_delivery.store(path, folder)
    rows = small_delivery.ask(path, "select trip_id from delivered.trips order by trip_key")
    assert rows == [("007",), ("T2",), ("T3",)]
    assert small_delivery.ask(path, "select crew_member, role from delivered.crew") == [
        ("0012", "NULL")
    ]
    rows = small_delivery.ask(path, "select support, source from delivered.settings order by at_s")
    assert rows == [(None, None), (None, "wall")]
    assert small_delivery.ask(path, "select count(*) from delivered.device_events") == [(3,)]
    told = small_delivery.ask(
        path, "select what from delivered.mention where file = 'device_events.csv'"
    )
    assert told == [
        ("rows that repeat another row throughout: 1; they were kept, as that may be so",)
    ]


def test_rows_set_aside_of_a_kept_trip_are_lost_not_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    settings = (
        "trip_id,at_s,support,source\n"
        "007,0,high_flow,wall\n"
        "007,60,high_flow,hose\n"  # readable trip and time
        "007,x,high_flow,wall\n"  # unreadable time
        "T2,180,high_flow\n"  # ragged: its cells cannot be trusted, its trip is told
        "T9,240,high_flow,hose\n"  # of no trip
    )
    small_delivery.store(path, small_delivery.write(tmp_path / "d", settings=settings))
    rows = small_delivery.ask(
        path,
        "select trip_id, table_name, lost.line, at_s from delivered.lost"
        " join delivered.trips using (trip_key) order by lost.line",
    )
    assert rows == [
        ("007", "settings", 3, 60),
        ("007", "settings", 4, None),
        ("T2", "settings", 5, None),
    ]


ORDERS = ["at_s desc, cell", "trip_id desc, at_s", "cell desc"]


@pytest.mark.parametrize("order", ORDERS[: examples(1, 3)])
def test_rows_are_stored_by_trip_and_time_whatever_the_order_of_the_file(
    tmp_path: Path, order: str
) -> None:
    rows = duckdb.execute(f"""
        select trip_id, at_s, 60 + (at_s // 60 + row_number() over ()) % 40 as cell
        from unnest(['007', 'T2', 'T3', 'T9']) t(trip_id), range(0, 3600, 60) m(at_s)
        order by {order}""").fetchall()
    text = "".join(f"{trip},{at_s},{cell}\n" for trip, at_s, cell in rows)
    path = tmp_path / "store.duckdb"
    observations = f"trip_id,at_s,spo2_pct\n{text}007,0,60\n"
    small_delivery.store(path, small_delivery.write(tmp_path / "d", observations=observations))
    stored = small_delivery.ask(
        path,
        "select trip_id, at_s, o.line, spo2_pct from delivered.observations o"
        " join delivered.trips using (trip_key) order by o.rowid",
    )
    given = [(*row[:2], line, row[2]) for line, row in enumerate([*rows, ("007", 0, 60)], start=2)]
    assert stored == sorted(row for row in given if row[0] != "T9")


def test_lines_are_right_in_a_file_of_many_rows(tmp_path: Path) -> None:
    rows = 300_000
    bad = {2, 1234, 150_001, rows + 1}
    text = ["trip_id,at_s,spo2_pct"]
    text += [f"007,{line % 5000},{'x' if line in bad else 96}" for line in range(2, rows + 2)]
    folder = small_delivery.write(tmp_path / "d", observations="\n".join(text) + "\n")
    assert {row[1] for row in small_delivery.aside(folder)} == bad


def test_parquet_gives_the_same_rows_as_csv(tmp_path: Path) -> None:
    folder = small_delivery.write(tmp_path / "d", settings=None)
    con = duckdb.connect()
    con.execute(f"""
        copy (select '007' as trip_id, 60.0::DOUBLE as at_s, 'wall' as source,
                     'nan'::DOUBLE as flow_lpm
              union all select '007', 61.5, 'wall', 8.5
              union all select '007', 62, 'hose', 81) to '{folder}/settings.parquet'
    """)
    settings = "trip_id,at_s,source\n007,0,wall\n"
    assert small_delivery.aside(folder) == [
        ("settings.parquet", 2, "at_s", "not-a-whole-number"),
        ("settings.parquet", 3, "flow_lpm", "out-of-range"),
        ("settings.parquet", 3, "source", "not-a-code"),
    ]
    (folder / "settings.csv").write_text(settings)
    assert small_delivery.only(small_delivery.refusals(folder)).code == "table-twice"
    (folder / "settings.csv").unlink()
    (folder / "settings.parquet").write_text("not parquet")
    assert small_delivery.only(small_delivery.refusals(folder)).code == "not-parquet"


def test_windows_over_kept_rows_take_them_in_the_order_they_are_stored_in(tmp_path: Path) -> None:
    """A streamed window takes rows as they come; any other kind would need an order of its own."""
    con = duckdb.connect()
    staged = read_delivery(con, small_delivery.write(tmp_path / "d"))
    delivery = doubtful.Doubted({"settings": "settings.csv"}, staged.export, None, is_store=False)
    kept = stage.good_rows("settings")
    again = rows_of_trips.misplaced_or_again(kept, ["trip_key", "at_s", "line"])
    for sql in [again, *doubtful._jumps(delivery)]:
        plan = con.execute(f"explain {sql}").fetchall()[0][1]
        assert set(re.findall(r"─ (Streaming Window|Window) ─", plan)) == {"Streaming Window"}
        assert "CTE" not in plan  # what is kept for two readers may be handed on in any order


_FORMS_TEXT = """
0 7 -0 -7 +7 007 00 -007 1. .5 1.0 12.7 -.5 - . -. 1e2 1E2 1e+2 1e-2 1.5e1 1e 1e400 1e-400 e1 1_000
1__0 _1 1_ 0x1f 0b11 0o7 1f 1d 1L 7% inf -inf infinity nan NaN null NULL None true 1,0 1'000
2147483647 2147483648 -2147483648 -2147483649 99999999999999999999 0.1000000000000000055511151231
٣ ３ ² ½ Ⅳ \u22127 \u20137 7\u200b 1e1e1 1.2.3 1/2 0.4.
"""
FORMS = _FORMS_TEXT.split()
FORMS += [
    " 7",
    "7\u00a0",
    "7 ",
    " 0.5",
    "\t7",
    "7\t",
    "- 7",
    "7 000",
    "1 e2",
    "9" * 400,
    "0." + "3" * 400,
]
"""How a number might be written: signs, spaces, exponents, separators, bases, other scripts."""


@pytest.mark.parametrize("reader", ["csv", "ragged", "parquet"])
def test_numbers_are_written_in_digits_or_set_aside(tmp_path: Path, reader: str) -> None:
    """Ours to decide, in design page 2's words: read as text, cast explicitly, never repaired."""
    texts = [form for form in FORMS if "," not in form or reader != "ragged"]
    text = "".join(f'007,{n},"{t}","{t}"\n' for n, t in enumerate(texts))
    if reader == "ragged":
        text = text.replace('"', "") + "007,1,2,3,4\n"
    changes = {"observations": f"trip_id,at_s,spo2_pct,resp_rate\n{text}"}
    changes["settings"] = "trip_id,at_s\n" + "".join(f'007,"{t}"\n' for t in FORMS)
    folder = small_delivery.write(tmp_path / "d", **changes)
    if reader == "parquet":
        for name in ("observations", "settings"):
            file = folder / f"{name}.csv"
            source = f"read_csv('{file}', all_varchar=true, header=true)"
            duckdb.execute(f"copy (from {source}) to '{file.with_suffix('.parquet')}'")
            file.unlink()
    path = tmp_path / "store.duckdb"
    small_delivery.store(path, folder)
    number = re.compile(r"-?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]{1,3})?", re.ASCII)
    whole = re.compile(r"-?[0-9]+", re.ASCII)
    kept = small_delivery.ask(
        path, "select at_s, spo2_pct, resp_rate from delivered.observations order by all"
    )
    assert kept == [
        (n, float(t), float(t))
        for n, t in enumerate(texts)
        if number.fullmatch(t) and 0 <= float(t) <= 100
    ]
    times = small_delivery.ask(path, "select at_s from delivered.settings order by at_s")
    assert times == sorted(
        (int(t),) for t in FORMS if whole.fullmatch(t) and 0 <= int(t) <= 172_800
    )
