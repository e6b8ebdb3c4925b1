"""The key of the keyed hashes, and the crosswalk from tokens back to record numbers.

Neither may be readable to others, nor stand where a delivery or a store is kept.
"""

from __future__ import annotations

import csv
import io
import os
import secrets
import stat
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import usage
from pipeline.ingest.delivery_files import EXPORT
from pipeline.mapping.words import refused
from pipeline.store.whole import replacing

BLOCK = 64
"""Bytes in a block of SHA-256: HMAC pads its key to one (RFC 2104)."""

LEAST_KEY, MOST_KEY = 32, 4096
STORE_SUFFIX = ".duckdb"
HEADER = ["kind", "token", "number"]


def new_key(path: Path) -> str:
    """Make a key file, and its folder, for its owner alone; Usage where there is one already."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        what = "the file cannot be made here"
        if isinstance(error, FileExistsError):
            what = "there is a file already, and a key must never be overwritten"
        remedy = "Name a new file in a folder of your own."
        raise usage("folder", "--new-key", what, file=str(path), remedy=remedy) from None
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(secrets.token_hex(LEAST_KEY) + "\n")
    return (
        f"Wrote a new key to {path}. Keep it for good, and by itself: with another key the same"
        " record number gets another token, and with this one anybody can test a number."
    )


def read_pads(path: Path, delivery: Path) -> dict[str, bytes]:
    """Return the two pads of the key in a file that only its owner may read.

    The pads are what HMAC puts before its inner and its outer message.
    """
    _check_place(path, delivery, "the key")
    _check_private(path, "the key")
    try:
        with path.open("rb") as file:
            key = file.read(MOST_KEY + 1).strip()
    except OSError:
        raise refused("no-permission", str(path), "the key may not be read") from None
    if not LEAST_KEY <= len(key) <= MOST_KEY:
        what = f"a key has {LEAST_KEY} to {MOST_KEY} bytes, this one {len(key)}"
        raise refused("key-unusable", str(path), what)
    return pads(key)


def pads(key: bytes) -> dict[str, bytes]:
    """The inner and outer pad of a key, as RFC 2104 makes them."""
    import hashlib

    block = (hashlib.sha256(key).digest() if len(key) > BLOCK else key).ljust(BLOCK, b"\x00")
    return {"inner": bytes(b ^ 0x36 for b in block), "outer": bytes(b ^ 0x5C for b in block)}


def check_crosswalk(path: Path, delivery: Path) -> None:
    """Refuse a crosswalk that others may read, or where it would travel with data."""
    _check_place(path, delivery, "the crosswalk")
    if not path.parent.is_dir():
        raise refused("not-found", str(path), "the folder for the crosswalk is not there")
    if path.exists():
        _check_private(path, "the crosswalk")


def add_to_crosswalk(path: Path, rows: Iterable[tuple[str, str, str]]) -> None:
    """Add kind, token and number of every hash, once each; the file stays its owner's alone."""
    with replacing(path, 0o600) as file:
        # read only now: another run may just have added to it
        known = set(_read_crosswalk(path)) if path.exists() else set()
        text = io.StringIO(newline="")
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(sorted(known | set(rows)))
        file.write(text.getvalue().encode("utf-8"))


def find_token(path: Path, token: str) -> str:
    """Say which record number a token stands for; Refused where the crosswalk does not have it."""
    if not path.exists():
        raise refused("not-found", str(path), "there is no crosswalk here yet")
    _check_private(path, "the crosswalk")
    found = [(kind, number) for kind, known, number in _read_crosswalk(path) if known == token]
    if not found:
        raise refused("no-such-token", str(path), "the token is not in the crosswalk")
    return "\n".join(f"{kind}: {number}" for kind, number in found)


def _read_crosswalk(path: Path) -> list[tuple[str, str, str]]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error):
        rows = []
    if rows[:1] != [HEADER] or any(len(row) != len(HEADER) for row in rows):
        raise refused("key-unusable", str(path), "this is not a crosswalk of this tool")
    return [(kind, token, number) for kind, token, number in rows[1:]]


def _check_private(path: Path, what: str) -> None:
    """Refuse a file that anybody but its owner may read or write, and one that is no file."""
    try:
        found = path.stat()
    except FileNotFoundError:
        raise refused("not-found", str(path), f"there is no file here for {what}") from None
    except OSError:
        raise refused("no-permission", str(path), f"{what} may not be read") from None
    if not stat.S_ISREG(found.st_mode):
        raise refused("not-a-file", str(path), f"{what} must be an ordinary file")
    # other systems keep permissions elsewhere, and these bits say nothing there
    if os.name == "posix" and found.st_mode & 0o077:
        raise refused("key-permissions", str(path), f"others than its owner may use {what}")


def _check_place(path: Path, delivery: Path, what: str) -> None:
    """Refuse a file inside the delivery, or beside the files of another or of a store."""
    resolved = path.resolve()
    if resolved.is_relative_to(delivery.resolve()):
        raise refused("key-place", str(path), f"{what} must never be in a delivery")
    try:
        names = [entry.name for entry in resolved.parent.iterdir()]
    except OSError:
        return
    if EXPORT in names or any(name.endswith(STORE_SUFFIX) for name in names):
        raise refused("key-place", str(path), f"{what} must not lie beside a delivery or a store")
