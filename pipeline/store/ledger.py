"""The ledger: who did what to the store, each entry chained to the one before by its hash.

Entries carry digests of what they stored, so that a change made behind the program's back shows
as well as a change of the ledger itself. Whoever rewrites all of it consistently is not found
out by the store alone: a publication prints the hash it ends with, which can be kept elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from pipeline.store.database import one
from pipeline.store.followup_tables import ensure_followup_tables, has_followup_tables, has_table
from schemas.connection import Connection
from schemas.record import dataclass

FIRST = "0" * 64
NOTHING = hashlib.sha256(b"").hexdigest()
"""The digest of no rows."""

STORED_BY = {
    "determinations": {
        "determination": "SELECT * FROM loop.determination WHERE sheet_no = $1",
        "determination_rule": """
            SELECT r.* FROM loop.determination_rule r JOIN loop.determination USING
            (determination_no) WHERE sheet_no = $1""",
        "finding": """
            SELECT f.* FROM loop.finding f JOIN loop.determination USING
            (determination_no) WHERE sheet_no = $1""",
    },
    "move": {"move": "SELECT * FROM loop.move WHERE move_no = $1"},
    "corrections": {"correction": "SELECT * FROM loop.correction WHERE sheet_no = $1"},
    "retrainings": {"retraining": "SELECT * FROM loop.retraining WHERE sheet_no = $1"},
    "fetch": {"fetch_said": "SELECT * FROM loop.fetch_said WHERE said_no = $1"},
    "publication": {
        name: f"SELECT * FROM loop.{name} WHERE publication_no = $1"
        for name in ("publication", "published_figure", "published_verdict", "published_file")
    },
}
"""What each kind of entry stored, as SQL by the entry's number."""


@dataclass(frozen=True)
class Entry:
    """One line of the ledger; `detail` is canonical JSON."""

    entry_no: int
    what: str
    detail: str
    previous_hash: str
    hash: str

    @property
    def parsed(self) -> dict[str, Any]:
        """The detail as it was recorded; empty if it cannot be read."""
        try:
            read = json.loads(self.detail)
        except ValueError:
            return {}
        return read if isinstance(read, dict) else {}

    @property
    def recomputed_hash(self) -> str:
        """The hash this entry must have."""
        text = "\n".join([self.previous_hash, str(self.entry_no), self.what, self.detail])
        return hashlib.sha256(text.encode()).hexdigest()


def record(con: Connection, what: str, detail: dict[str, Any]) -> None:
    """Add an entry; call inside the transaction of what it tells of. None values are left out."""
    if not has_followup_tables(con):
        ensure_followup_tables(con)
    last = _last(con)
    if last is None and what != "opened":
        (held,) = one(con, "SELECT count(*) FROM delivered.receipt")
        if held > (what == "delivery"):
            # a store from before there was a ledger: say where it begins
            record(con, "opened", {"receipts_before": held - (what == "delivery")})
            last = _last(con)
    kept = {key: value for key, value in detail.items() if value is not None}
    text = json.dumps(kept, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    entry = Entry(last[0] + 1 if last else 1, what, text, last[1] if last else FIRST, "")
    con.execute(
        "INSERT INTO loop.ledger VALUES (?, ?, ?, ?, ?)",
        [entry.entry_no, what, text, entry.previous_hash, entry.recomputed_hash],
    )


def record_delivery(con: Connection, delivery_no: int, by: str | None, corrected: range) -> None:
    """Add the entry of a delivery that was just received, new or again.

    `corrected`: keys of the content that was made of it by corrections.
    """
    ensure_followup_tables(con)
    content, receipt = one(
        con,
        "SELECT content_hash, (SELECT max(receipt_no) FROM delivered.receipt)"
        " FROM delivered.delivery WHERE delivery_no = ?",
        [delivery_no],
    )
    record(con, "delivery", {
        "delivery": delivery_no, "receipt": receipt, "content_hash": content, "by": by,
        "rows": content_digests(con, _of_delivery(delivery_no)), "engine": _engine(con),
        "made": _corrected_content(con, corrected),
    })  # fmt: skip


def record_stored(
    con: Connection, what: str, number: int, detail: dict[str, Any], corrected: range = range(0)
) -> None:
    """Add an entry for rows just stored under `number`, with their digests."""
    stored = {name: digest(con, sql, number) for name, sql in STORED_BY[what].items()}
    marked = (
        {"made": _corrected_content(con, corrected), "engine": _engine(con)} if corrected else {}
    )
    record(con, what, {**detail, **marked, "no": number, "rows": stored})


def record_shared(con: Connection, month: str, by: str | None, base: str | None = None) -> None:
    """Add the entry of an edition handed over, with every period that no entry told of yet.

    `base`: the base whose pack it is; None for the whole edition.
    """
    parsed = {p for e in entries(con) if e.what == "shared" for p in e.parsed.get("periods", {})}
    new = {name: mark for name, mark in _periods(con).items() if name not in parsed}
    record(con, "shared", {"reviewed": month, "by": by, "base": base, "periods": new})


def _periods(con: Connection) -> dict[str, str]:
    """A digest of what each period shared so far was told with, by its months."""
    if not has_table(con, "shared_period"):
        return {}
    rows = con.execute(
        "SELECT first_month || ' to ' || last_month, sha256(told) FROM loop.shared_period"
        " ORDER BY 1"
    ).fetchall()
    return {str(name): str(mark) for name, mark in rows}


def entries(con: Connection) -> list[Entry]:
    """Every entry in order; none in a store from before there was a ledger."""
    if not has_followup_tables(con):
        return []
    rows = con.execute("FROM loop.ledger ORDER BY entry_no").fetchall()
    return [Entry(*row) for row in rows]


def head(con: Connection) -> str:
    """The hash the ledger ends with."""
    last = _last(con) if has_followup_tables(con) else None
    return last[1] if last else FIRST


def verify(con: Connection) -> list[str]:
    """What does not hold together, one sentence each; nothing if the ledger is whole."""
    found = entries(con)
    problems = _chain(found)
    for entry in found:
        if entry.hash == entry.recomputed_hash:
            problems += _changed_rows(con, entry)
    return problems + (_not_in_ledger(con, found) if has_followup_tables(con) else [])


def digest(con: Connection, sql: str, number: int) -> str:
    """SHA-256 over the rows of a query in a fixed order."""
    (found,) = one(
        con,
        f"SELECT sha256(coalesce(string_agg(line, chr(10) ORDER BY line), ''))"
        f" FROM (SELECT to_json(t)::VARCHAR AS line FROM ({sql}) t)",
        [number],
    )
    return str(found)


def content_digests(con: Connection, keys: str) -> dict[str, list[Any]]:
    """Rows and a digest of every table for the trips of `keys`, SQL that gives trip_key.

    A streaming digest: it tells an edit, and would not withstand a skilled forger.
    """
    from schemas.contract import ADDED
    from schemas.stored import CHILD_TABLES, STORED

    digests = []
    for table in ("trips", *CHILD_TABLES, "lost"):
        added = ADDED.get(table, ())
        columns = ", ".join(f'"{name}"' for name in STORED[table].columns if name not in added)
        row = f"hash({columns})"
        if added:
            # a row without any of them has the digest it had before the contract gained them
            more = ", ".join(f'"{name}"' for name in added)
            row = f"CASE WHEN coalesce({', '.join(f'{name}::VARCHAR' for name in added)}) IS NULL"
            row += f" THEN hash({columns}) ELSE hash({columns}, {more}) END"
        digests.append(
            f"SELECT '{table}', count(*), coalesce(bit_xor({row}), 0) FROM delivered.{table}"
            " SEMI JOIN chosen USING (trip_key)"
        )
    found = con.execute(f"WITH chosen AS ({keys}) {' UNION ALL '.join(digests)}").fetchall()
    return {table: [rows, f"{mark:016x}"] for table, rows, mark in found}


def _of_delivery(delivery_no: int) -> str:
    """The trips as delivered, without what was made of them by corrections."""
    return (
        f"SELECT trip_key FROM delivered.trips WHERE delivery_no = {delivery_no}"
        " EXCEPT SELECT trip_key FROM loop.corrected"
    )


def _corrected_content(con: Connection, keys: range) -> dict[str, Any] | None:
    """What tells corrected content: its keys, from the first to before the last, and digests."""
    if not keys:
        return None
    between = f"SELECT unnest(range({keys.start}, {keys.stop}))::INTEGER AS trip_key"
    return {"keys": [keys.start, keys.stop], "rows": content_digests(con, between)}


def _last(con: Connection) -> tuple[int, str] | None:
    rows = con.execute(
        "SELECT entry_no, hash FROM loop.ledger ORDER BY entry_no DESC LIMIT 1"
    ).fetchall()
    return (int(rows[0][0]), str(rows[0][1])) if rows else None


def _engine(con: Connection) -> str:
    return str(one(con, "SELECT version()")[0])


def _chain(found: list[Entry]) -> list[str]:
    problems = []
    previous = FIRST
    for place, entry in enumerate(found, start=1):
        if entry.entry_no != place:
            problems.append(
                f"Entry {place} is missing: entry {entry.entry_no} stands in its place."
            )
            break
        if entry.previous_hash != previous:
            problems.append(f"Entry {place} does not follow from the one before it.")
        if entry.hash != entry.recomputed_hash:
            problems.append(f"Entry {place} ({entry.what}) was changed after it was written.")
        previous = entry.hash
    return problems


def _changed_rows(con: Connection, entry: Entry) -> list[str]:
    """Where the rows an entry tells of are no longer what they were."""
    detail = entry.parsed
    number = int(detail.get("delivery" if entry.what == "delivery" else "no") or 0)
    same_engine = detail.get("engine") == _engine(con)
    now: dict[str, Any] = {}
    if entry.what == "delivery" and same_engine:
        now = content_digests(con, _of_delivery(number))
    elif entry.what in STORED_BY:
        now = {
            name: digest(con, sql, number)
            for name, sql in STORED_BY[entry.what].items()
            if has_table(con, name)
        }
    rows = detail.get("rows") or {}
    # an entry of a version that did not have a table yet tells that nothing stands there
    changed = [name for name in now if rows.get(name, NOTHING) != now[name]]
    if same_engine and detail.get("made"):
        judged_rows = detail["made"]
        marks = _corrected_content(con, range(*judged_rows["keys"])) or {"rows": {}}
        changed += [
            name for name, mark in marks["rows"].items() if judged_rows["rows"].get(name) != mark
        ]
    return [
        f"Rows of {name} were changed after entry {entry.entry_no} ({entry.what} {number}) told"
        " of them."
        for name in changed
    ]


def _not_in_ledger(con: Connection, found: list[Entry]) -> list[str]:
    """What is in the store although no entry tells of it."""
    # an entry that was changed tells nothing: its hash is told of elsewhere
    details = [(e.what, e.parsed) for e in found if e.hash == e.recomputed_hash]
    before = sum(detail.get("receipts_before", 0) for what, detail in details if what == "opened")
    (receipts,) = one(con, "SELECT count(*) FROM delivered.receipt")
    problems = []
    if len(details) < len(found):
        return _contents(con)
    if found and receipts != before + sum(what == "delivery" for what, _ in details):
        problems.append("The deliveries received are not those the ledger tells of.")
    for what, sql in _NUMBERS.items():
        recorded = {d.get("no") for w, d in details if w == what}
        rows = con.execute(sql).fetchall() if has_table(con, next(iter(STORED_BY[what]))) else []
        if {no for (no,) in rows} != recorded:
            problems.append(f"What is stored of {what} is not what the ledger tells of.")
    for what, (column, tables) in _LISTS.items():
        listed = {(d.get("month"), v) for w, d in details if w == what for v in d.get(column, [])}
        stored = [sql for table, sql in tables.items() if has_table(con, table)]
        if set(con.execute(" UNION ".join(stored)).fetchall()) != listed:
            problems.append(f"What is stored of {what} is not what the ledger tells of.")
    shared = [d.get("periods", {}) for w, d in details if w == "shared"]
    # before the first entry of this kind there was none to tell of a period
    if shared and _periods(con) != {
        name: mark for recorded in shared for name, mark in recorded.items()
    }:
        problems.append("What is stored of shared periods is not what the ledger tells of.")
    return problems + _contents(con)


_LISTS = {
    "audit": ("trips", {
        name: f"SELECT month, trip_id FROM loop.{name}" for name in ("audit", "audit_trip")
    }),
    "baseline": ("months", {"baseline": "SELECT NULL, month FROM loop.baseline"}),
}  # fmt: skip
"""Kinds of entry that list what they stored: where, and SQL of each table that has it."""

_NUMBERS = {
    "determinations": "SELECT DISTINCT sheet_no FROM loop.determination",
    "corrections": "SELECT DISTINCT sheet_no FROM loop.correction",
    "retrainings": "SELECT DISTINCT sheet_no FROM loop.retraining",
    "publication": "SELECT publication_no FROM loop.publication",
    "move": "SELECT move_no FROM loop.move",
    "fetch": "SELECT DISTINCT said_no FROM loop.fetch_said",
}


def _contents(con: Connection) -> list[str]:
    """Published files whose bytes are gone or are not those published."""
    import zlib

    problems = []
    rows = con.execute("SELECT sha256, packed FROM loop.file_content").fetchall()
    whole = set()
    for name, packed in rows:
        try:
            if hashlib.sha256(zlib.decompress(packed)).hexdigest() == name:
                whole.add(name)
        except zlib.error:
            continue
    for path, name in con.execute(
        "SELECT path, sha256 FROM loop.published_file ORDER BY ALL"
    ).fetchall():
        if name not in whole:
            problems.append(f"The published file {path} is not as it was published.")
    return problems
