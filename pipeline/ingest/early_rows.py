"""A delivery's rows begin to be stored while it is still looked through for what is wrong with it.

That is done in the transaction that stores the delivery or, where it is refused, is taken back.
What is taken back may stay in the store's file until other rows lie over it, so no text of a
column that may say anything is written before the privacy screen has passed it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from threading import Event
from typing import TYPE_CHECKING, Generic, TypeVar

from pipeline.ingest.places import STAGED, look_into, some_wait
from pipeline.store.database import one

if TYPE_CHECKING:
    from concurrent.futures import Future

    import duckdb

Given = TypeVar("Given")
Stored = TypeVar("Stored")


class EarlyRows(Generic[Given, Stored]):
    """What `store` does in a transaction on a connection of its own, once it is begun.

    `store` calls its third argument before the first text that is screened.
    `con`: that connection, None where the delivery is too small for it or there is one thread.
    """

    def __init__(
        self,
        main: duckdb.DuckDBPyConnection,
        store: Callable[[duckdb.DuckDBPyConnection, Given, Callable[[], None]], Stored],
    ) -> None:
        self.main, self.store = main, store
        self.decided, self.passed = Event(), False
        self.con: duckdb.DuckDBPyConnection | None = None

    def begin(self, given: Given) -> None:
        """Begin, where it is worth it: nobody else may write the store until it has ended."""
        (threads,) = one(self.main, "select current_setting('threads')")
        if threads == 1 or not some_wait(self.main):
            return
        from concurrent.futures import ThreadPoolExecutor

        self.con = self.main.cursor()
        look_into(self.con, STAGED)
        self.con.begin()
        self.pool = ThreadPoolExecutor(1)
        self.stored: Future[Stored] = self.pool.submit(self.store, self.con, given, self.wait)

    def wait(self) -> None:
        """Until the privacy screen has passed the delivery; CancelledError where it has not."""
        self.decided.wait()
        if not self.passed:
            raise CancelledError

    def texts_pass(self) -> None:
        """The privacy screen found nothing: free texts may be stored."""
        self.passed = True
        self.decided.set()

    def end(self) -> None:
        """Take back what is not committed."""
        if self.con:
            self.decided.set()
            self.con.interrupt()
            self.pool.shutdown()
            self.con.close()
            self.con = None


@contextmanager
def stored_early(
    con: duckdb.DuckDBPyConnection,
    store: Callable[[duckdb.DuckDBPyConnection, Given, Callable[[], None]], Stored],
) -> Iterator[EarlyRows[Given, Stored]]:
    """`EarlyRows` that has ended when the block is over."""
    begun = EarlyRows(con, store)
    try:
        yield begun
    finally:
        begun.end()
