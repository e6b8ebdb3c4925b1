"""The documents are what the program says: made pages fresh, every command, page and link there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipeline.docs import generated
from pipeline.docs.commands import commands

TOP = Path(__file__).parent.parent
DOCS = TOP / "docs"
TEMPLATES = TOP / "reports"
MADE = generated()
WRITTEN = [TOP / "README.md", TOP / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]


@pytest.mark.parametrize("name", MADE)
def test_a_made_page_is_fresh(name: str) -> None:
    """Renew them with: python -m pipeline.docs"""
    assert (DOCS / name).read_text(encoding="utf-8") == MADE[name]


def test_no_made_page_is_left_over() -> None:
    marked = {p.name for p in DOCS.glob("*.md") if "Made by `python -m pipeline.docs`" in
              p.read_text(encoding="utf-8")}  # fmt: skip
    assert marked == set(MADE)


def test_making_them_twice_gives_the_same() -> None:
    assert generated() == MADE


def test_every_command_and_option_is_documented() -> None:
    page = MADE["commands.md"]
    for name, command in commands().items():
        section = page.partition(f"## tailrace {name}\n")[2].partition("\n## ")[0]
        assert section, name
        for parameter in command.params:
            shown = [parameter.metavar] if parameter.param_type_name == "argument" else [
                option for option in parameter.opts if option != "--help"
            ]  # fmt: skip
            assert all(f"`{option}" in section for option in shown), f"{name} {shown}"


def test_the_readme_lists_every_command() -> None:
    listed = (TOP / "README.md").read_text(encoding="utf-8")
    assert [name for name in commands() if f"`tailrace {name}" not in listed] == []


def test_every_rule_measure_table_and_key_is_documented() -> None:
    from pipeline.measures.registry import MEASURES
    from pipeline.rules import all_rules
    from schemas.contract import TABLES
    from schemas.export_file import ExportFile
    from schemas.followup import FOLLOWUP_TABLES
    from schemas.outputs import OUTPUTS
    from schemas.stored import STORED, stored_as

    assert all(f"\n## {rule}\n" in MADE["rules.md"] for rule in all_rules())
    assert all(f"\n## {measure}\n" in MADE["measures.md"] for measure in MEASURES)
    for name, model in {**TABLES, **OUTPUTS}.items():
        section = MADE["data-dictionary.md"].partition(f"\n### {name}")[2].partition("\n###")[0]
        assert all(f"| `{column}` |" in section for column in model.to_schema().columns), name
    for place, schemas in (("delivered", STORED), ("loop", FOLLOWUP_TABLES)):
        for name, schema in schemas.items():
            text = MADE["data-dictionary.md"].partition(f"\n### {place}.{name}\n")[2]
            section = text.partition("\n###")[0]
            of = next((table for table in TABLES if stored_as(table) == name), None)
            contract = TABLES[of].to_schema().columns if of else {}
            own = schema.columns.keys() - contract.keys()
            assert own, name
            assert all(f"| `{column}` |" in section for column in own), name
    assert all(f"| `{key}` |" in MADE["data-dictionary.md"] for key in ExportFile.model_fields)
    assert "None" not in MADE["data-dictionary.md"], "a description is missing"


def test_every_page_and_part_of_a_page_is_documented() -> None:
    page = (DOCS / "pages.md").read_text(encoding="utf-8")
    # what the desk's pages hold is said by task, in desk.md
    templates = [
        path
        for path in TEMPLATES.glob("*/*.html")
        if path.name != "base.html" and path.parent.name != "desk"
    ]
    whole = [path.name for path in templates if not path.name.startswith("_")]
    assert len(whole) >= 5
    assert [name for name in whole if f"`{name}`" not in page] == []
    parts = {
        section or fold
        for path in templates
        for section, fold in re.findall(
            r'<section id="([\w-]+)"|call fold\("([\w-]+)"', path.read_text(encoding="utf-8")
        )
    }
    assert parts
    listed = set(re.findall(r"^\| `([\w-]+)` \|", page, flags=re.MULTILINE))
    assert listed == parts


@pytest.mark.parametrize("path", WRITTEN, ids=lambda path: path.name)
def test_every_link_leads_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)(?:#[\w-]+)?\)", text)
    assert [link for link in links if not (path.parent / link).exists()] == []
    headings = {
        re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.+)", text, flags=re.MULTILINE)
    }
    assert set(re.findall(r"\]\(#([\w-]+)\)", text)) <= headings


def test_every_document_is_in_the_index() -> None:
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    names = {path.name for path in DOCS.glob("*.md")} - {"README.md"}
    assert [name for name in sorted(names) if f"({name})" not in index] == []


def test_pictures_are_small() -> None:
    pictures = sorted((DOCS / "pictures").glob("*.png"))
    assert pictures
    assert {p.name: p.stat().st_size for p in pictures if p.stat().st_size > 150_000} == {}


def test_everything_the_program_reads_is_in_the_wheel() -> None:
    """Each file beside the modules matches a pattern of the package data."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = project["tool"]["setuptools"]["package-data"]["*"]
    packages = ("pipeline", "schemas", "reports")
    folders = [path for name in packages for path in (TOP / name).rglob("*") if path.is_dir()]
    files = [
        path
        for name in packages
        for path in (TOP / name).rglob("*")
        if path.is_file() and path.suffix != ".py" and path.parent.name != "__pycache__"
    ]
    assert len(files) > 20
    assert [str(p) for p in files if not any(p.match(pattern) for pattern in patterns)] == []
    modules = [f for f in folders if any(f.glob("*.py"))]
    assert [str(f) for f in modules if not (f / "__init__.py").exists()] == []
