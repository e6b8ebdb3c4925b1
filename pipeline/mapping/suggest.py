"""Draft a mapping file for a source: what matched, what may have, and what did not.

What is certain stands as a line, with the reason beside it; what is not stands as a comment. What
only the service can know is left to be filled in.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import field
from pathlib import Path

from pipeline.errors import shown
from pipeline.ingest.screen import private_name
from pipeline.mapping.samples import Sample, samples
from pipeline.mapping.suggest_shapes import mark_trips, views_of
from pipeline.mapping.suggest_values import Column
from pipeline.mapping.suggest_words import CODE_WORDS, MARKERS, meant, split_unit
from pipeline.mapping.units import UnknownUnitError, contract_unit, factor
from pipeline.mapping.values import allowed_codes
from pipeline.mapping.words import toml
from schemas.contract import MAY_BE_ABSENT, TABLES
from schemas.export_file import TIMED
from schemas.mapping import ELAPSED
from schemas.record import dataclass

FILL = "# FILL IN"
ALREADY = "tokens already"
IN_WHAT_UNIT = ("s", "min", "months", "kg", "cmH2O")
"""Of these a number does not show its unit: 20 may be pounds, and 5 kilopascals."""

HEAD = """\
# A draft. Lines are what could be matched with certainty, and say why; comments are what could
# not: look at each, and take out the "# " before what is right. {fill} is what only you can know.

mapping = 1
service = ""  {fill}: a token of your own, not the service's name
privacy_basis = ""  {fill}: one of {bases}; your privacy officer decides
{zone}
"""
TOKENS = """\
# Record and crew numbers are replaced by keyed hashes. Make the key once: tailrace map --new-key
[tokens]
key_file = ""  {fill}: a path outside the delivery that only you can read
# crosswalk = ""  # a list of what was hashed, to find a chart again; keep it as well as the key
"""


@dataclass
class Match:
    """One column of theirs that goes by a name of ours: the line, whether it is certain, why."""

    column: str
    theirs: Column
    line: str
    sure: bool
    why: str
    more: list[str] = field(default_factory=list)

    def text(self) -> str:
        """The line as it stands in the draft."""
        lines = [f"{self.line}  # {self.why}", *self.more]
        return "\n".join(lines if self.sure else [f"# {line}" for line in lines])


def suggest(source: Path) -> str:
    """Return the draft; Refused where the source cannot be read."""
    from schemas.contract import PRIVACY_BASES

    found, unread = samples(source)
    if any(sample.format == "nemsis" for sample in found):
        from pipeline.mapping.suggest_reports import suggest_reports

        return suggest_reports(found)
    mark_trips(found)
    found += views_of(found)
    tables = {id(sample): _tables(sample) for sample in found}
    tables_filled = Counter(table for names in tables.values() for table in names)
    parts: list[str] = []
    hashed, local, fine = False, False, False
    assigned: set[str] = set()
    for sample in found:
        text, matches = _sample_text(sample, tables[id(sample)], tables_filled)
        parts.append(text)
        hashed |= any(m.sure and "token =" in m.line for m in matches)
        assigned |= {m.column for m in matches if m.sure and m.why == ALREADY}
        local |= any("time =" in m.line for m in matches)
        fine |= any(_has_seconds(m.theirs) for m in matches if m.column in (*ELAPSED, "bedside"))
    zone = f'time_zone = ""  {FILL}: as in Europe/Berlin or America/Denver' if local else ""
    absent = [table for table in TABLES if table not in (*tables_filled, *MAY_BE_ABSENT)]
    head = HEAD.format(
        fill=FILL, bases=", ".join(b for b in PRIVACY_BASES if b != "safe-harbor"), zone=zone
    )
    if absent:
        head += "# nothing was found for these: see whether you really do not keep them\n"
        head += f"not_recorded = {toml(absent)}\n"
    head += "\n[time_resolution_s]\n" + _resolutions(tables_filled, fine=fine)
    left = [f"# not read: {line}" for error in unread for line in str(error).splitlines()]
    return "\n".join([*left, head, *_token_lines(assigned, hashed=hashed), *parts])


def _token_lines(assigned: set[str], *, hashed: bool) -> list[str]:
    """What [tokens] says: a key for what is hashed, and which columns hold tokens already."""
    lines = [TOKENS.format(fill=FILL)] if hashed else ["[tokens]"] if assigned else []
    return lines + [f'{column} = "assigned"  # {ALREADY}\n' for column in sorted(assigned)]


def _resolutions(tables_filled: Counter[str], *, fine: bool) -> str:
    why = "some times in the sample show seconds" if fine else "no time in the sample shows seconds"
    value = 1 if fine else 60
    return "".join(f"{t} = {value}  # CHECK: {why}\n" for t in TIMED if t in tables_filled)


def _has_seconds(column: Column) -> bool:
    return any(re.search(r":[0-9]{2}:(?!00)[0-9]{2}", value) for value in column.filled)


def _tables(sample: Sample) -> list[str]:
    """The tables a source seems to hold, by how many of their columns it has."""
    found = []
    for table, (least, markers) in MARKERS.items():
        known = meant(table)
        present = {known.get(split_unit(column.plain)[0]) for column in sample.columns}
        if len(present & set(markers.split())) >= least:
            found.append(table)
    return found


def _sample_text(
    sample: Sample, tables: list[str], tables_filled: Counter[str]
) -> tuple[str, list[Match]]:
    place = "views" if sample.format == "view" else "files"
    lines = [f"[{place}.{sample.key}]", *sample.lines]
    used = set(sample.used)
    every: list[Match] = []
    for table in tables:
        matches = _matches(sample, table)
        every += matches
        used |= {match.theirs.template for match in matches}
        lines += ["", *_table_lines(sample, table, matches, several=tables_filled[table] > 1)]
    for column in sample.columns:
        if column.template not in used:
            kind = private_name(column.name)
            why = (
                f"its name says that it holds {kind}" if kind else "no column of ours by that name"
            )
            lines.append(f"# not used: {toml(shown(column.template))} ({why})")
    if not tables and not used:
        lines.append("# nothing in it goes by a name that is known here")
    return "\n".join([*lines, ""]), every


def _table_lines(sample: Sample, table: str, matches: list[Match], *, several: bool) -> list[str]:
    name = f"{table}-{sample.key}" if several else table
    lines = [f"[tables.{name}]"]
    if several:
        lines.append(f'into = "{table}"')
    lines.append(f'from = "{sample.key}"')
    if sample.format == "view":
        lines.append("skip_empty = true  # the same rows may hold what is another table's")
    slots = sorted({slot for match in matches for slot in match.theirs.slots})
    if slots:
        lines.append(f'repeat = "{slots[0]}-{slots[-1]}"  # numbered columns')
    lines += [match.text() for match in matches if match.column == "bedside"]
    lines.append(f"[tables.{name}.columns]")
    lines += [match.text() for match in matches if match.column != "bedside"]
    present = {match.column for match in matches if match.sure}
    for column, ours in TABLES[table].to_schema().columns.items():
        if column == "service_month" and "bedside" in present:
            continue
        if not ours.nullable and column not in present:
            lines.append(f'# {column} = ""  {FILL}: {ours.description}')
    return lines


def _matches(sample: Sample, table: str) -> list[Match]:
    """Every column that goes by a name of the table's; none is certain if two claim one name."""
    known = meant(table)
    order = ["bedside", *TABLES[table].to_schema().columns]
    found = []
    for column in sample.columns:
        words, unit = split_unit(column.plain)
        ours: str | None = known.get(words)
        if sample.trip is not None and "trip_id" in known.values():
            if column.template == sample.trip:
                ours = "trip_id"
            elif ours == "trip_id":
                continue
        if ours is not None and (not column.slots or table == "observations"):
            found.append(_match(table, ours, column, unit))
    count = Counter(match.column for match in found)
    for match in found:
        if count[match.column] > 1:
            match.sure, match.why = False, "several columns go by a name of this one"
    return sorted(found, key=lambda match: order.index(match.column))


def _match(table: str, ours: str, column: Column, unit: str | None) -> Match:
    name = toml(column.template)
    if ours in ("bedside", "service_month", "month") or (
        ours in (*ELAPSED, "age_months") and not column.is_number
    ):
        return _time_match(ours, column, name)
    if ours in ("trip_id", "crew_member"):
        if column.are_tokens:
            return Match(ours, column, f"{ours} = {name}", True, ALREADY)
        kind = "trip" if ours == "trip_id" else "crew"
        line = f'{ours} = {{ from = {name}, token = "{kind}" }}'
        return Match(ours, column, line, True, "by its name; hashed")
    if contract_unit(table, ours) is not None:
        return _number_match(table, ours, column, unit)
    if allowed_codes(table, ours) is not None:
        return _code_match(table, ours, column, name)
    return Match(ours, column, f"{ours} = {name}", True, "by its name")


def _time_match(ours: str, column: Column, name: str) -> Match:
    months = [re.fullmatch(r"[0-9]{4}-[0-9]{2}", value) for value in column.filled]
    if ours in ("service_month", "month") and months and all(months):
        return Match(ours, column, f"{ours} = {name}", True, "by its name and values")
    if column.is_clock and ours in ELAPSED:
        line = f'{ours} = {{ from = {name}, time = "%H:%M", date = "bedside" }}'
        other = f'or, if it is a duration: {ours} = {{ from = {name}, unit = "h:mm" }}'
        return Match(ours, column, line, False, other)
    formats, why = column.time_format()
    line = f"{ours} = {{ from = {name}, time = {toml(formats[0] if formats else '')} }}"
    if len(formats) > 1:
        why += f"; or {toml(formats[1])}"
    return Match(ours, column, line, len(formats) == 1, why)


def _number_match(table: str, ours: str, column: Column, unit: str | None) -> Match:
    name, field_ = toml(column.template), TABLES[table].to_schema().columns[ours]
    own = contract_unit(table, ours)
    assert own is not None
    if not column.is_number:
        why = "the sample has no value" if not column.filled else "not all values are numbers"
        return Match(ours, column, f"{ours} = {name}", False, why)
    low, high = column.range
    if unit is None and own == "1" and low >= 21:
        unit, reason = "percent", f"values from {low:g} to {high:g} can only be percent"
    elif unit is None and own == "%" and 0 < high <= 1:
        unit, reason = "dimensionless", f"values from {low:g} to {high:g} can only be fractions"
    elif unit is not None:
        reason = "by its name and unit"
    elif own in IN_WHAT_UNIT:
        return Match(ours, column, f'{ours} = {{ from = {name}, unit = "" }}', False,
                     f"in what unit? values from {low:g} to {high:g}")  # fmt: skip
    else:
        reason = f"by its name; values from {low:g} to {high:g} fit {own}"
    try:
        times = factor(unit, own) if unit else 1.0
    except UnknownUnitError as error:
        return Match(ours, column, f"{ours} = {name}", False, str(error))
    least, most = _bounds(field_)
    fits = low * times >= least and high * times <= most
    line = f"{ours} = {{ from = {name}, unit = {toml(unit)} }}" if unit else f"{ours} = {name}"
    if not fits:
        reason = f"values from {low:g} to {high:g} do not fit"
    return Match(ours, column, line, fits, reason)


def _bounds(field_: object) -> tuple[float, float]:
    least, most = float("-inf"), float("inf")
    for check in getattr(field_, "checks", []):
        least = max(least, check.statistics.get("min_value", least))
        most = min(most, check.statistics.get("max_value", most))
    return least, most


def _code_match(table: str, ours: str, column: Column, name: str) -> Match:
    allowed = allowed_codes(table, ours) or []
    if column.filled and set(column.filled) <= set(allowed):
        return Match(ours, column, f"{ours} = {name}", True, "by its name and values")
    codes = column.codes
    if not codes:
        why = f"its values are to be mapped to {', '.join(allowed)}"
        return Match(ours, column, f"{ours} = {{ from = {name}, codes = {{}} }}", False, why)
    known = {**{code: code for code in allowed}, **CODE_WORDS.get(ours, {})}
    pairs = {
        code: known.get(code.lower().replace("_", " "), known.get(code.lower())) for code in codes
    }
    listed = ", ".join(f"{toml(code)} = {toml(to)}" for code, to in pairs.items() if to)
    open_ = [code for code, to in pairs.items() if not to]
    line = f"{ours} = {{ from = {name}, codes = {{ {listed} }} }}"
    more = [f'# what is {toml(shown(code))}? "" if it says nothing' for code in open_]
    why = "by its name and values" if not open_ else "some values are not known"
    return Match(ours, column, line, not open_, why, more)
