"""The three TOML files of a delivery: read, checked, and held against what the store knows."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from pipeline.errors import Refused
from pipeline.ingest.delivery_files import EXPORT, PROTOCOL, Part, Parts, read_part
from pipeline.ingest.problems import Findings
from pipeline.store.database import one
from schemas.connection import Connection
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.catalogue import Catalogue
    from schemas.export_file import ExportFile
    from schemas.protocol import ProtocolFile, ProtocolVersion

Parsed = TypeVar("Parsed")


@dataclass(frozen=True)
class SettingsFiles:
    """What the three files say; None where one is missing or could not be used."""

    export: ExportFile | None
    protocol: ProtocolFile | None
    catalogue: Catalogue | None


def read_settings_files(parts: Parts, findings: Findings) -> SettingsFiles:
    """Read export.toml and the protocol and catalogue in use; faults go to `findings`."""
    from schemas.catalogue import parse_catalogue
    from schemas.export_file import parse_export
    from schemas.protocol import parse_protocol

    export = _parse(parts.export, parse_export, findings)
    if export and export.privacy_basis == "safe-harbor":
        findings.add(
            "safe-harbor",
            EXPORT,
            "a service month is an element of a date directly related to an individual, which"
            " safe harbor takes out, all but the year (45 CFR 164.514(b)(2)(i)(C)), so a delivery"
            " with service months cannot rest on it",
            column="privacy_basis",
        )
    protocol = _parse(parts.protocol, parse_protocol, findings)
    if protocol:
        _check_rules(protocol, parts.protocol, findings)
    return SettingsFiles(export, protocol, _parse(parts.cannulas, parse_catalogue, findings))


def read_protocol_file(path: Path) -> ProtocolFile:
    """Read one protocol file by itself; Refused lists everything wrong with it."""
    from schemas.protocol import parse_protocol

    findings = Findings()
    content = read_part(path, findings)
    protocol = _parse(content, parse_protocol, findings)
    if protocol:
        _check_rules(protocol, content, findings)
    if findings.refusals or protocol is None:
        raise Refused(findings.refusals)
    return protocol


def check_against_store(
    con: Connection, files: SettingsFiles, parts: Parts, findings: Findings
) -> None:
    """Add what contradicts earlier deliveries: another service, or an id with other content."""
    assert files.export is not None
    (service,) = one(con, "select min(service) from delivered.delivery")
    if service not in (None, files.export.service):
        findings.add(
            "service-changed",
            EXPORT,
            "the delivery is of another service than the store, which belongs to one",
            column="service",
        )
        return
    known = con.execute("select id, from_month, content from delivered.protocol order by id")
    _check_versions(known.fetchall(), files, parts, findings)
    _check_cannulas(con, files, parts, findings)


def canonical(version: ProtocolVersion) -> str:
    """Return a version as JSON, every field written out, keys sorted."""
    return json.dumps(version.model_dump(mode="json"), sort_keys=True, ensure_ascii=False)


def same_but_approval(kept: str, version: ProtocolVersion) -> bool:
    """Whether a version says what its id said before; an approval gained or absent is no change."""
    before, now = json.loads(kept), json.loads(canonical(version))
    approvals = [before.pop("approved"), now.pop("approved")]
    return bool(before == now and (None in approvals or approvals[0] == approvals[1]))


def _check_versions(
    known: list[tuple[Any, ...]], files: SettingsFiles, parts: Parts, findings: Findings
) -> None:
    if not files.protocol or not parts.protocol:
        return
    for version in files.protocol.version:
        for kept_id, kept_month, content in known:
            if kept_id == version.id and not same_but_approval(content, version):
                findings.add(
                    "protocol-changed",
                    parts.protocol.name,
                    f'version "{version.id}" was delivered before with other content',
                    column="version",
                )
            elif kept_id != version.id and kept_month == version.from_month:
                findings.add(
                    "protocol-month-taken",
                    parts.protocol.name,
                    f'version "{version.id}" begins in {kept_month}, as does "{kept_id}", which'
                    " was delivered before",
                    column="version",
                )


def _check_cannulas(
    con: Connection, files: SettingsFiles, parts: Parts, findings: Findings
) -> None:
    if not files.catalogue or not parts.cannulas:
        return
    from schemas.catalogue import IDENTITY

    columns = ", ".join(IDENTITY)
    rows = con.execute(f"select distinct id, {columns} from delivered.cannula").fetchall()
    known = {row[0]: row[1:] for row in rows}
    for entry in files.catalogue.cannula:
        now = tuple(getattr(entry, name) for name in IDENTITY)
        before = known.get(entry.id, now)
        changed = [n for n, a, b in zip(IDENTITY, before, now, strict=True) if a != b]
        if changed:
            findings.add(
                "cannula-changed",
                parts.cannulas.name,
                f'the id "{entry.id}" was delivered before with another {", ".join(changed)}',
                column=f"cannula[{entry.id}]",
            )


def _check_rules(protocol: ProtocolFile, content: Part | None, findings: Findings) -> None:
    from pipeline.rules import parameter_problems

    for version in protocol.version:
        place = "rules" if len(protocol.version) == 1 else f"version[{version.id}].rules"
        for path, message in parameter_problems(version.rules):
            findings.add(
                "toml-content",
                content.name if content else PROTOCOL,
                message,
                column=f"{place}.{path.removeprefix('rules.')}",
            )


def _parse(
    content: Part | None, parse: Callable[[str], Parsed], findings: Findings
) -> Parsed | None:
    if content is None:
        return None
    from schemas.located import LocatedError

    try:
        return parse(content.path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.path.read_bytes()[: error.start].count(b"\n") + 1
        findings.add("not-utf8", content.name, "the file is not encoded in UTF-8", line=line)
    except LocatedError as error:
        for problem in error.problems:
            code = "toml-syntax" if problem.message.startswith("not valid TOML") else "toml-content"
            at = f" (column {problem.column})" if problem.column else ""
            findings.add(
                code,
                content.name,
                problem.message + at,
                line=problem.line,
                column=problem.path or None,
            )
    return None
