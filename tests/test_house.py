"""The rooms of the house, and which way their arrows point: no circle, deferred imports counted."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

import pytest

from pipeline.measures.registry import MEASURES
from pipeline.rules import all_rules
from pipeline.rules.rule import Rule
from reports.text.navigation import PAGES
from schemas.measure_outputs import MeasureFacts

TOP = Path(__file__).parent.parent
PACKAGES = ("pipeline", "schemas", "reports")
MOST_MODULES = 30
MAY_DRAW = ("pipeline.review", "pipeline.cli", "pipeline.desk")
"""What of `pipeline` may import `reports`."""

ORDER = ("timeline", "rules", "judging", "measures", "month")
"""Each of these rooms of `pipeline` may import only those before it."""

NEVER = {
    "followup": ("files", "ingest", "timeline", "rules", "judging", "measures"),
    "ingest": ("files", "store"),
    "mapping": ("files", "store"),
}
"""A room of `pipeline`, and the rooms that never import it."""

Arrows = dict[str, set[str]]


def modules(top: Path) -> dict[str, Path]:
    """Every module of the product by its dotted name."""
    found = {}
    for package in PACKAGES:
        for path in sorted((top / package).rglob("*.py")):
            parts = path.relative_to(top).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def arrows(top: Path) -> Arrows:
    """Which module imports which, also inside functions and for type checkers alone."""
    known = modules(top)
    found: Arrows = {}
    for name, path in known.items():
        package = name if path.name == "__init__.py" else name.rpartition(".")[0]
        named: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                named |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                parts = package.split(".")
                base = parts[: len(parts) - node.level + 1] if node.level else []
                module = ".".join([*base, *filter(None, [node.module])])
                named |= {
                    inner if (inner := f"{module}.{alias.name}") in known else module
                    for alias in node.names
                }
        found[name] = (named & known.keys()) - {name}
    return found


@cache
def of_the_house() -> Arrows:
    """The arrows of the whole product, whose modules are parsed once for all tests."""
    return arrows(TOP)


def room(name: str) -> str:
    """`schemas`, or a folder of `pipeline` or `reports`; a module at their top is its own room."""
    return "schemas" if name.startswith("schemas") else ".".join(name.split(".")[:2])


def rooms_of(found: Arrows) -> Arrows:
    """Which room imports which."""
    by_room: Arrows = {}
    for name, targets in found.items():
        here = room(name)
        by_room.setdefault(here, set()).update({room(t) for t in targets} - {here})
    return by_room


def circles(graph: Mapping[str, Iterable[str]]) -> list[list[str]]:
    """The sets of two or more nodes that reach each other (Tarjan's algorithm)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(node: str) -> None:
        index[node] = low[node] = len(index)
        stack.append(node)
        for target in graph.get(node, ()):
            if target not in index:
                visit(target)
                low[node] = min(low[node], low[target])
            elif target in stack:
                low[node] = min(low[node], index[target])
        if low[node] == index[node]:
            group = []
            while not group or group[-1] != node:
                group.append(stack.pop())
            if len(group) > 1:
                found.append(sorted(group))

    for node in graph:
        if node not in index:
            visit(node)
    return found


def importers(name: str) -> set[str]:
    """The rooms of `pipeline` that import the room `name` of it."""
    by_room = rooms_of(of_the_house())
    aim = f"pipeline.{name}"
    return {here.removeprefix("pipeline.") for here, to in by_room.items() if aim in to}


def test_only_the_review_the_commands_and_the_desk_draw() -> None:
    packages = {
        (name.split(".")[0], to.split(".")[0], name.startswith(MAY_DRAW))
        for name, targets in of_the_house().items()
        for to in targets
        if to.split(".")[0] != name.split(".")[0]
    }
    assert packages == {
        ("pipeline", "reports", True), ("pipeline", "schemas", True),
        ("pipeline", "schemas", False), ("reports", "schemas", False),
    }  # fmt: skip


@pytest.mark.parametrize("place", range(len(ORDER)))
def test_what_is_known_comes_before_what_is_judged(place: int) -> None:
    assert importers(ORDER[place]) & set(ORDER[:place]) == set()


@pytest.mark.parametrize("name", NEVER)
def test_a_room_is_not_imported_from_below(name: str) -> None:
    assert importers(name) & set(NEVER[name]) == set()


def test_no_import_runs_in_a_circle() -> None:
    found = of_the_house()
    assert circles(found) == []
    assert circles(rooms_of(found)) == []


def test_no_folder_has_too_many_modules() -> None:
    folders = [path.parent for path in modules(TOP).values()]
    assert {str(f.relative_to(TOP)) for f in folders if folders.count(f) > MOST_MODULES} == set()


def test_circles_are_found_also_inside_functions_and_between_rooms(tmp_path: Path) -> None:
    (tmp_path / "pipeline" / "a").mkdir(parents=True)
    (tmp_path / "pipeline" / "b").mkdir()
    (tmp_path / "pipeline" / "a" / "one.py").write_text("def f():\n    from ..b import two\n")
    (tmp_path / "pipeline" / "b" / "two.py").write_text("import pipeline.b.three\n")
    (tmp_path / "pipeline" / "b" / "three.py").write_text("from pipeline.a.four import x\n")
    (tmp_path / "pipeline" / "a" / "four.py").write_text("x = 1\n")
    found = arrows(tmp_path)
    assert circles(found) == []
    assert circles(rooms_of(found)) == [["pipeline.a", "pipeline.b"]]
    (tmp_path / "pipeline" / "a" / "four.py").write_text("def g():\n    import pipeline.a.one\n")
    assert circles(arrows(tmp_path)) == [
        ["pipeline.a.four", "pipeline.a.one", "pipeline.b.three", "pipeline.b.two"]
    ]


# ---- a measure says where it is drawn


PART = r'<section id="([\w-]+)"|call fold\("([\w-]+)"'
"""A section of a page, or a fold, which the macro `fold` makes one."""


def sections(template: Path) -> set[str]:
    """The ids of the sections of a template, those it includes among them."""
    text = template.read_text(encoding="utf-8")
    found = {a or b for a, b in re.findall(PART, text)}
    for name in re.findall(r"\{%-? include \"([\w.]+)\"", text):
        (included,) = (TOP / "reports").glob(f"*/{name}")
        found |= sections(included)
    return found


@pytest.mark.parametrize("measure", MEASURES.values(), ids=lambda measure: measure.id)
def test_a_measure_is_drawn_where_it_says(measure: MeasureFacts) -> None:
    assert measure.page in PAGES
    (template,) = (TOP / "reports").glob(f"*/{measure.page}.html")
    assert measure.section in sections(template)


# ---- a rule is one file


def texts_of(path: Path) -> list[str]:
    """Strings that the program reads: of Python without docstrings, of templates without notes."""
    source = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return [re.sub(r"/\*.*?\*/|\{#.*?#\}|<!--.*?-->", "", source, flags=re.DOTALL)]
    tree = ast.parse(source)
    sentence = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in sentence
    ]


def rules_named(path: Path) -> set[str]:
    """The rules that a file names."""
    text = "\n".join(texts_of(path))
    return all_rules().keys() & set(re.findall(r"[\w-]+", text))


def test_a_rule_is_named_in_its_own_file_alone() -> None:
    """The invented service, and what `start` draws from it, judge the rules they know."""
    own = {name: TOP / f"pipeline/rules/{name.replace('-', '_')}.py" for name in all_rules()}
    for name, path in own.items():
        assert name in rules_named(path)
    found = {
        path.relative_to(TOP).as_posix(): named
        for package in PACKAGES
        for path in sorted((TOP / package).rglob("*"))
        if path.suffix in (".py", ".html", ".js", ".css", ".sql", ".toml")
        and "simulate" not in path.parts
        and (named := {n for n in rules_named(path) if own[n] != path})
    }
    assert found == {}


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda rule: rule.id)
def test_what_a_rule_says_of_itself_holds_together(rule: Rule) -> None:
    named = {*rule.curves, *filter(None, [rule.limit, rule.cutoff_limit])}
    assert named <= rule.parameters.model_fields.keys()
    assert bool(rule.due) == (rule.limit_runs_from == "until_s")
    assert rule.within is None or rule.within in all_rules().keys() - {rule.id}


def test_one_rule_at_most_limits_a_cut_off() -> None:
    limiting = [rule for rule in all_rules().values() if rule.cutoff_limit]
    assert len(limiting) == 1
    assert "at_limit" in limiting[0].parameters.model_fields
