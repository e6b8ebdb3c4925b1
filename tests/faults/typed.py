"""A command as typed, in this process: its exit code and what it printed; a warning is an error."""

from __future__ import annotations

import io
import sys
import warnings
from contextlib import redirect_stderr, redirect_stdout

import pytest

from pipeline.cli import main as cli
from tests.acceptance.command_runs import Ran


def typed(*arguments: object) -> Ran:
    """Run a command; no exception but an exit, and no warning, may leave it."""
    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    with (
        warnings.catch_warnings(),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.MonkeyPatch.context() as patch,
    ):
        warnings.simplefilter("error")
        # of what other tests of this process left, found whenever memory is looked through
        warnings.simplefilter("ignore", ResourceWarning)
        patch.setattr(sys, "argv", ["tailrace", *map(str, arguments)])
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
    assert isinstance(code, int)
    return Ran(code, out.getvalue(), err.getvalue())
