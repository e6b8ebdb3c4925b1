"""From nothing to a first month, and what `start` and `simulate` leave alone."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.rules import all_rules, parameter_problems
from pipeline.simulate import start
from schemas.catalogue import Cannula
from schemas.contract import MAY_BE_ABSENT, TABLES
from schemas.export_file import ExportFile
from schemas.protocol import ProtocolVersion

from .command_runs import Run, refused, rows


def fill(folder: Path) -> None:
    """Fill in what a started folder asks for, with one trip on the wall for an hour."""

    def replace(name: str, *changes: tuple[str, str]) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")

    replace(
        "export.toml",
        ('service = ""', 'service = "s1"'),
        ("months = []", 'months = ["2026-03"]'),
        ('privacy_basis = ""', 'privacy_basis = "limited-data-set"'),
        (" = 0  # FILL IN", " = 60"),
    )
    replace("protocol.toml", ('from_month = ""', 'from_month = "2026-01"'))
    catalogue = (folder / "cannulas.toml").read_text(encoding="utf-8").splitlines()
    entry = catalogue.index("# [[cannula]]")
    uncommented = [line.removeprefix("# ") for line in catalogue[entry:]]
    (folder / "cannulas.toml").write_text("\n".join(uncommented), encoding="utf-8")
    for table, row in {
        "trips": {
            "trip_id": "t1",
            "service_month": "2026-03",
            "base": "b1",
            "vehicle": "ground",
            "diagnosis_group": "g1",
            "handover_s": "7200",
        },
        "settings": {
            "trip_id": "t1",
            "at_s": "0",
            "support": "high_flow",
            "source": "wall",
            "cannula": "prong-2",
        },
    }.items():
        path = folder / f"{table}.csv"
        header = path.read_text(encoding="utf-8").strip().split(",")
        assert set(row) <= set(header)
        with path.open("a", encoding="utf-8", newline="") as file:
            file.write(",".join(row.get(name, "") for name in header) + "\n")


@pytest.mark.usefixtures("without_screen")
def test_from_nothing_to_a_first_month(run: Run) -> None:
    started = run("start", "new/month")
    assert (started.code, started.err) == (0, "")
    assert "tailrace check new/month" in started.out
    folder = Path("new/month")
    refused(
        run("check", folder),
        3,
        "export.toml: service: ",
        "export.toml: months: ",
        "export.toml: privacy_basis: must be one of limited-data-set, ",
        "export.toml: time_resolution_s.device_events: must be 1 or 60, is 0.",
        "protocol.toml: from_month: must be a month written YYYY-MM",
        "cannulas.toml: cannula: is missing.",
        "see that the tables are filled, trips.csv at least",
    )
    tables = {name: (folder / name).read_text() for name in ("trips.csv", "settings.csv")}
    fill(folder)
    for name, text in tables.items():
        filled = (folder / name).read_text()
        (folder / name).write_text(text)
        if name == "trips.csv":
            refused(run("check", folder), 3, "trips.csv: the table has no rows.")
        (folder / name).write_text(filled)
    checked = run("check", folder)
    assert checked.code == 0, checked
    assert "the limits of version draft-1 are not approved" in checked.out
    reviewed = run("review", folder)
    assert reviewed.code == 0, reviewed
    assert "Limits not approved: protocol version draft-1." in reviewed.out
    verdicts = {
        row["rule"]: row["verdict"] for row in rows(Path("tailrace-out/2026-03/data/verdicts.csv"))
    }
    (version,) = tomllib.loads((folder / "protocol.toml").read_text(encoding="utf-8"))["version"]
    assert set(verdicts) == set(version["rules"])
    # 120 minutes on the wall against the illustrative 50
    assert verdicts["wall-oxygen-time"] == "deviation"


def test_a_started_folder_explains_every_rule_parameter_and_column(run: Run) -> None:
    run("start", "new")
    text = Path("new/protocol.toml").read_text(encoding="utf-8")
    (version,) = tomllib.loads(text)["version"]
    assert version["rules"].keys() <= all_rules().keys()
    assert "approved" not in version
    assert "NOT APPROVED" in text
    assert parameter_problems(version["rules"]) == []
    joined = " ".join(text.replace("\n#  ", "").split())
    for rule in all_rules().values():
        assert rule.question in joined
        illustrated = rule.id in version["rules"]
        assert illustrated or f"# [version.rules.{rule.id}]\n" in text, "else a comment to fill in"
        for name, field in rule.parameters.model_fields.items():
            if name not in ("enabled", "text", "source"):
                optional = not field.is_required() and field.get_default() is None
                assert optional or not illustrated or name in version["rules"][rule.id]
                assert str(field.description) in joined
    tables = " ".join(Path("new/tables.txt").read_text(encoding="utf-8").split())
    for name, model in TABLES.items():
        columns = model.to_schema().columns
        made = Path(f"new/{name}.csv")
        assert made.exists() == (name not in MAY_BE_ABSENT)
        assert name in MAY_BE_ABSENT or made.read_text() == ",".join(columns) + "\n"
        for column, field in columns.items():
            assert f"{column} {field.description} (" in tables


def test_a_started_folder_has_every_key_of_the_settings_files(run: Run) -> None:
    run("start", "new")
    for name, model in (
        ("export.toml", ExportFile),
        ("cannulas.toml", Cannula),
        ("protocol.toml", ProtocolVersion),
    ):
        lines = Path("new", name).read_text(encoding="utf-8").splitlines()
        stripped = [line.replace("# ", "") for line in lines]
        for key in model.model_fields:
            assert any(
                line.startswith((f"{key} = ", f"[{key}]", f"[version.{key}")) for line in stripped
            ), f"{name}: {key}"


def test_a_rule_without_an_illustrative_limit_is_left_to_be_filled_in() -> None:
    rule = all_rules()["wall-oxygen-time"]
    text = start._rule_text(rule, {})
    assert tomllib.loads(text) == {}
    assert "# limit_min =" in text.splitlines()


def test_start_and_simulate_leave_what_is_there_alone(run: Run, tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.mkdir()
    (taken / "mine.txt").write_text("mine", encoding="utf-8")
    small = ("--trips", 2, "--months", 1)
    for command in (("start",), ("simulate", *small, "--into")):
        refused(run(*command, taken), 2, "is not empty", "Name a new or an empty folder.")
        refused(run(*command, taken / "mine.txt"), 2, "this is a file, not a folder")
        refused(run(*command, taken / "mine.txt" / "below"), 2, "this folder cannot be made")
    assert [path.name for path in taken.iterdir()] == ["mine.txt"]
