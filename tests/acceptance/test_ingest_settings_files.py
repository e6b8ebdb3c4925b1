"""The three TOML files: each fault named by its place, in plain words, all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.catalogue import parse_catalogue
from schemas.export_file import parse_export
from schemas.located import LocatedError
from schemas.protocol import parse_protocol

from . import small_delivery


def faults(parse: object, text: str) -> list[tuple[str, str]]:
    """Dotted path and message of every fault."""
    with pytest.raises(LocatedError) as caught:
        parse(text)  # type: ignore[operator]
    return [(p.path, p.message) for p in caught.value.problems]


def test_protocol_defaults() -> None:
    version = parse_protocol(small_delivery.PROTOCOL).version[0]
    assert version.approved is None
    assert (version.merge_within_s, version.clock_tolerance_s) == (0, 120)
    assert version.matched_tolerance_s == 60
    assert version.carry_forward_min.model_dump() == {
        "source": "until_changed", "flow_lpm": 30, "fio2": 30,
        "humidification": "until_changed", "cannula": "until_changed",
    }  # fmt: skip


def test_one_carry_forward_for_all_fields() -> None:
    text = small_delivery.PROTOCOL.replace("{ flow_lpm = 30, fio2 = 30 }", "20")
    carried = parse_protocol(text).version[0].carry_forward_min
    assert set(carried.model_dump().values()) == {20}


@pytest.mark.parametrize(
    ("old", "new", "path", "message"),
    [
        ("flow_lpm = 30", "flow_lpm = -1", "carry_forward_min.flow_lpm",
         'must be a number of minutes above 0 or "until_changed", is -1'),
        ("flow_lpm = 30", "flow = 30", "carry_forward_min.flow",
         "is not a key of this file; check its spelling or remove it"),
        ('"2026-01"', '"2026-13"', "from_month", 'must be a month written YYYY-MM, is "2026-13"'),
        ('id = "2026.1"', "id = 2026.1", "id", "must be text in quotation marks, is 2026.1"),
        ('"intubated"', '"asleep"', "always_read",
         '"asleep" is none of died, arrest, intubated, more_support, bagged, spo2_below_NN,'
         " long_cut, ventilator_failed, power_lost, supply_low, unheated_fallback, blend_required,"
         " repeated_occlusion_without_call (NN from 1 to 99)"),
        ("[[version]]", "[[version]]\nmerge_within_s = -3", "merge_within_s",
         "must be at least 0, is -3"),
        ("[[version]]", "[[version]]\napproved = { by = \"D1\" }", "approved.month", "is missing"),
    ],
)  # fmt: skip
def test_protocol_faults(old: str, new: str, path: str, message: str) -> None:
    assert faults(parse_protocol, small_delivery.PROTOCOL.replace(old, new)) == [(path, message)]


def test_two_versions_are_told_apart_by_id_and_month() -> None:
    again = small_delivery.PROTOCOL.replace('"2026-01"', '"2026-02"')
    assert faults(parse_protocol, small_delivery.PROTOCOL + again) == [
        ("", 'two versions have id "2026.1"')
    ]
    again = small_delivery.PROTOCOL.replace('"2026.1"', '"2026.2"')
    assert faults(parse_protocol, small_delivery.PROTOCOL + again) == [
        ("", 'two versions have from_month "2026-01"')
    ]
    broken = small_delivery.PROTOCOL.replace('"2026.1"', '"2026.2"').replace("= 30 }", "= 0 }")
    assert faults(parse_protocol, small_delivery.PROTOCOL + broken)[0][0] == (
        "version[2026.2].carry_forward_min.fio2"
    )


def test_version_in_force() -> None:
    later = small_delivery.PROTOCOL.replace('"2026.1"', '"2026.2"').replace(
        '"2026-01"', '"2026-03"'
    )
    protocol = parse_protocol(small_delivery.PROTOCOL + later)
    found = [protocol.in_force(month) for month in ("2025-12", "2026-01", "2026-02", "2026-03")]
    assert [version and version.id for version in found] == [None, "2026.1", "2026.1", "2026.2"]


def test_syntax_error_has_line_and_column(tmp_path: Path) -> None:
    protocol = small_delivery.PROTOCOL.replace('"2026-01"', '"2026-01')
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", protocol=protocol))
    )
    assert (problem.file, problem.line, problem.code) == ("protocol.toml", 4, "toml-syntax")
    assert "column" in problem.what


def test_rule_parameter_out_of_range(tmp_path: Path) -> None:
    protocol = small_delivery.PROTOCOL.replace("limit_min = 50", "limit_min = -5")
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", protocol=protocol))
    )
    assert problem.sentence().startswith(
        "protocol.toml: rules.wall-oxygen-time.limit_min: must be above 0, is -5."
    )


def test_rule_that_is_not_known(tmp_path: Path) -> None:
    protocol = small_delivery.PROTOCOL.replace("wall-oxygen-time", "wall-time")
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", protocol=protocol))
    )
    assert (problem.column, problem.code) == ("rules.wall-time", "toml-content")


@pytest.mark.parametrize(
    ("old", "new", "path", "message"),
    [
        ("= 2\nflow_max", "= 20\nflow_max", "cannula[prong-2]",
         "flow_min_lpm must not be above flow_max_lpm, is 20 above 12"),
        ("size_rank = 2", "size_rank = 2.5", "cannula[prong-2].size_rank",
         "must be a whole number, is 2.5"),
        ("= 1.9", "= 0", "cannula[prong-2].prong_od_mm", "must be above 0, is 0"),
        ('family = "prong"', "", "cannula[prong-2].family", "is missing"),
    ],
)  # fmt: skip
def test_catalogue_faults(old: str, new: str, path: str, message: str) -> None:
    assert faults(parse_catalogue, small_delivery.CANNULAS.replace(old, new)) == [(path, message)]


def test_catalogue_ids_are_unique() -> None:
    assert faults(parse_catalogue, small_delivery.CANNULAS * 2) == [
        ("", 'two entries have the id "prong-2"')
    ]


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ("contract = 1", "contract = 2", "contract"),
        ('"2026-02"', '"2026-2"', "months[2]"),
        ('"2026-02"', '"2026-01"', "months"),
        ("limited-data-set", "none", "privacy_basis"),
        ("settings = 60", "settings = 30", "time_resolution_s.settings"),
        ("settings = 60", "setting = 60", "time_resolution_s.setting"),
        ("settings = 60", "", ""),
        ("2026-01 = 3", "2026-03 = 3", "expected_trips"),
        ("2026-01 = 3", "2026-01 = -3", "expected_trips.2026-01"),
        ("2026-01 = 3", "2026-01 = 99999999999999999999", "expected_trips.2026-01"),
        ("contract = 1", 'contract = 1\nnot_recorded = ["trips"]', "not_recorded"),
        ("contract = 1", 'contract = 1\nnot_recorded = ["notes"]', "not_recorded[1]"),
        ("contract = 1", 'contract = 1\nignore = { notes = ["x"] }', "ignore.notes"),
    ],
)
def test_export_faults(old: str, new: str, path: str) -> None:
    assert path in [
        found for found, _ in faults(parse_export, small_delivery.EXPORT.replace(old, new))
    ]


def test_an_unstated_resolution_is_asked_for_by_table() -> None:
    text = small_delivery.EXPORT.replace("contacts = 60", "")
    assert faults(parse_export, text) == [
        ("", "time_resolution_s must say for each of contacts how finely times were recorded:"
             " 1 or 60")
    ]  # fmt: skip
    parse_export('not_recorded = ["contacts"]\n' + text)


def test_device_clock_limit() -> None:
    assert parse_export(small_delivery.EXPORT).device_clock.max_offset_s == 900
    text = small_delivery.EXPORT + "\n[device_clock]\nmax_offset_s = 300\n"
    assert parse_export(text).device_clock.max_offset_s == 300
