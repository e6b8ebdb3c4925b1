"""One patient care report at a time: its named elements gathered, then written as rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field

from pipeline.files.text_rows import Batches
from pipeline.mapping.values import PART, SEVERAL
from schemas.record import dataclass

CUSTOM, UUID, ATTRIBUTE = "custom:", "UUID", "@"
RESULTS = "eCustomResults.ResultsGroup"
RESULT, RESULT_OF, REFERS_TO = "eCustomResults.01", "eCustomResults.02", "eCustomResults.03"

NOT_VALUES = {"7701001": "not-applicable", "7701003": "not-recorded", "7701005": "not-reporting"}
APPROXIMATE = "8801029"
PERTINENT_NEGATIVES = {
    "8801001": "contraindication noted",
    "8801003": "denied by order",
    "8801005": "exam finding not present",
    "8801007": "medication allergy",
    "8801009": "medication already taken",
    "8801013": "no known drug allergy",
    "8801015": "none reported",
    "8801017": "not performed by EMS",
    "8801019": "refused",
    "8801021": "unresponsive",
    "8801023": "unable to complete",
    "8801025": "not immunized",
    "8801027": "order criteria not met",
    "8801029": "approximate",
    "8801031": "symptom not present",
}
"""As the data dictionary of version 3.5.1 lists them under eCustomConfiguration.08."""


@dataclass(frozen=True)
class Name:
    """One column of a source: an element, or an attribute of one, or a custom element."""

    element: str | None
    custom: str | None


def parsed(name: str) -> Name:
    """Read a source's name."""
    if name.startswith(CUSTOM):
        return Name(None, name.removeprefix(CUSTOM))
    return Name(name, None)


class Rows:
    """One kind of row: what it is made for, the names in it, and where it is written."""

    def __init__(self, each: str | None, names: list[str], batches: Batches) -> None:
        self.custom = each.removeprefix(CUSTOM) if each and each.startswith(CUSTOM) else None
        self.group = None if self.custom else each
        self.names = [parsed(name) for name in names]
        self.batches = batches


@dataclass
class Group:
    """The report, or one instance of a group in it, and what is said in it at any depth.

    A value stands with the kinds of the groups that are open around it.
    """

    kind: str
    line: int
    ids: list[str]
    inside: Group | None = None
    values: dict[str, list[tuple[str | None, tuple[str, ...]]]] = field(default_factory=dict)

    def outside_of(self, kind: str | None, name: str) -> list[str | None]:
        """The values of an element, but for those within groups of a kind."""
        return [value for value, kinds in self.values.get(name, []) if kind not in kinds]


@dataclass
class Result:
    """One result of a custom element."""

    line: int
    own_id: str | None
    of: str | None = None
    refers_to: str | None = None
    values: list[str | None] = field(default_factory=list)
    notes: list[tuple[int, str, str | None]] = field(default_factory=list)


Why = tuple[str, str | None]
"""What an element says in place of a value, or beside it: a note's code and its detail."""


class Report:
    """The named elements of the report at hand."""

    def __init__(self, rows: list[Rows], notes: Batches) -> None:
        self.rows = rows
        self.notes = notes
        names = [name for kind in rows for name in kind.names]
        self.customs = {name.custom for name in names if name.custom}
        self.customs |= {kind.custom for kind in rows if kind.custom}
        self.names = {name.element for name in names if name.element} - {UUID}
        self.elements = {name.partition(ATTRIBUTE)[0] for name in self.names}
        self.groups = {kind.group for kind in rows if kind.group}
        if self.customs:
            self.elements |= {RESULT, RESULT_OF, REFERS_TO}
            self.groups |= {RESULTS}
        self.seen: set[str] = set()
        self.agency: dict[str, list[tuple[str | None, tuple[str, ...]]]] = {}
        self.clear(0, None)

    def clear(self, line: int, uuid: str | None) -> None:
        """Begin the next report; what the document's header says of the agency holds on."""
        self.count = 0
        whole = Group("", line, [], values={UUID: [(uuid, ())], **self.agency})
        self.open = [whole]
        self.kinds: tuple[str, ...] = ()
        self.instances: dict[str, list[Group]] = {group: [] for group in self.groups}
        self.result: Result | None = None
        self.results: list[Result] = []

    def enter_group(self, name: str, line: int, own_id: str | None) -> None:
        """Begin an instance of a group."""
        if name == RESULTS:
            self.result = Result(line, own_id)
            self.results.append(self.result)
        group = Group(name, line, [own_id] if own_id else [], self.open[-1])
        if name in self.groups:
            self.instances[name].append(group)
        self.open.append(group)
        self.kinds = tuple(group.kind for group in self.open[1:])

    def refer(self, own_id: str) -> None:
        """Note an id by which a result may refer to the groups that are open."""
        for group in self.open:
            group.ids.append(own_id)

    def leave_group(self, name: str) -> None:
        """End the instance that is open."""
        if self.open[-1].kind == name:
            self.open.pop()
            self.kinds = self.kinds[:-1]
            if name == RESULTS:
                self.result = None

    def keep(self, name: str, value: str | None, line: int, why: Why | None) -> None:
        """Keep what a named element says, and why it says nothing, if it does."""
        self.count += 1
        if self.result is not None and name in (RESULT, RESULT_OF, REFERS_TO):
            self._keep_result(self.result, name, value, line, why)
            return
        self.seen.add(name)
        if why:
            self.notes.add(line, (name, why[0], why[1] or ""))
        for group in self.open:
            group.values.setdefault(name, []).append((value, self.kinds))

    def keep_agency(self, name: str, value: str | None) -> None:
        """Keep what the document's header says of the agency whose reports follow."""
        self.seen.add(name)
        self.agency.setdefault(name, []).append((value, ()))

    def _keep_result(
        self, result: Result, name: str, value: str | None, line: int, why: Why | None
    ) -> None:
        if name == RESULT:
            result.values.append(value)
            if why:
                result.notes.append((line, *why))
        elif name == RESULT_OF:
            result.of = value
        else:
            result.refers_to = value

    def write(self) -> None:
        """Write the report's rows, and the notes of those custom elements that are named."""
        self.found: dict[tuple[str, str | None], list[str | None]] = {}
        for result in self.results:
            if result.of not in self.customs:
                continue
            self.seen.add(f"{CUSTOM}{result.of}")
            for line, code, detail in result.notes:
                self.notes.add(line, (f"{CUSTOM}{result.of}", code, detail or ""))
            for reference in {"", result.refers_to}:
                self.found.setdefault((result.of or "", reference), []).extend(result.values)
        for kind in self.rows:
            for line, cells in self._rows(kind):
                kind.batches.add(line, cells)

    def _rows(self, kind: Rows) -> Iterator[tuple[int, list[str]]]:
        """Line and cells of every row of one kind."""
        whole = self.open[0]
        if kind.custom is not None:
            for result in self.results:
                if result.of == kind.custom:
                    yield result.line, [self._of_result(name, result) for name in kind.names]
        elif kind.group is not None:
            for group in self.instances[kind.group]:
                yield group.line, [self._of_group(name, group) for name in kind.names]
        else:
            yield whole.line, [self._of_report(name) for name in kind.names]

    def _of_report(self, name: Name) -> str:
        """The value of an element wherever it stands."""
        if name.custom is not None:
            return cell(self.found.get((name.custom, ""), []))
        return cell(self.open[0].outside_of(None, name.element or ""))

    def _of_group(self, name: Name, group: Group) -> str:
        """The value within a group; where it has none, that of the nearest group around it.

        What groups of its own kind say beside it is theirs, and not looked at.
        """
        if name.custom is not None:
            return self._referring(name, group.ids)
        values = group.outside_of(None, name.element or "")
        around = group.inside
        while not values and around is not None:
            values = around.outside_of(group.kind, name.element or "")
            around = around.inside
        return cell(values)

    def _of_result(self, name: Name, result: Result) -> str:
        if name.custom is None:
            return self._of_report(name)
        if name.custom == result.of:
            return cell(result.values)
        return self._referring(name, [result.own_id] if result.own_id else [])

    def _referring(self, name: Name, ids: list[str]) -> str:
        """The value of the custom element's result that refers to one of the ids."""
        return cell([v for one in ids for v in self.found.get((name.custom or "", one), [])])


def cell(values: list[str | None]) -> str:
    """The one value there is, "" for none; of several all, which no report's text looks like."""
    if len(values) < 2:
        return (values[0] if values else None) or ""
    return SEVERAL + PART.join(value or "" for value in values)


def meaning(
    text: str, nv: str | None, pn: str | None, *, nil: bool
) -> tuple[str | None, Why | None]:
    """An element's value, and what it says in place of one or beside it."""
    if nv is not None:
        code = NOT_VALUES.get(nv, "unknown-reason")
        return None, (code, None if nv in NOT_VALUES else nv[:40])
    if pn is not None:
        known = PERTINENT_NEGATIVES.get(pn)
        detail = f"{known}, {pn}" if known else pn[:40]
        if text and pn == APPROXIMATE:
            return text, ("approximate", None)
        return None, ("negated-value" if text else "pertinent-negative", detail)
    if nil:
        return None, ("nil-without-reason", None)
    return text or None, None
