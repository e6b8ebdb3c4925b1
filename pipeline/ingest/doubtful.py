"""What is legal in a delivery and hardly true: kept, listed and counted.

Each check is a SELECT of (file, line, column_name, problem, what, remedy, rows, service_month), a
row for each thing found: its first line, and in how many rows it is. Thresholds are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from pipeline.errors import CODES
from pipeline.ingest.looks import WORD_COLUMNS, alphabet, perhaps_person, person
from pipeline.ingest.places import FOUND
from pipeline.ingest.screen import declared
from pipeline.ingest.stage import LISTED_BY_MONTH, good_rows
from pipeline.store.sql import literal, quoted
from schemas.catalogue import Catalogue
from schemas.connection import Connection
from schemas.contract import OF_THE_SERVICE, PERCENTS, TABLES, fractions
from schemas.export_file import VOCABULARY_COLUMNS, ExportFile
from schemas.record import dataclass

FEW_CELLS = 3
"""So many cells in the other measure, or half of a column, are no slip of the finger."""

TIMES_MORE, LPM_MORE, STAYS_WITHIN = 2, 8, 0.75
"""A flow that jumps: so many times, and L/min, above both neighbours, alike to this share."""

FIO2_MORE, FIO2_ALIKE = 0.4, 0.1
"""An FiO2 that jumps: by so much above both neighbours, which differ by no more than this."""

ROWS_FORESEEN = 3
"""Where last month's rate foresees so many rows, to have none happens to one month in twenty."""

MAY_BE_EMPTY = ("trips", *OF_THE_SERVICE)
ALIKE = {
    "trip_id": [("trips", "trip_id")],
    "crew_member": [("crew", "crew_member")],
    "base": [("trips", "base"), ("training", "base")],
    "role": [("crew", "role")],
    "diagnosis_group": [("trips", "diagnosis_group")],
    "cannula": [("trips", "sending_cannula"), ("settings", "cannula")],
    "ventilator_unit": [("trips", "ventilator_unit")],
    "heater_unit": [("trips", "heater_unit")],
    "about": [("contacts", "about")],
}
"""Which columns hold tokens of one kind."""


@dataclass(frozen=True)
class Doubted:
    """A staged delivery: the file of each table, and what its settings files say."""

    files: dict[str, str]
    export: ExportFile
    catalogue: Catalogue | None
    is_store: bool


def find_doubtful(con: Connection, delivery: Doubted) -> None:
    """Make `staged_doubtful`; call after rows were kept and the screen has run."""
    put = alphabet(con, "screened")
    selects = [
        *_measures(delivery), *_cannulas(delivery), *_undeclared(delivery), *_alike(delivery, put),
        *_jumps(delivery), *_few_trips(delivery), *_emptied(delivery), *_names(delivery, put),
    ]  # fmt: skip
    con.execute(
        f"create or replace table {FOUND}.staged_doubtful (file VARCHAR, line INTEGER,"
        " column_name VARCHAR, problem VARCHAR, what VARCHAR, remedy VARCHAR, rows INTEGER,"
        " service_month VARCHAR)"
    )
    for select in selects:
        con.execute(f"insert into staged_doubtful {select}")


def _finding(
    code: str,
    file: str,
    column: str | None,
    what: str,
    *,
    rows: str = "count(*)",
    line: str = "min(line)",
    remedy: str | None = None,
    month: str = "null",
) -> str:
    """The columns of a finding; `what`, `remedy`, `rows`, `line` and `month` are SQL."""
    return (
        f"{literal(file)}, ({line})::INTEGER, {literal(column) if column else 'null'},"
        f" {literal(code)}, {what}, {remedy or literal(str(CODES[code].remedy))},"
        f" ({rows})::INTEGER, {month}"
    )


def _good(table: str) -> str:
    return f"(select * from staged_{table} where codes is null and reject_code = 0)"


def _measures(delivery: Doubted) -> Iterator[str]:
    """Percents that look like fractions, and fractions that were set aside as percents are."""
    for table, file in delivery.files.items():
        for name, field in TABLES[table].to_schema().columns.items():
            unit = (field.metadata or {}).get("unit")
            if unit == "%":
                among = f"select line, {quoted(name)} as v from {_good(table)}"
                looks_so = "v > 0 and v <= 1"
                code = "looks-like-fractions"
                what = "the values look like fractions of 1, where percent are asked for"
            elif name in fractions(table):
                position = (
                    "(select min(position) from cell_rules where table_name ="
                    f" {literal(table)} and column_name = {literal(name)})"
                )
                among = (
                    f"select line, coalesce({quoted(name)}, try_cast(raw[{position}] as DOUBLE))"
                    f" as v from staged_{table} where reject_code = 0"
                )
                looks_so = "v > 1 and v <= 100"
                code = "looks-like-percents"
                what = PERCENTS
            else:
                continue
            rows = f"count(*) filter ({looks_so})"
            first = f"min(line) filter ({looks_so})"
            yield (
                f"select {_finding(code, file, name, literal(what), rows=rows, line=first)}"
                f" from ({among}) having {rows} > 0"
                f" and ({rows} >= {FEW_CELLS} or 2 * {rows} >= count(v))"
            )


def _cannulas(delivery: Doubted) -> Iterator[str]:
    """Cannulas that are not in the catalogue, with the nearest that is."""
    if delivery.catalogue is None:
        return
    known = [entry.id for entry in delivery.catalogue.cannula]
    for table, name in ALIKE["cannula"]:
        if table in delivery.files:
            what = "the catalogue does not know this cannula"
            yield _unknown(delivery, table, name, known, code="unknown-cannula", what=what)


def _undeclared(delivery: Doubted) -> Iterator[str]:
    """Words that `[vocabulary]` does not declare, with the nearest that it does."""
    for name, words in declared(delivery.export).items():
        for table in delivery.files:
            if name in TABLES[table].to_schema().columns:
                kind = next(k for k, columns in VOCABULARY_COLUMNS.items() if name in columns)
                what = f"{kind} of [vocabulary] in export.toml does not declare this"
                yield _unknown(delivery, table, name, words, code="undeclared-word", what=what)


def _unknown(
    delivery: Doubted, table: str, name: str, known: list[str], *, code: str, what: str
) -> str:
    near = "null"
    if known:
        texts = ", ".join(map(literal, sorted(known)))
        near = (
            f"list_sort(list_transform([{texts}], lambda k: struct_pack("
            f"far := levenshtein(lower(k), lower({quoted(name)})), word := k)))[1].word"
        )
    said = f"{literal(what)} || coalesce('; the nearest known is ' || {near}, '')"
    unknown = f"{quoted(name)} not in ({', '.join(map(literal, known))})" if known else "true"
    return (
        f"select {_finding(code, delivery.files[table], name, said)} from {_good(table)}"
        f" where {quoted(name)} is not null and {unknown} group by {quoted(name)}"
    )


def _alike(delivery: Doubted, put: Callable[[str], str]) -> Iterator[str]:
    """Tokens of one kind that differ only in case, spaces or punctuation from a commoner one."""
    tokens = [
        f"select {literal(kind)} as kind, {literal(delivery.files[table])} as file,"
        f" {literal(name)} as column_name, {quoted(name)} as token, min(line) as line,"
        f" count(*) as n from {_good(table)} where {quoted(name)} is not null group by all"
        for kind, places in ALIKE.items()
        for table, name in places
        if table in delivery.files
    ]
    if not tokens:
        return
    bare = "lower(token)"
    # between digits something is kept: C-1-11 is not C-11-1
    for _ in range(2):
        bare = rf"regexp_replace({bare}, '([0-9])[^\p{{L}}0-9#]+([0-9])', '\1#\2', 'g')"
    base = rf"regexp_replace({bare}, '(^|[^\p{{L}}])base([^\p{{L}}]|$)', '', 'g')"
    bare = f"(case when kind = 'base' then {base} else {bare} end)"
    bare = put(rf"regexp_replace({bare}, '[^\p{{L}}0-9#+]+', '', 'g')")
    # nearly all tokens have nothing to leave out: one question is quicker than all of these
    plain = "kind <> 'base' and regexp_full_match(token, '[A-Za-z0-9]*')"
    bare = f"case when {plain} then lower(token) else {bare} end"
    what = "this differs only in case, spaces or punctuation from a token that is there as well"
    yield f"""
        with barest as materialized (select *, {bare} as bare from ({" union all ".join(tokens)}))
        select file, min(line)::INTEGER, column_name, 'alike-tokens', {literal(what)},
               {literal(str(CODES["alike-tokens"].remedy))}, sum(n)::INTEGER, null
        from (
            select * from (
                select *, sum(n) over (partition by kind, token) as of_token from barest
                where bare <> '' and (kind, bare) in (
                    select (kind, bare) from barest group by kind, bare
                    having min(token) <> max(token)))
            qualify token <> first(token) over (
                partition by kind, bare order by of_token desc, line, token)
        ) group by file, column_name, token"""


def _jumps(delivery: Doubted) -> Iterator[str]:
    """A flow or FiO2 that jumps up and is back at the next setting, of trips that are kept.

    Undiluted oxygen from wall or cylinder is meant to be 1.0. Rows stand in the order of trips and
    times, so the windows need none of their own.
    """
    if "settings" not in delivery.files:
        return
    settings = good_rows("settings")
    conditions = {
        "flow_lpm": f"v >= {TIMES_MORE} * greatest(p, n) and v - greatest(p, n) >= {LPM_MORE}"
        f" and least(p, n) >= {STAYS_WITHIN} * greatest(p, n)",
        "fio2": f"v - greatest(p, n) >= {FIO2_MORE} and abs(p - n) <= {FIO2_ALIKE}",
    }
    for name, jumps in conditions.items():
        found = _finding(
            "jump-and-back", delivery.files["settings"], name,
            literal("the value jumps up here and is back at the next setting"),
        )  # fmt: skip
        jumped = f"""
            select trip_key, at_s, line from (
                select trip_key, at_s, line, v, lag(v) over () as p, lead(v) over () as n,
                    lag(trip_key) over () = trip_key and lead(trip_key) over () = trip_key as inside
                from (select *, {name} as v from ({settings})) where v is not null)
            where inside and {jumps}"""
        if name == "fio2":
            jumped = f"""
                select j.line from ({jumped}) j left join ({settings}) s
                    on s.trip_key = j.trip_key and (s.at_s, s.line) <= (j.at_s, j.line)
                group by j.line having not coalesce(
                    arg_max(s.source, (s.at_s, s.line)) in ('wall', 'cylinder'), false)"""
        yield f"select {found} from ({jumped}) having count(*) > 0"


def _few_trips(delivery: Doubted) -> Iterator[str]:
    """Months with less than half the trips that the dispatch log has."""
    listed = "expected" in delivery.files
    of_list = LISTED_BY_MONTH if listed else "select ''::VARCHAR as month, 0 as trips where false"
    rows = [
        f"select {literal(month)} as month, {trips} as trips"
        for month, trips in sorted(delivery.export.expected_trips.items())
    ]
    if not rows and not listed:
        return
    # the list outweighs the numbers of the months it has
    expected = "from listed" + "".join(
        f" union all select * from ({row}) where month not in (select month from listed)"
        for row in rows
    )
    what = "count(k.trip_id) || ' of ' || m.expected || ' trips expected in ' || m.month || ' came'"
    found = _finding(
        "few-trips", delivery.files["trips"], "service_month", what,
        rows="count(k.trip_id)", line="null", month="m.month",
    )  # fmt: skip
    yield (
        f"with listed as materialized ({of_list})"
        f" select {found} from ({expected}) m(month, expected)"
        " left join kept_trips k on k.service_month = m.month"
        " group by m.month, m.expected having 2 * count(k.trip_id) < m.expected"
    )


def _emptied(delivery: Doubted) -> Iterator[str]:
    """Tables without a row of a month, where the month before foresees some."""
    months = [(month, _before(month)) for month in delivery.export.months]
    pairs = ", ".join(f"({literal(now)}, {literal(then)})" for now, then in months)
    before = ", ".join(literal(then) for _, then in months)
    held = (
        "with held as materialized (select t.service_month, t.trip_key"
        " from delivered.holding join delivered.trips t using (trip_key)"
        f" where t.service_month in ({before})"
        " and t.service_month not in (select service_month from kept_trips))"
    )
    selects = []
    for table, file in delivery.files.items():
        if table in MAY_BE_EMPTY:
            continue
        counts = [
            "select service_month as month, count(*) as trips, coalesce(sum(n), 0) as n from"
            f" kept_trips left join (select trip_key, count(*) as n {good_rows(table)} group by 1)"
            " using (trip_key) group by all"
        ]
        if delivery.is_store:
            counts.append(
                "select service_month, count(distinct trip_key), count(c.trip_key) from held"
                f" left join delivered.{table} c using (trip_key) group by all"
            )
        what = (
            f"'{table} has no rows in ' || now.month || ', and had ' || b.n || ' the month before'"
        )
        found = _finding(
            "emptied-table", file, None, what, rows="0", line="null", month="now.month"
        )
        selects.append(
            f"select * from (with counted as ({' union all '.join(counts)})"
            f" select {found} from (values {pairs}) m(month, before)"
            " join counted now on now.month = m.month join counted b on b.month = m.before"
            f" where now.n = 0 and b.n * now.trips >= {ROWS_FORESEEN} * b.trips)"
        )
    if selects:
        yield f"{held if delivery.is_store else ''} {' union all '.join(selects)}"


def _names(delivery: Doubted, put: Callable[[str], str]) -> Iterator[str]:
    """Two unknown words in a column of the service's own words, which may be a name."""
    own = declared(delivery.export)
    what = literal("two words that are known to be neither a name nor anything else")
    selects = [
        f"select {_finding('perhaps-a-name', file, name, what)} from {_good(table)}"
        f" where {quoted(name)} in (select value from named where table_name = {literal(table)}"
        f" and name = {literal(name)}) group by {quoted(name)}"
        for table, file in delivery.files.items()
        for name in TABLES[table].to_schema().columns
        if name in WORD_COLUMNS and name not in own
    ]
    if selects:
        # asked once for all columns: to plan so long a condition takes longer than to answer it
        yield (
            f"with named as materialized (select * from screened where {put(perhaps_person())}"
            f" and not {put(person())}) {' union all '.join(selects)}"
        )


def _before(month: str) -> str:
    """The month before one written YYYY-MM."""
    year, number = int(month[:4]), int(month[5:])
    return f"{year - (number == 1):04d}-{number - 1 or 12:02d}"
