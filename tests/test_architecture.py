"""What the code promises about itself: which way imports point, how long things are, what is
described, and what must not stand in any file.
"""

from __future__ import annotations

import ast
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest

from pipeline.cli.main import app

TOP = Path(__file__).parent.parent
PACKAGES = ("pipeline", "schemas", "reports")
MOST_LINES, MOST_FUNCTION_LINES, MOST_SQL_LINES = 400, 40, 80
OURS = (*PACKAGES, "tests", "sample_data", ".ci")
TOP_FILES = ("README.md", "DEVELOPERS.md", "pyproject.toml", "constraints.txt", ".gitignore")


def modules(*folders: str) -> list[Path]:
    return [path for folder in folders for path in sorted((TOP / folder).rglob("*.py"))]


def name_of(path: Path) -> str:
    return path.relative_to(TOP).as_posix()


def imported(path: Path) -> set[str]:
    """Every module a file imports, also inside functions; relative ones made absolute."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            package = list(path.relative_to(TOP).with_suffix("").parts[: -node.level or None])
            module = [*package, *filter(None, [node.module])] if node.level else [node.module or ""]
            found.add(".".join(module))
            found |= {".".join([*module, alias.name]) for alias in node.names}
    return found


def of(packages: set[str], names: set[str]) -> set[str]:
    return {name for name in names if name.split(".")[0] in packages}


# ---- which way imports point


@pytest.mark.parametrize("path", modules("pipeline/statistics"), ids=name_of)
def test_statistics_are_pure(path: Path) -> None:
    names = imported(path)
    assert of({"duckdb", "pathlib", "os", "io"}, names) == set()
    assert {name for name in of({"pipeline"}, names) if "pipeline.statistics" not in name} == set()


@pytest.mark.parametrize("path", modules("tests/generative/twin"), ids=name_of)
def test_the_twin_shares_no_code_with_the_rules_it_checks(path: Path) -> None:
    assert of({"pipeline"}, imported(path)) == set()


def test_relative_imports_are_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "TOP", tmp_path)
    module = tmp_path / "pipeline" / "rules" / "some.py"
    module.parent.mkdir(parents=True)
    module.write_text("from . import rule\nfrom ..store import one\nimport reports.render.write\n")
    assert imported(module) == {
        "pipeline.rules", "pipeline.rules.rule", "pipeline.store", "pipeline.store.one",
        "reports.render.write",
    }  # fmt: skip


# ---- how long things are


@pytest.mark.parametrize("path", modules(*PACKAGES, "tests"), ids=name_of)
def test_modules_are_short(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) < MOST_LINES


def functions(text: str) -> Iterator[tuple[str, int, int]]:
    """Name of every function, its lines, and the lines of the longest text of SQL in it.

    A text over several lines counts as one line of its function, unless it is the docstring.
    Functions with a reasoned `# long:` comment are left out.
    """
    lines = text.splitlines()
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        start, end = node.lineno, node.end_lineno or node.lineno
        if any(re.search(r"# long: \w+ \w+", line) for line in lines[start - 1 : end]):
            continue
        first = node.body[0]
        docstring = {id(first.value)} if isinstance(first, ast.Expr) else set()
        spans = {
            (inner.lineno, inner.end_lineno or inner.lineno)
            for inner in ast.walk(node)
            if isinstance(inner, ast.JoinedStr | ast.Constant)
            and isinstance(getattr(inner, "value", ""), str)
            and id(inner) not in docstring
        }
        outer = {
            s for s in spans if not any(t != s and t[0] <= s[0] <= s[1] <= t[1] for t in spans)
        }
        texts = [until - since for since, until in outer]
        yield node.name, end - start + 1 - sum(texts), 1 + max(texts, default=0)


@pytest.mark.parametrize("path", modules(*PACKAGES), ids=name_of)
def test_functions_are_short(path: Path) -> None:
    found = list(functions(path.read_text(encoding="utf-8")))
    remedy = (
        f"over {MOST_FUNCTION_LINES} lines: split it, or say why in it: # long: two words or more"
    )
    assert {name: n for name, n, _ in found if n > MOST_FUNCTION_LINES} == {}, remedy
    assert {name: n for name, _, n in found if n > MOST_SQL_LINES} == {}


def test_a_long_function_needs_a_reason() -> None:
    body = "    pass\n" * 50
    sql = '    """Doc\n    string."""\n    return f"""\n' + "    SELECT\n" * 50 + '    """\n'
    assert list(functions(f"def f():\n{body}")) == [("f", 51, 1)]
    assert list(functions(f"def f():\n{sql}")) == [("f", 4, 52)]
    assert list(functions(f"def f():\n    # long: one table\n{body}")) == []
    assert list(functions(f"def f():\n    # long:\n{body}")) == [("f", 52, 1)]


# ---- what is described


def commands() -> dict[str, Any]:
    """Every command by its name, those of a group as `group name`."""
    from typer.main import get_command

    found: dict[str, Any] = {}
    waiting = dict(vars(get_command(app))["commands"])
    while waiting:
        name, command = waiting.popitem()
        found[name] = command
        inner = getattr(command, "commands", {})
        waiting |= {f"{name} {inside}": each for inside, each in inner.items()}
    return found


def test_every_command_and_argument_has_help() -> None:
    assert {"review", "check"} <= commands().keys()
    for name, command in commands().items():
        assert command.help, name
        for parameter in command.params:
            assert parameter.help, f"{name}: {parameter.name}"


def test_every_column_of_every_table_is_described() -> None:
    from schemas.case_detail import CASE_TABLES
    from schemas.contract import TABLES
    from schemas.outputs import OUTPUTS
    from schemas.stored import STORED

    models = {**TABLES, **OUTPUTS}
    schemas = {name: model.to_schema() for name, model in models.items()} | {
        f"stored {name}": schema for name, schema in STORED.items()
    }
    schemas |= {f"case {name}": schema for name, schema in CASE_TABLES.items()}
    for name, schema in schemas.items():
        assert schema.description or (models[name].__doc__ or "").strip(), name
        for column, field in schema.columns.items():
            assert field.description, f"{name}.{column}"


def test_every_parameter_of_every_rule_is_described() -> None:
    from pipeline.rules import all_rules

    for rule in all_rules().values():
        for name, field in rule.parameters.model_fields.items():
            assert field.description, f"{rule.id}.{name}"
        assert rule.reason_to_ask
        assert rule.source


# ---- what must not stand in any file


def texts() -> Iterator[tuple[str, str]]:
    """Every text file of the project with its name."""
    paths = [TOP / name for name in TOP_FILES]
    for folder in OURS:
        paths += sorted(path for path in (TOP / folder).rglob("*") if path.is_file())
    for path in paths:
        if "__pycache__" in path.parts or not path.exists():
            continue
        try:
            yield name_of(path), path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


# written in parts, so that this file does not hold what it looks for
MACHINE_PATH = re.compile(
    r"(?<![\w.:/<\"'])/(?:"
    + "|".join(["root", "home", "Users", "tmp", "work", "opt", "mnt"])
    + r")/\w"
    r"|[\"'](?:/(?:root|home|Users|tmp|work|opt|mnt)/\w)"
    r"|\b[A-Z]:\\\\?Users"
)
REGISTRIES = re.compile(
    "|".join(
        re.escape("".join(parts))
        for parts in [
            ("py", "pi.org"), ("python", "hosted.org"), ("ana", "conda.org"), ("conda", "-forge"),
            ("npm", "js.com"), ("npm", "js.org"), ("un", "pkg.com"), ("js", "delivr"),
            ("cdn", "js."), ("cdn", ".plot"), ("crates", ".io"), ("deb.", "debian.org"),
            ("proxy.", "golang"), ("docker", ".io"), ("ghcr", ".io"),
        ]
    )
)  # fmt: skip


def test_no_file_names_a_place_on_one_machine_or_a_package_registry() -> None:
    found = [
        (name, pattern.search(text))
        for name, text in texts()
        for pattern in (MACHINE_PATH, REGISTRIES)
        if pattern.search(text)
    ]
    assert found == []


def test_what_must_not_stand_in_a_file_would_be_found() -> None:
    for path in ("see /" + "tmp/x", 'open("/' + 'root/a")', "C:" + "\\Users\\me"):
        assert MACHINE_PATH.search(path)
    for path in ("reports/work/x", "#!/usr/bin/env bash", "https://a.example/home/x"):
        assert not MACHINE_PATH.search(path)
    assert REGISTRIES.search("https://" + "py" + "pi.org/simple")


# ---- what the documents say


def code_blocks(name: str) -> list[str]:
    text = (TOP / name).read_text(encoding="utf-8")
    return re.findall(r"^```sh\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_command_in_a_document_exists(document: str) -> None:
    text = (TOP / document).read_text(encoding="utf-8")
    written = [span for block in code_blocks(document) for span in block.splitlines()]
    written += re.findall(r"`(tailrace [^`]*)`", text)
    known = commands()
    used = 0
    for line in written:
        for part in re.split(r"&&|;", line):
            words = shlex.split(part.replace("[", " ").replace("]", " "), comments=True)
            if len(words) < 2 or Path(words[0]).name != "tailrace":
                continue
            if words[1] in ("--help", "COMMAND"):
                continue
            used += 1
            name = " ".join(words[1:3])
            command = known[name if name in known else words[1]]
            options = {option for p in command.params for option in p.opts} | {"--help"}
            assert {word for word in words if word.startswith("--")} <= options, line
    assert used


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_file_a_document_names_exists(document: str) -> None:
    text = (TOP / document).read_text(encoding="utf-8")
    named = re.findall(r"`((?:pipeline|schemas|reports|tests|\.ci)/[\w./]*)`", text)
    assert [path for path in named if not (TOP / path).exists()] == []


def test_the_readme_begins_with_two_commands_that_ci_runs() -> None:
    setup, tests, *_ = code_blocks("README.md")
    assert setup.rstrip().endswith("tailrace review sample_data")
    assert tests.rstrip().endswith("-m pytest")
    for command in (setup, tests):
        assert "PIP_CONSTRAINT=constraints.txt" in command
    ci = (TOP / ".ci" / "run").read_text(encoding="utf-8")
    assert ci.rstrip().endswith("readme 2")
    assert "\nreadme 1\n" in ci


def test_every_dependency_is_pinned_exactly() -> None:
    lines = (TOP / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert pins == sorted(pins, key=str.casefold)
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][\w.]*", pin) for pin in pins)
    pinned = {re.sub(r"[-_.]+", "-", pin.partition("==")[0]).lower() for pin in pins}
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = [
        *project["build-system"]["requires"],
        *project["project"]["dependencies"],
        *project["project"]["optional-dependencies"]["test"],
    ]
    names = {re.sub(r"[-_.]+", "-", re.split(r"[<>=!\[; ]", w)[0]).lower() for w in wanted}
    assert names <= pinned


def test_reasons_named_by_a_rule_are_those_of_the_contract() -> None:
    from pipeline.rules.fallback_reason import Reason
    from schemas.contract import REASONS

    assert list(get_args(Reason)) == REASONS
