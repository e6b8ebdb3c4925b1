"""Drive one reader by atheris, where that is installed, guided by what its inputs reach.

    python -m tests.mapping.fuzz_atheris TARGET CORPUS -max_total_time=60 -timeout=20

TARGET is one of tests.mapping.fuzzing.TARGETS, CORPUS a folder of inputs to begin with; whatever
else is libFuzzer's. It is no test: pytest does not collect it.
"""

from __future__ import annotations

import sys

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(include=["pipeline.mapping", "pipeline.ingest", "schemas"]):
    from tests.mapping.fuzzing import TARGETS


def main() -> None:
    """Fuzz the target that the command line names."""
    name = sys.argv.pop(1)
    atheris.Setup(sys.argv, TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
