"""Markup, formulas, SQL, terminal escapes and control characters in every text that is given.

Through every page, pack, workbook, data file and printed line: text stays text.
"""

from __future__ import annotations

import csv
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from pipeline.cli.handover import AUDIENCES
from pipeline.simulate import simulate
from tests.acceptance.command_runs import Ran
from tests.browser.edge_months import change, replace
from tests.deep import examples
from tests.faults.typed import typed
from tests.followup import reviewed_store

MARK = "Zq7"
"""Stands in every text put in, so that it can be found again."""
TOKENS = [
    f"<img/src={MARK}/onerror=alert(1)>",
    f"{MARK}</script><script>alert(2)</script>",
    f"\"'><svg/onload={MARK}>",
    f"{MARK}';DROP/**/TABLE/**/delivered.trips;--",
    f"{MARK}\");ATTACH'x';--",
    f"{{{{7*7}}}}{MARK}{{%raw%}}",
    f"{MARK}]]><!--<b>",
    f"javascript:{MARK}",
    f"\u202e{MARK}",
]
NEVER_A_TOKEN = [f"=cmd|'{MARK}'!A1", f"+{MARK}", f"-{MARK}", f"@{MARK}", f"{MARK}\x1b[31m",
                 f"{MARK}\x07", f"{MARK}\r\nx"]  # fmt: skip
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\x9b]")
UNSEEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\x9b\u202a-\u202e\u2066-\u2069]")
"""On a page the order of letters may not be turned about either."""


def hostile_delivery(folder: Path) -> Path:
    """A delivery whose every token, label and text tries to be something else."""
    simulate(folder, trips=24, months=2, seed=5)
    tokens: dict[str, str] = {}

    def renamed(kind: str, old: str) -> str:
        return tokens.setdefault(
            f"{kind} {old}", f"{TOKENS[len(tokens) % len(TOKENS)]}{len(tokens)}"
        )

    def rows_of(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        for row in rows:
            for column in ("trip_id", "base", "crew_member", "diagnosis_group", "ventilator_unit",
                           "heater_unit", "authorised_by"):  # fmt: skip
                if row.get(column):
                    row[column] = renamed(column, row[column])
        return rows

    for table in folder.glob("*.csv"):
        if table.name != "planted.csv":
            change(table, rows_of)
    replace(folder / "cannulas.toml", 'label = "', f'label = "<script>{MARK}</script> ')
    replace(folder / "protocol.toml", 'text = "', f'text = "<img src=x onerror={MARK}> ')
    replace(folder / "protocol.toml", 'source = "local', f'source = "=HYPERLINK({MARK}) local')
    return folder


class Elements(HTMLParser):
    """Every attribute that would run something, and what stands in scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.links: list[str] = []
        self.within = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.within = tag if tag in ("script", "style") else ""
        for name, value in attrs:
            if name.startswith("on") or (MARK in (value or "") and name in ("style", "srcdoc")):
                self.found.append(f"<{tag} {name}={value}>")
            if name in ("href", "src", "action", "xlink:href"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        self.within = ""

    def handle_data(self, data: str) -> None:
        if self.within == "script" and re.search(rf"<[a-z/!][^>]*{MARK}|alert\(2\)</", data):
            self.found.append(data[:200])


def markup(text: str) -> list[str]:
    """What of a page's markup came from the texts put in."""
    page = Elements()
    page.feed(text)
    links = [link for link in page.links if link.lower().startswith(("javascript:", "data:text"))]
    return page.found + links


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the hostile delivery reviewed, shared, packed and published."""
    top = tmp_path_factory.mktemp("hostile")
    delivery, into = hostile_delivery(top / "delivery"), top / "out"
    ended = typed("review", delivery, "--into", into, "--edition", "shared", "--by", TOKENS[3])
    assert ended.code in (0, 4), ended
    for audience in AUDIENCES:
        more = {
            "base": ["--base", ask(into, "min(base)")],
            "teaching": ["--trip", ask(into, "min(trip_id)")],
        }.get(audience, [])
        packed = typed("pack", "2026-02", "--for", audience, "--into", into, *more)
        assert packed.code == 0, packed
    return into


def ask(into: Path, what: str) -> str:
    month = "where service_month = '2026-02'"
    return str(reviewed_store.ask(into, f"select {what} from delivered.trips {month}")[0][0])


def test_no_page_or_pack_has_markup_of_theirs(reviewed: Path) -> None:
    pages = sorted(reviewed.rglob("*.html"))
    assert len(pages) > 10
    texts = {page: page.read_text(encoding="utf-8") for page in pages}
    assert sum(MARK in text for text in texts.values()) > 5, "their texts are shown"
    assert {str(p): markup(t) for p, t in texts.items() if markup(t)} == {}
    assert not [p for p, t in texts.items() if CONTROL.search(t)]


def test_no_data_file_has_a_cell_that_a_spreadsheet_would_run(reviewed: Path) -> None:
    files = sorted(reviewed.rglob("*.csv"))
    assert len(files) > 10
    for path in files:
        with path.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        wrong = [c for c in cells if re.match(r"[=+@]|-(?![\d.])", c) or CONTROL.search(c)]
        assert wrong == [], path


def test_no_cell_of_the_workbook_is_a_formula_of_theirs(reviewed: Path) -> None:
    books = sorted(reviewed.rglob("*.xlsx"))
    assert books
    seen = 0
    for path in books:
        for sheet in openpyxl.load_workbook(path):
            for row in sheet.iter_rows():
                for cell in row:
                    seen += MARK in str(cell.value)
                    assert cell.data_type != "f", (path.name, sheet.title, cell.coordinate)
    assert seen > 20


def test_what_may_not_be_a_token_is_set_aside_and_never_printed_raw(tmp_path: Path) -> None:
    """Each on a trip of its own; nor are odd names of files and sheets."""
    folder = tmp_path / "delivery"
    simulate(folder, trips=2 * len(NEVER_A_TOKEN), months=1, seed=5)

    def spoilt(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        own = zip(rows, NEVER_A_TOKEN, strict=False)
        return [{**row, "base": token} for row, token in own] + rows[len(NEVER_A_TOKEN) :]

    change(folder / "trips.csv", spoilt)
    (folder / "x\x1b[31m\x07.csv").write_text("a\n", encoding="utf-8")
    (folder / "<script>.csv").write_text("a\n", encoding="utf-8")
    book = openpyxl.Workbook()
    book.active.title = "a'; DROP <b>"
    book.save(folder / "other.xlsx")
    ended = typed("check", folder)
    assert ended.code == 4, ended
    (told,) = re.findall(r"trips.csv, line 2: base: .* \(in (\d+) rows\)", ended.out)
    assert int(told) == len(NEVER_A_TOKEN)
    assert not CONTROL.search((ended.out + ended.err).replace("\n", ""))


@pytest.mark.parametrize("text", [*TOKENS, *NEVER_A_TOKEN])
def test_text_given_on_the_command_line_is_never_run_or_printed_raw(
    text: str, reviewed: Path, tmp_path: Path
) -> None:
    """Each text in one place, and with `--deep` in every one."""
    before = reviewed_store.ask(reviewed, "select count(*) from delivered.trips")
    target, into = tmp_path / "x.html", ("--into", reviewed)
    places = [
        ("pack", "2026-02", "--for", "base", "--base", text, "--to", target, *into),
        ("pack", text, "--for", "director", "--to", target, *into),
        ("picture", text, "--to", tmp_path / "x.svg", *into),
        ("explain", text),
        ("whatif", "--set", f"wall-oxygen-time.limit_min={text}", *into),
        ("whatif", "--set", f"{text}=5", *into),
        ("publish", text, *into),
        ("publish", "2026-02", "--by", text, "--reproduce", tmp_path / "y", *into),
    ]
    first = [*TOKENS, *NEVER_A_TOKEN].index(text)
    ends = [typed(*place) for place in places[first % examples(8, 1) :: examples(8, 1)]]
    assert all(ended.code in {2, 3} for ended in ends), ends
    assert not any(CONTROL.search((e.out + e.err).replace("\n", "")) for e in ends), ends
    assert reviewed_store.ask(reviewed, "select count(*) from delivered.trips") == before


def determined(
    texts: list[tuple[str, str]], reviewed: Path, tmp_path: Path
) -> tuple[Ran, list[tuple[object, ...]]]:
    """How a sheet with notes and actions, each on a trip of its own, is read; what is kept."""
    into = tmp_path / "out"
    into.mkdir()
    shutil.copy2(reviewed / "store.duckdb", into)
    flags = dict(reviewed_store.flagged(into, "%"))
    assert len(flags) >= len(texts)
    rows = [
        reviewed_store.answer(trip, rule, "practice", note=note, action=action, due_month="2026-03")
        for (trip, rule), (note, action) in zip(flags.items(), texts, strict=False)
    ]
    sheet = reviewed_store.write_csv(tmp_path / "answers.csv", rows)
    ended = typed("determine", sheet, "--into", into, "--by", "R1")
    assert not CONTROL.search((ended.out + ended.err).replace("\n", ""))
    assert typed("ledger", "--into", into).code == 0
    return ended, reviewed_store.ask(into, "select note, action from loop.determination")


def test_a_filled_sheet_takes_no_text_that_a_spreadsheet_would_run(
    reviewed: Path, tmp_path: Path
) -> None:
    """Nor one that moves the cursor: neither as a note nor as an action."""
    for half, texts in enumerate((NEVER_A_TOKEN[:4], NEVER_A_TOKEN[4:])):
        (tmp_path / f"{half}").mkdir()
        ended, kept = determined([(t, t) for t in texts], reviewed, tmp_path / f"{half}")
        assert (ended.code, kept) == (4, [])


def test_a_filled_sheet_keeps_every_token_as_text(reviewed: Path, tmp_path: Path) -> None:
    half = len(TOKENS) // 2
    pairs = [*zip(TOKENS[: half + 1], TOKENS[half:], strict=True)]
    assert {*TOKENS} == {text for pair in pairs for text in pair}
    ended, kept = determined(pairs, reviewed, tmp_path)
    assert ended.code in (0, 4), ended
    assert kept
    assert {*kept} <= {*pairs}
