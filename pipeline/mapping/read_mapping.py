"""The mapping file, read and checked as far as that goes without their files."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Problem, Refused
from pipeline.mapping.words import problem, refused
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.located import Located
    from schemas.mapping import MappingFile

MAPPING = "mapping.toml"
SHIPPED = {"nemsis-3.5": "nemsis.toml"}
LARGEST = 1 << 20


@dataclass(frozen=True)
class Mapping:
    """A mapping file, and the folder that paths in it start from."""

    file: MappingFile
    folder: Path


def shipped() -> dict[str, str]:
    """Texts of the mappings that come with the tool, by the name that `extends` gives."""
    folder = files("pipeline.mapping")
    return {name: (folder / file).read_text(encoding="utf-8") for name, file in SHIPPED.items()}


def read_mapping(path: Path) -> Mapping:
    """Read and check a mapping file; Refused lists everything wrong with it."""
    from pipeline.mapping.plan import check_cells
    from schemas.located import LocatedError
    from schemas.mapping_text import parse_mapping

    text = _text(path)
    try:
        mapping = parse_mapping(text, shipped())
    except LocatedError as error:
        raise Refused([_located(path, problem) for problem in error.problems]) from None
    faults = check_cells(mapping, path.name)
    if faults:
        raise Refused(faults)
    return Mapping(mapping, path.absolute().parent)


def _text(path: Path) -> str:
    try:
        if not path.is_file():
            raise refused("not-found", str(path), "there is no mapping file here")
        if path.stat().st_size > LARGEST:
            raise refused("too-large", path.name, "a mapping file is far smaller than this")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refused("not-utf8", path.name, "the file is not encoded in UTF-8") from None
    except (OSError, ValueError):
        raise refused("no-permission", str(path), "the file cannot be read") from None


def _located(path: Path, located: Located) -> Problem:
    code = "toml-syntax" if located.message.startswith("not valid TOML") else "toml-content"
    at = f" (column {located.column})" if located.column else ""
    what, column = located.message + at, located.path or None
    return problem(code, path.name, what, line=located.line, column=column)
