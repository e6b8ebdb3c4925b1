"""The type of a connection to the store's database, named without importing the database.

    from schemas.connection import Connection

The library takes a while to import, and `tailrace --help` has no need of it. A type checker sees
the library's own class.
"""

from typing import TYPE_CHECKING, Any

__all__ = ["Connection"]

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection as Connection
else:
    Connection = Any
