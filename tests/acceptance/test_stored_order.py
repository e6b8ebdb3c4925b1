"""Windows without an order of their own rest on the order in which their table is stored."""

from __future__ import annotations

import re
import shutil
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.judging.evaluator import replay, stages
from pipeline.judging.versions import versions_in_store
from pipeline.store.database import open_store
from pipeline.timeline.series import in_order

pytestmark = pytest.mark.usefixtures("without_screen")


IN_STORED_ORDER = {
    "whether in order",
    "changes of support",
    "timeline",
    "seconds charted twice",
}


@pytest.fixture(scope="module")
def plans(judged_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, set[str]]:
    """The kinds of window that DuckDB plans for each stage of a judged delivery."""
    own = shutil.copy(judged_store, tmp_path_factory.mktemp("order"))
    with closing(open_store(Path(own))) as con:
        versions = versions_in_store(con)
        replay(con, versions)
        found = {}
        for name, sql in [*stages(versions), ("whether in order", in_order())]:
            plan = "\n".join(text for _, text in con.execute(f"EXPLAIN {sql}").fetchall())
            found[name] = set(re.findall(r"─ (Streaming Window|Window) ─", plan))
    return found


@pytest.mark.parametrize("stage", sorted(IN_STORED_ORDER))
def test_windows_over_rows_kept_in_order_are_streamed(
    plans: dict[str, set[str]], stage: str
) -> None:
    """A streamed window takes the rows as they are stored; any other kind may mix them."""
    assert plans[stage] == {"Streaming Window"}


def test_other_windows_are_seen_by_this_test(plans: dict[str, set[str]]) -> None:
    others = set().union(*(kinds for name, kinds in plans.items() if name not in IN_STORED_ORDER))
    assert "Window" in others
