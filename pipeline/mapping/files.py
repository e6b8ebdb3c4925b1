"""Which of the source folder's files an entry of [files] means; nothing outside is opened."""

from __future__ import annotations

import difflib
import os
import stat
from pathlib import Path

from pipeline.errors import Problem, Refused, shown
from pipeline.mapping.words import refused
from schemas.mapping import SourceFile
from schemas.record import dataclass

MOST_FILES = 10_000
SUFFIXES = {".parquet": "parquet", ".xlsx": "xlsx", ".xml": "nemsis"}


@dataclass(frozen=True)
class Found:
    """One file of theirs, and its name as a message shows it."""

    path: Path
    name: str


def find(source: Path, files: dict[str, SourceFile]) -> dict[str, list[Found]]:
    """Return the files of every entry, by name; Refused lists all that is not there."""
    _kind(source, str(source))
    problems: list[Problem] = []
    found: dict[str, list[Found]] = {}
    for key, spec in files.items():
        try:
            found[key] = _matching(source, key, spec)
        except Refused as refusal:
            problems += refusal.problems
    if problems:
        raise Refused(problems)
    return found


def present(source: Path) -> list[Path]:
    """Files directly in the source folder, sorted, or the source itself if it is a file."""
    if _kind(source, str(source)) == "file":
        return [source]
    try:
        paths = sorted(Path(entry.path) for entry in os.scandir(source))
    except OSError as error:
        raise _unreadable(str(source), error) from None
    return [path for path in paths if path.is_file()]


def _matching(source: Path, key: str, spec: SourceFile) -> list[Found]:
    if _kind(source, str(source)) == "file":
        paths = [source] if source.match(spec.path) else []
    else:
        try:
            paths = sorted(source.glob(spec.path))[: MOST_FILES + 1]
        except (OSError, ValueError, RecursionError) as error:
            raise _unreadable(spec.path, error) from None
    # spreadsheet programs keep a file so named beside one that is open
    paths = [path for path in paths if not path.name.startswith("~$") or "*" not in spec.path]
    if not paths:
        what = f'there is no file "{spec.path}", which [files.{key}] names{_near(source, spec)}'
        raise refused("not-found", str(source), what)
    if len(paths) > MOST_FILES:
        raise refused("too-large", str(source), f'more than {MOST_FILES} files match "{spec.path}"')
    return [_checked(source, path) for path in paths]


def _near(source: Path, spec: SourceFile) -> str:
    """The name of a file that may be meant, for the end of a sentence."""
    names = [path.name for path in present(source)]
    wanted = Path(spec.path).name
    same = [name for name in names if name.casefold() == wanted.casefold()]
    near = same or difflib.get_close_matches(wanted, names, n=1, cutoff=0.7)
    return f'; there is "{shown(near[0])}"' if near else ""


def _checked(source: Path, path: Path) -> Found:
    inside = path != source
    name = shown(str(path.relative_to(source)) if inside else path.name)
    if _kind(path, name) != "file":
        raise refused("not-a-file", name, "this is a folder or a device, not a file")
    if inside and not path.resolve().is_relative_to(source.resolve()):
        raise refused("outside-source", name, "the link leads out of the source folder")
    return Found(path, name)


def format_of(spec: SourceFile) -> str:
    """What kind of file an entry means: as stated, or by the end of its name."""
    suffix = Path(spec.path.lower().removesuffix(".gz")).suffix
    return spec.format or SUFFIXES.get(suffix, "csv")


def _kind(path: Path, name: str) -> str:
    """Whether a path is a file or something else; Refused where that cannot be told."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError, RuntimeError) as error:
        raise _unreadable(name, error) from None
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        return "other"
    if not os.access(path, os.R_OK):
        raise refused("no-permission", name, "it may not be read")
    return "file" if stat.S_ISREG(mode) else "folder"


def _unreadable(name: str, error: Exception) -> Refused:
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return refused("not-found", shown(name), "there is no such file or folder")
    if isinstance(error, PermissionError):
        return refused("no-permission", shown(name), "it may not be read")
    return refused("not-found", shown(name), "the path cannot be followed")


def reachable(path: Path, scratch: Path, number: int) -> Path:
    """The path itself, or a link to it where the database would read its name as a pattern."""
    if not any(mark in str(path) for mark in "*?[]{}\x7f"):
        return path
    link = scratch / f"link-{number}{path.suffix if path.suffix.isalnum() else ''}"
    if not link.is_symlink():
        link.symlink_to(path.resolve())
    return link
