"""What `tailrace ledger` prints."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import Problem, problem
from pipeline.store.ledger import Entry, entries, verify
from pipeline.store.session import STORE, store_in

SHORT = 12


def ledger(folder: Path) -> tuple[str, list[Problem]]:
    """Every entry as a line, and what does not hold together; no problem if it is whole."""
    with store_in(folder, read_only=True) as con:
        found = entries(con)
        broken = verify(con)
    lines = [_line(entry) for entry in found]
    problems = [problem("ledger-broken", STORE, sentence.rstrip(".")) for sentence in broken]
    if not found:
        lines.append("The ledger is empty: nothing was done to this store since it keeps one.")
    elif not broken:
        lines.append(f"The ledger is whole: {len(found)} entries.")
    return "\n".join(lines), problems


def _line(entry: Entry) -> str:
    detail = entry.parsed
    by = f" by {detail['by']}" if detail.get("by") else ""
    try:
        words = _words(entry.what, detail)
    except (KeyError, TypeError, IndexError):
        # only a changed entry: what is wrong with it is said below the list
        words = f"{entry.what}, which cannot be read"
    return f"{entry.entry_no:>4}  {entry.hash[:SHORT]}  {words}{by}"


def _words(what: str, detail: dict[str, Any]) -> str:
    if what == "opened":
        return f"the ledger begins; {detail['receipts_before']} deliveries came before it"
    if what == "delivery":
        trips = detail["rows"]["trips"][0]
        content = detail["content_hash"][:SHORT]
        return f"delivery {detail['delivery']} received: {trips} trips, content {content}"
    if what == "baseline":
        return f"baseline: {', '.join(detail['months'])}"
    if what == "audit":
        return f"audit of {detail['month']}: {len(detail['trips'])} trips drawn"
    if what in ("publication", "shared", "move"):
        return _handed_out(what, detail)
    kept, read = detail["rows_kept"], detail["rows_read"]
    if what == "fetch":
        what = f"records to fetch, {detail['state'].replace('_', ' ')}"
    sheet = "" if what.startswith("records") else f", sheet {detail['no']}"
    return f"{what}: {kept} of {read} rows stored{sheet}"


def _handed_out(entry: str, detail: dict[str, Any]) -> str:
    if entry == "move":
        return f"{detail['thing']} {detail['key']}: {detail['state']}".replace("_", " ")
    if entry == "publication":
        over = ", ".join(f"{count} {kind}" for kind, count in detail.get("anyway", {}).items())
        left = f", anyway: {over}" if over else ""
        return f"{detail['month']} published: {detail['files']} files{left}"
    periods = ", ".join(detail["periods"])
    first = f", for the first time {periods}" if periods else ", no period for the first time"
    base = detail.get("base")
    what = f"pack of base {base}" if base else "shared edition"
    return f"{what} of {detail['reviewed']} handed over{first}"
