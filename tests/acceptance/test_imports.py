"""What a review does not import: a library of data frames takes a twentieth of its time."""

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
print(sorted({name.partition(".")[0] for name in sys.modules} & {"duckdb", "numpy", "pandas"}))
"""


def test_a_review_imports_no_library_of_data_frames(tmp_path: Path) -> None:
    delivery = small_delivery.write(tmp_path / "delivery")
    given = [sys.executable, "-c", REVIEW, str(delivery), str(tmp_path / "out")]
    printed = subprocess.run(given, check=True, capture_output=True, text=True).stdout
    assert printed.strip() == "['duckdb', 'numpy']"
