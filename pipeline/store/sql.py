"""Pieces of SQL that every room needs."""

from __future__ import annotations

from schemas.contract import sheet_name


def quoted(name: str) -> str:
    """Return a name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return a text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def is_file_of(table: str, file: str) -> str:
    """SQL: whether `file`, as `delivered.file` names it, is the one that held `table`."""
    sheet = f"replace('{sheet_name('?')}', '?', {table})"
    return f"{file} IN ({table} || '.csv', {table} || '.parquet', {sheet})"
