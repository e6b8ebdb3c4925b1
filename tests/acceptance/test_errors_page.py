"""The page of everything that can go wrong holds every code, and nothing that cannot happen."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.docs.errors import ALSO_USAGE, ELSEWHERE, PLACES, entries, errors_page
from pipeline.errors import REFUSALS, SET_ASIDES, USAGES

TOP = Path(__file__).parents[2]
PAGE = TOP / "docs" / "errors.md"
AT = {
    "add": 0,
    "CellRule": 0,
    "refused": 0,
    "problem": 0,
    "_refusal": 0,
    "_refused": 0,
    "Problem": 3,
}
"""Which argument of a call is a code; `_refused` of some modules has the file first."""

LISTS = ("errors.py", "error_catalogue.py", "words.py", "problems.py")
CODE = re.compile(r"[a-z]+(-[a-z0-9]+)*")


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted((TOP / "pipeline").rglob("*.py")):
        if path.name not in ("errors.py", "error_catalogue.py"):
            yield path.name, ast.parse(path.read_text(encoding="utf-8"))


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


def raised(within: str | None = None) -> set[str]:
    """Every code that some call raises; with `within`, those inside calls of that name."""
    found = set()
    for _, tree in trees():
        for outer in ast.walk(tree):
            called = isinstance(outer, ast.Call) and getattr(outer.func, "id", "") == within
            if not called and outer is not (tree if within is None else None):
                continue
            for call in ast.walk(outer):
                if not isinstance(call, ast.Call):
                    continue
                name = getattr(call.func, "attr", getattr(call.func, "id", ""))
                for at in (AT[name], 1) if name == "_refused" else (AT.get(name, 99),):
                    if at < len(call.args):
                        found |= of_argument(call.args[at], tree)
    return {text for text in found if CODE.fullmatch(text) and ("-" in text or text in known())}


def known() -> set[str]:
    return {*REFUSALS, *SET_ASIDES, *USAGES}


def test_the_page_is_what_the_catalogue_says() -> None:
    """Renew it with: python -m pipeline.docs.errors > docs/errors.md"""
    assert PAGE.read_text(encoding="utf-8") == errors_page()


def test_every_code_that_is_raised_is_on_the_page() -> None:
    found = raised()
    assert len(found) > 70, "the codes were not found"
    assert found - known() == set()
    listed = set(re.findall(r"^\| `([a-z0-9-]+)` \|", PAGE.read_text(), re.MULTILINE))
    assert known() <= listed


def test_a_code_that_is_new_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    text = 'code = "new-one" if x else "other-one"\nfindings.add(code, f, "what")\n'
    text += (
        'raise refused("third-one", f, "what")\nUsage(Problem(f, 1, None, "fourth-one", "", ""))\n'
    )
    monkeypatch.setitem(globals(), "trees", lambda: [("a.py", ast.parse(text))])
    assert raised() == {"new-one", "other-one", "third-one", "fourth-one"}
    assert raised("Usage") == {"fourth-one"}


def test_every_code_on_the_page_is_raised() -> None:
    """By a call, or it stands outside the lists of words; in SQL, between quotation marks."""
    there = raised()
    for name, tree in trees():
        if name not in LISTS:
            for text in texts(tree):
                there |= {text, *re.findall(r"'([a-z-]+)'", text)}
    assert known() - there == set()


def test_every_line_has_a_meaning_a_place_and_a_remedy() -> None:
    every = entries()
    assert len(every) == len(known())
    for entry in every:
        assert entry.meaning.endswith("."), entry.code
        remedies = [text for text in (entry.remedy, entry.in_source) if text]
        assert remedies, entry.code
        assert all(text.endswith(".") and "|" not in text for text in remedies), entry.code
    placed = [code for codes in PLACES.values() for code in codes.split()]
    assert sorted(placed) == sorted(known())
    assert ELSEWHERE.keys() <= known()


def test_what_options_can_hold_says_so() -> None:
    assert raised("Usage") - USAGES.keys() == set(ALSO_USAGE)
