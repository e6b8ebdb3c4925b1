"""The store as the desk uses it: opened for what is asked, and let go again."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import field
from pathlib import Path

from pipeline.store.database import transaction
from pipeline.store.followup_tables import ensure_followup_tables
from pipeline.store.session import STORE, open_waiting
from schemas.connection import Connection
from schemas.record import dataclass

PATIENCE_S = 3.0
"""So long a page waits for another command that holds the store; then it says who does."""


@dataclass
class Desk:
    """The folder of pages whose store the desk works on, and the month it opens with.

    `order`: the trips to read as each reader's list last showed them.
    """

    folder: Path
    month: str | None = None
    order: dict[str, list[str]] = field(default_factory=dict)
    _turn: threading.Lock = field(default_factory=threading.Lock)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """The store for reading; one request of the desk after another."""
        with self._turn:
            con = self._opened(read_only=True)
            try:
                yield con
            finally:
                con.close()

    @contextmanager
    def reading_work(self) -> Iterator[Connection]:
        """As `reading`; what a month asks for is worked out again first where the month changed."""
        from pipeline.desk.kept_work import keep_work, outdated_months

        with self.reading() as con:
            if not outdated_months(con):
                yield con
                return
        with self.writing() as con:
            keep_work(con)
        with self.reading() as con:
            yield con

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The store in one transaction: all that the block stores, or nothing of it."""
        with self._turn:
            con = self._opened()
            try:
                with transaction(con):
                    yield con
            finally:
                con.close()

    def _opened(self, *, read_only: bool = False) -> Connection:
        # each question is small: a second thread costs more than it saves
        path = self.folder / STORE
        return open_waiting(path, read_only=read_only, patience_s=PATIENCE_S, threads=1)

    @contextmanager
    def apart(self) -> Iterator[None]:
        """The turn alone, for steps that open the store themselves."""
        with self._turn:
            yield

    def begin(self) -> None:
        """Make what tables are missing, judge what an earlier version judged otherwise, and work
        out what each month asks for, before the pages.
        """
        from pipeline.desk.kept_work import keep_work
        from pipeline.judging.evaluator import judge
        from pipeline.store.session import store_in

        with self._turn, store_in(self.folder) as con:
            with transaction(con):
                ensure_followup_tables(con)
            judge(con)
            with transaction(con):
                keep_work(con)
