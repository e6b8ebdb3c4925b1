"""The page of everything that can go wrong holds every code, and nothing that cannot happen."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from pipeline.docs.errors import errors_page
from pipeline.errors import CODES, EXIT_USAGE, Problem, Refused, Usage, problem
from pipeline.errors.codes import TABLE
from pipeline.errors.kinds import Kind

TOP = Path(__file__).parents[2]
PAGE = TOP / "docs" / "errors.md"
AT = {
    "add": 0,
    "CellRule": 0,
    "refused": 0,
    "usage": 0,
    "problem": 0,
    "in_cell": 0,
    "_refusal": 0,
    "_refused": 0,
    "Problem": 3,
    "Unreadable": 0,
}
"""Which argument of a call is a code; `_refused` of some modules has the file first."""

TELL = ("errors/codes.py", "docs/errors.py", "ingest/problems.py")
"""Modules of `pipeline` that hold codes without raising them, or that lend them to raises."""

CODE = re.compile(r"[a-z]+(-[a-z0-9]+)*")


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted((TOP / "pipeline").rglob("*.py")):
        name = path.relative_to(TOP / "pipeline").as_posix()
        if name not in TELL[:2]:
            yield name, parsed(path)


def texts(node: ast.AST) -> set[str]:
    return {
        n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }


def of_argument(node: ast.expr, tree: ast.Module) -> set[str]:
    """The texts an argument may be: itself, or what is assigned to it anywhere in the module."""
    if isinstance(node, ast.Constant | ast.IfExp):
        branches = [node.body, node.orelse] if isinstance(node, ast.IfExp) else [node]
        return set().union(*map(texts, branches))
    if not isinstance(node, ast.Name):
        return set()
    return {
        text
        for found in ast.walk(tree)
        if isinstance(found, ast.Assign)
        and any(isinstance(t, ast.Name) and t.id == node.id for t in found.targets)
        for text in of_argument(found.value, tree)
    }


def called(node: ast.AST) -> str:
    """The name of what is called, if `node` is a call."""
    return (
        getattr(node.func, "attr", getattr(node.func, "id", ""))
        if isinstance(node, ast.Call)
        else ""
    )


def raised(*within: str) -> set[str]:
    """Every code that some call raises; with `within`, by calls of these names or inside them."""
    found = set()
    for _, tree in trees():
        outer = [n for n in ast.walk(tree) if called(n) in within] if within else [tree]
        for call in {
            id(n): n for node in outer for n in ast.walk(node) if called(n) in AT
        }.values():
            assert isinstance(call, ast.Call)
            name = called(call)
            for at in (AT[name], 1) if name == "_refused" else (AT[name],):
                if at < len(call.args):
                    found |= of_argument(call.args[at], tree)
    return {text for text in found if CODE.fullmatch(text) and ("-" in text or text in CODES)}


def of_kind(*kinds: Kind) -> set[str]:
    return {code.id for code in TABLE if code.kind in kinds}


def test_the_page_is_what_the_table_says() -> None:
    """Renew it with: python -m pipeline.docs.errors > docs/errors.md"""
    assert PAGE.read_text(encoding="utf-8") == errors_page()


def test_every_code_that_is_raised_has_a_record_and_is_on_the_page() -> None:
    found = raised()
    assert len(found) > 70, "the codes were not found"
    assert found - CODES.keys() == set()
    listed = re.findall(r"^\| `([a-z0-9-]+)` \|", PAGE.read_text(), re.MULTILINE)
    assert CODES.keys() <= set(listed)
    assert len(listed) == len(set(listed)), "two things have one code"


def test_a_code_that_is_new_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    text = 'code = "new-one" if x else "other-one"\nfindings.add(code, f, "what")\n'
    text += 'raise refused("third-one", f, "what")\nusage("fifth-one", "--to", "what")\n'
    text += 'Usage(Problem(f, 1, None, "fourth-one", "", ""))\n'
    monkeypatch.setitem(globals(), "trees", lambda: [("a.py", ast.parse(text))])
    assert raised() == {"new-one", "other-one", "third-one", "fourth-one", "fifth-one"}
    assert raised("usage", "Usage") == {"fourth-one", "fifth-one"}
    with pytest.raises(KeyError):
        problem("new-one", None, "what")


def test_every_record_is_of_a_code_that_is_raised() -> None:
    """By a call, or it stands outside the modules that tell; in SQL, between quotation marks."""
    there = raised()
    for name, tree in trees():
        if name not in TELL:
            for text in texts(tree):
                there |= {text, *re.findall(r"'([a-z-]+)'", text)}
    assert CODES.keys() - there == set()


def test_every_record_has_a_meaning_a_place_and_a_remedy() -> None:
    assert len(CODES) == len(TABLE)
    for code in TABLE:
        assert CODE.fullmatch(code.id)
        assert code.meaning[0].isupper(), code.id
        remedies = [text for text in (code.remedy, code.in_source) if text]
        assert bool(remedies) == (code.kind != Kind.NOTED), code.id
        for text in (code.meaning, *remedies):
            assert text.endswith("."), code.id
            assert "|" not in text, code.id
        assert not (code.what or "").endswith("."), code.id


def test_what_ends_with_an_exit_code_is_of_its_kind() -> None:
    options = {code.id for code in TABLE if code.in_options}
    assert all((EXIT_USAGE in CODES[code].exit_codes) for code in options)
    assert raised("usage", "Usage") == of_kind(Kind.USAGE) | options
    assert raised("refused", "Refused", "add", "_refused", "_refusal") <= of_kind(Kind.REFUSED)
    assert raised("CellRule") <= of_kind(Kind.SET_ASIDE)
    assert raised("in_cell") & of_kind(Kind.USAGE, Kind.NOTED) == set()


def test_a_remedy_is_the_records_unless_it_is_said_more_narrowly() -> None:
    assert problem("unknown-trip", "a.csv", "no such trip").remedy == CODES["unknown-trip"].remedy
    assert problem("xml-dtd", "a.xml", "has one").remedy == CODES["xml-dtd"].in_source
    assert problem("unknown-trip", "a.csv", "none", remedy="Ask.").remedy == "Ask."


def test_a_problem_as_a_sentence() -> None:
    one = Problem("a.csv", 3, "x", "missing-value", "must not be empty", "Fill it.")
    assert one.sentence() == "a.csv, line 3: x: must not be empty. Fill it."
    bare = Problem(None, None, None, "folder", "no such folder", "Name another.")
    assert bare.sentence() == "no such folder. Name another."
    assert (Refused(one).exit_code, Usage(bare).exit_code) == (3, 2)
    assert str(Refused([one, bare])).count("\n") == 1
