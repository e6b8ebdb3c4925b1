"""A command as typed, in this process: its exit code and what it printed; a warning is an error."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

from typer.testing import CliRunner

from pipeline.cli.main import app
from pipeline.errors import Mistake


@dataclass
class Ended:
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str


def typed(*arguments: object) -> Ended:
    """Run a command; no exception but an exit, and no warning, may leave it."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ended = CliRunner().invoke(app, list(map(str, arguments)))
    if isinstance(ended.exception, Mistake):
        sentences = "\n".join(problem.sentence() for problem in ended.exception.problems)
        return Ended(ended.exception.exit_code, ended.stdout, ended.stderr + sentences)
    assert not isinstance(ended.exception, Exception), (arguments, ended.output, ended.exception)
    return Ended(ended.exit_code, ended.stdout, ended.stderr)
