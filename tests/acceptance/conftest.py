"""The two small deliveries reviewed by command with no option at all: once, for every worker."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from tests.made_once import made_once

from .command_runs import Ran, Reviewed, reviewed_in


def reviewed_once(factory: pytest.TempPathFactory, name: str, delivery: Path) -> Reviewed:
    """What the review printed and wrote; a test that changes the store copies it."""

    def make(folder: Path) -> None:
        ran = reviewed_in(folder, delivery).ran
        (folder / "ran.json").write_text(json.dumps(asdict(ran)), encoding="utf-8")

    folder = made_once(factory, name, make)
    return Reviewed(Ran(**json.loads((folder / "ran.json").read_text(encoding="utf-8"))), folder)


@pytest.fixture(scope="session")
def clean_review(clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Reviewed:
    """The clean delivery reviewed."""
    return reviewed_once(tmp_path_factory, "clean-review", clean_delivery)


@pytest.fixture(scope="session")
def dirty_review(dirty_delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Reviewed:
    """The dirty delivery, likewise."""
    return reviewed_once(tmp_path_factory, "dirty-review", dirty_delivery)
