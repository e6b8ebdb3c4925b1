"""What a review does not import: a library of data frames takes a twentieth of its time, what
makes the checks of the contract more than all of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from . import small_delivery

REVIEW = """
import sys
from pathlib import Path
from pipeline.review import review
review(Path(sys.argv[1]), Path(sys.argv[2]))
print(sorted({name.partition(".")[0] for name in sys.modules} & {*sys.argv[3:]}))
"""
USED = ["duckdb", "numpy"]
HEAVY = ["ibis", "pandas", "pandera", "sqlglot"]


def test_a_review_imports_no_library_of_data_frames_and_none_that_makes_the_checks(
    tmp_path: Path,
) -> None:
    """In an interpreter of its own, which has imported nothing before."""
    delivery = small_delivery.write(tmp_path / "delivery")
    given = [sys.executable, "-c", REVIEW, delivery, tmp_path / "out", *USED, *HEAVY]
    top = Path(__file__).parents[2]
    told = subprocess.run(given, cwd=top, check=True, capture_output=True, text=True).stdout
    # before it there may be the database's bars, which it draws for code without a file
    assert told.splitlines()[-1].strip() == str(USED)
