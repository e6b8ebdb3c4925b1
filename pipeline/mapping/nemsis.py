"""Patient care reports of the NEMSIS standard, version 3.5, streamed into rows of text.

An element is named by its number ("eVitals.12"), a local one by its CustomElementID
("custom:flow"), an attribute by its element ("eVitals.16@ETCO2Type"), the report itself by "UUID".
Only elements that are named are looked at. A row is made for every report, for every group of a
kind (each = "eVitals.VitalGroup"), or for every result of a custom element (each =
"custom:setting") with the results that refer to it.

What an element says in place of a value is kept apart from saying nothing: NOT values (attribute
NV), pertinent negatives (PN) and bare nils are noted one by one.
"""

from __future__ import annotations

import re

from pipeline.errors import Problem, Refused
from pipeline.files.delimited import LONGEST_CELL
from pipeline.files.text import unpacked
from pipeline.files.text_rows import Batches
from pipeline.files.xml_stream import SEPARATOR, Stream, local
from pipeline.mapping.files import Found
from pipeline.mapping.plan import Entry, TablePlan, wanted_by
from pipeline.mapping.report import ATTRIBUTE, CUSTOM, UUID, Report, Rows, meaning
from pipeline.mapping.source_rows import Source
from pipeline.mapping.words import problem, reading, refused
from pipeline.store.sql import literal
from schemas.connection import Connection

NAMESPACE = "http://www.nemsis.org"
INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
VERSION = "3.5"
ROOT, HEADER, REPORT = "EMSDataSet", "Header", "PatientCareReport"
STATED_VERSION = re.compile(r"nemsis_v3/(?:release-)?([0-9]+\.[0-9]+)")
AGENCY = "dAgency."
"""Elements that the document's header has, of the agency whose reports follow it."""

ELEMENT = re.compile(r"(e[A-Z][A-Za-z]*|dAgency)\.([0-9]{2}|[A-Za-z]+Group(?=@))(@[A-Za-z0-9]+)?")
GROUP = re.compile(r"e[A-Z][A-Za-z]*\.[A-Za-z]+Group")

MOST_DEPTH = 200
MOST_CELLS = 1_000_000
"""What one report may hold of the elements that are named: far more than any has."""


def read_reports(
    con: Connection, entry: Entry, for_views: Source | None = None
) -> dict[int, Source]:
    """Read the reports of one entry into one relation for each kind of row; notes go to `note`.

    `for_views`: a source to be filled with what views see of the same reports.
    """
    plans = entry.plans
    _check_names(plans, entry.spec.each)
    kinds = list(dict.fromkeys(plan.map.each for plan in plans))
    sources = {}
    for at, each in enumerate(kinds):
        names, _ = wanted_by([plan for plan in plans if plan.map.each == each])
        sources[each] = Source(f"source_{entry.number}_{at}", names, present=set(names))
    filled = list(sources.items()) + ([(entry.spec.each, for_views)] if for_views else [])
    for _, source in filled:
        source.create(con)
    seen: set[str] = set()
    for found in entry.files:
        seen |= _read_file(con, filled, found)
    _note_never_there(con, entry.files, [source for _, source in filled], seen)
    return {plan.number: sources[plan.map.each] for plan in plans}


def elements_in(sql: str) -> list[str]:
    """The names of elements, attributes and custom elements that stand in double quotes in SQL."""
    quoted = dict.fromkeys(re.findall('"([^"]+)"', sql))
    known = (n for n in quoted if n == UUID or n.startswith(CUSTOM) or ELEMENT.fullmatch(n))
    return list(known)


def _check_names(plans: list[TablePlan], of_views: str | None) -> None:
    """Refuse names that no report can have."""
    problems: list[Problem] = []
    named = [(plan.name, dict.fromkeys(plan.wanted()[0], ELEMENT), plan.map.each) for plan in plans]
    for where, names, each in [*named, ("files", {}, of_views)]:
        for name, pattern in (names | ({each: GROUP} if each else {})).items():
            if name == UUID or name.startswith(CUSTOM) or pattern.fullmatch(name):
                continue
            what = f'"{name}" is not the number of an element, as eVitals.12 is'
            if pattern is GROUP:
                what = f'"{name}" is not the name of a group, as eVitals.VitalGroup is'
            problems.append(problem("toml-content", "mapping file", what, column=where))
    if problems:
        raise Refused(problems)


def _read_file(con: Connection, sources: list[tuple[str | None, Source]], found: Found) -> set[str]:
    """Stream one document into the sources' relations; return the names it has."""
    rows = []
    for each, source in sources:
        cells = "".join(f", c{place}" for place in range(len(source.names)))
        select = f"{source.add_file(found.name)}, line, 0{cells}"
        batches = Batches(con, f"insert into {source.relation} select {select}")
        rows.append(Rows(each, source.names, batches))
    notes = Batches(con, f"insert into note select {literal(found.name)}, line, c0, c1, c2")
    document = Document(found.name, rows, notes)
    with reading(found.name):
        document.stream.run(unpacked(found.path))
    for batches in (notes, *(kind.batches for kind in rows)):
        batches.flush()
    if not document.version_stated:
        con.execute(
            "insert into note values (?, 1, 'schemaLocation', 'version-unstated', null)",
            [found.name],
        )
    return document.report.seen


class Document:
    """Handlers for one document: follow the reports, and gather the named elements of each."""

    def __init__(self, name: str, rows: list[Rows], notes: Batches) -> None:
        self.name = name
        self.stream = Stream()
        self.report = Report(rows, notes)
        prefix = NAMESPACE + SEPARATOR
        self.elements = {prefix + name: name for name in self.report.elements}
        self.follows_groups = bool(self.report.groups)
        self.attributes_of: dict[str, list[str]] = {}
        for named in self.report.names:
            element, _, attribute = named.partition(ATTRIBUTE)
            if attribute:
                self.attributes_of.setdefault(element, []).append(attribute)
        self.depth = 0
        self.inside = False
        self.reading: str | None = None
        self.attributes: dict[str, str] = {}
        self.line = self.size = 0
        self.texts: list[str] = []
        self.version_stated = False
        self.stream.parser.StartElementHandler = self.start
        self.stream.parser.EndElementHandler = self.end

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Enter an element."""
        self.depth += 1
        if not self.inside:
            self._start_outside_a_report(name, attributes)
            return
        if self.depth > MOST_DEPTH:
            raise self._refusal("xml-syntax", "elements are nested too deeply")
        own_id = attributes.get("CorrelationID")
        if self.follows_groups and name.endswith("Group"):
            kind = local(name)
            self.report.enter_group(kind, self.stream.line, own_id)
            self._keep_attributes(kind, attributes)
        elif own_id is not None:
            self.report.refer(own_id)
        self._read(name, attributes)

    def _read(self, name: str, attributes: dict[str, str]) -> None:
        if name in self.elements:
            self.reading = name
            self.attributes = attributes
            self.line = self.stream.line if attributes else 0
            self.texts, self.size = [], 0
            self.stream.parser.CharacterDataHandler = self.text

    def text(self, text: str) -> None:
        """Gather the text of a named element."""
        self.size += len(text)
        if self.size > LONGEST_CELL:
            raise self._refusal("line-too-long", "an element holds more than a megabyte of text")
        self.texts.append(text)

    def end(self, name: str) -> None:
        """Leave an element."""
        self.depth -= 1
        if name == self.reading:
            self._keep(self.elements[name], "".join(self.texts).strip())
            self.reading = None
            self.stream.parser.CharacterDataHandler = None
        if self.inside and self.follows_groups and name.endswith("Group"):
            self.report.leave_group(local(name))
        elif self.inside and name == f"{NAMESPACE}{SEPARATOR}{REPORT}":
            self.inside = False
            self.report.write()

    def _keep(self, name: str, text: str) -> None:
        why = None
        value: str | None = text or None
        if self.attributes:
            attributes = self.attributes
            nil = attributes.get(f"{INSTANCE}{SEPARATOR}nil") in ("true", "1")
            value, why = meaning(text, attributes.get("NV"), attributes.get("PN"), nil=nil)
            self._keep_attributes(name, attributes)
        if name.startswith(AGENCY):
            self.report.keep_agency(name, value)
            return
        self.report.keep(name, value, self.line, why)
        if self.report.count > MOST_CELLS:
            what = f"one report holds more than {MOST_CELLS:,} of the elements that are read"
            raise self._refusal("too-large", what)

    def _keep_attributes(self, name: str, attributes: dict[str, str]) -> None:
        """Keep those attributes of an element or group that are named."""
        for attribute in self.attributes_of.get(name, ()):
            if attribute in attributes:
                self.report.keep(f"{name}{ATTRIBUTE}{attribute}", attributes[attribute], 0, None)

    def _refusal(self, code: str, what: str) -> Refused:
        return refused(code, self.name, what, line=self.stream.line)

    def _start_outside_a_report(self, name: str, attributes: dict[str, str]) -> None:
        if self.depth == 1:
            self._check_root(name, attributes)
        elif name == f"{NAMESPACE}{SEPARATOR}{HEADER}":
            self.report.agency = {}
        elif local(name).startswith(AGENCY):
            self._read(name, attributes)
        elif name == f"{NAMESPACE}{SEPARATOR}{REPORT}":
            self.inside = True
            self.report.clear(self.stream.line, attributes.get("UUID"))

    def _check_root(self, name: str, attributes: dict[str, str]) -> None:
        if name != f"{NAMESPACE}{SEPARATOR}{ROOT}":
            what = f"this is a document of another kind ({local(name)[:40]})"
            if local(name) == ROOT:
                what = "the document is not in the standard's namespace"
            raise self._refusal("not-nemsis", what)
        stated = STATED_VERSION.search(attributes.get(f"{INSTANCE}{SEPARATOR}schemaLocation", ""))
        self.version_stated = stated is not None
        if stated and stated[1] != VERSION:
            what = f"the document is of version {stated[1]} of the standard, not {VERSION}"
            raise self._refusal("wrong-version", what)


def _note_never_there(
    con: Connection, files: list[Found], sources: list[Source], seen: set[str]
) -> None:
    """Note each name that none of the reports has: it may be misspelt."""
    names = sorted({name for source in sources for name in source.names})
    for name in (name for name in names if name not in seen and name != UUID):
        con.execute(
            "insert into note values (?, null, ?, 'never-there', null)", [files[0].name, name]
        )
