"""What `tailrace map` does: map a source, draft a mapping, ask the crosswalk, make a key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import EXIT_FINE, Usage, usage
from pipeline.errors.disk import as_mistake
from pipeline.mapping.read_mapping import MAPPING, read_mapping
from pipeline.mapping.words import refused
from schemas.protocol import MONTH
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.mapping.run import Mapped

NAMED = " --protocol FILE --cannulas FILE"
"""What `check` and `review` ask for where a delivery brings no settings files."""


@dataclass(frozen=True)
class Wanted:
    """What the command line asked for."""

    source: Path | None = None
    to: Path | None = None
    mapping: Path | None = None
    suggest: bool = False
    find: str | None = None
    new_key: Path | None = None
    months: Sequence[str] = ()
    problems: Path | None = None


def map_command(wanted: Wanted, shown: int) -> tuple[str, int]:
    """Do the one thing that was asked for; return what to print, and the exit code.

    Usage where it is not clear what that is.
    """
    named = (wanted.to, wanted.find, wanted.new_key)
    if sum(name is not None for name in named) + wanted.suggest != 1:
        raise _usage("--to", "exactly one of --to, --suggest, --find and --new-key is needed")
    with disk_errors(wanted.to or wanted.source or wanted.mapping or Path()):
        return _asked(wanted, shown)


def _asked(wanted: Wanted, shown: int) -> tuple[str, int]:
    if wanted.new_key is not None:
        from pipeline.mapping.tokens import new_key

        return new_key(wanted.new_key), EXIT_FINE
    if wanted.find is not None:
        return find_token(wanted.find, wanted.mapping), EXIT_FINE
    if wanted.source is None:
        raise _usage("SOURCE", "the folder or file to map is missing")
    if wanted.suggest:
        from pipeline.mapping.suggest import suggest

        return suggest(wanted.source), EXIT_FINE
    for month in wanted.months:
        if not MONTH.fullmatch(month):
            raise _usage("--month", "a month is written YYYY-MM")
    assert wanted.to is not None
    months, problems = wanted.months, wanted.problems
    mapped = map_source(wanted.source, wanted.to, wanted.mapping, months=months, problems=problems)
    return f"{mapped.report(shown)}\n{wrote(mapped)}", mapped.exit_code


def wrote(mapped: Mapped) -> str:
    """What was written, in lines."""
    rows = ", ".join(f"{count} {table}" for table, count in mapped.rows.items())
    lines = [f"Wrote {mapped.delivery}: {', '.join(mapped.months)}; rows: {rows}."]
    if mapped.problems:
        lines.append(
            "Cells that cannot be used say unreadable there, and their rows will be set aside."
        )
    named = "" if (mapped.delivery / "protocol.toml").exists() else NAMED
    return "\n".join([*lines, f"Next: tailrace check {mapped.delivery}{named}"])


def _usage(option: str, what: str) -> Usage:
    return usage("usage", option, what, remedy="See tailrace map --help.")


def map_source(
    source: Path,
    delivery: Path,
    mapping: Path | None = None,
    *,
    months: Sequence[str] = (),
    problems: Path | None = None,
) -> Mapped:
    """Turn the files in `source` into a delivery; all of it, or nothing.

    `mapping` defaults to mapping.toml in the source folder. `months` limits what is delivered;
    `problems` names a CSV file for the full list of what could not be used. Raises a Mistake
    with every reason where the source or the mapping cannot be used.
    """
    from pipeline.mapping.run import Request, run
    from pipeline.store.whole import new_folder

    with disk_errors(delivery):
        beside = source if source.is_dir() else source.parent
        read = read_mapping(mapping or beside / MAPPING)
        request = Request(source, delivery, read, months, problems)
        with new_folder(delivery) as folder:
            return run(request, folder)


def find_token(token: str, mapping: Path | None = None) -> str:
    """Say which record number a token stands for, by the crosswalk that the mapping names."""
    from pipeline.mapping import tokens

    read = read_mapping(mapping or Path(MAPPING))
    crosswalk = read.file.tokens.crosswalk if read.file.tokens else None
    if crosswalk is None:
        what = "names no crosswalk under [tokens], so no token can be looked up"
        raise refused("toml-content", (mapping or Path(MAPPING)).name, what, column="tokens")
    return tokens.find_token(read.folder / crosswalk, token.strip())


@contextmanager
def disk_errors(delivery: Path) -> Iterator[None]:
    """Turn a full disk, and a folder that may not be written, into sentences."""
    import duckdb

    try:
        yield
    except (OSError, duckdb.Error) as error:
        mistake = as_mistake(error, str(delivery))
        if mistake is None and isinstance(error, OSError):
            what = f"it cannot be opened ({error.strerror or 'no such name'})"
            mistake = refused("not-found", str(error.filename or delivery), what)
        if mistake is None:
            raise
        raise mistake from None
