"""Every code a user can meet is documented, and every reason to refuse has a remedy."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import REFUSALS, SET_ASIDES, USAGES, Problem, Refused, Usage
from pipeline.ingest.problems import REMEDIES, ROW_RULES

ROOT = Path(__file__).parents[2] / "pipeline"


def codes_in_the_program() -> Iterator[tuple[str, str]]:
    """File and code of every problem made with its code written out."""
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call):
                continue
            called = getattr(node.func, "attr", getattr(node.func, "id", ""))
            place = {"Problem": 3, "add": 0, "_refused": 1}.get(called)
            if place is None or len(node.args) < 3:
                continue
            code = node.args[place]
            if isinstance(code, ast.Constant) and isinstance(code.value, str):
                yield path.name, code.value


def test_every_code_is_documented_once() -> None:
    documented = [*REFUSALS, *SET_ASIDES, *USAGES]
    assert len(set(documented)) == len(documented)
    found = set(codes_in_the_program())
    assert len(found) > 20
    assert {code for _, code in found} - set(documented) == set()


def test_every_refusal_has_a_remedy_and_a_meaning() -> None:
    assert set(REMEDIES) <= set(REFUSALS)
    assert set(ROW_RULES) <= set(SET_ASIDES)


def test_meanings_are_sentences() -> None:
    for meaning in [*REFUSALS.values(), *SET_ASIDES.values(), *USAGES.values()]:
        assert meaning[0].isupper()
        assert meaning.endswith(".")


def test_a_problem_as_a_sentence() -> None:
    problem = Problem("a.csv", 3, "x", "missing-value", "must not be empty", "Fill it.")
    assert problem.sentence() == "a.csv, line 3: x: must not be empty. Fill it."
    bare = Problem(None, None, None, "folder", "no such folder", "Name another.")
    assert bare.sentence() == "no such folder. Name another."
    assert (Refused(problem).exit_code, Usage(bare).exit_code) == (3, 2)
    assert str(Refused([problem, bare])).count("\n") == 1
