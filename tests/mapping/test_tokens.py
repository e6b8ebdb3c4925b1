"""Keyed hashes in place of record and crew numbers, the key, and the crosswalk back."""

from __future__ import annotations

import hashlib
import hmac
import os
from pathlib import Path

import duckdb
import pytest

from pipeline.mapping import tokens
from pipeline.mapping.command import Wanted, map_command
from pipeline.mapping.values import HASH_DIGITS, _hashed
from tests.mapping import direct, small_source

TOKENS = '[tokens]\nkey_file = "keep/key"\ncrosswalk = "keep/crosswalk.csv"'
CREW = """
[files.crew]
path = "crew.csv"
[tables.crew]
from = "crew"
[tables.crew.columns]
trip_id = { from = "case", token = "trip" }
crew_member = { from = "who", token = "crew" }
role = "as"
"""

# RFC 4231, sections 4.2, 4.3 and 4.7 (from memory): key, data, first 128 bits of HMAC-SHA-256
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b"),
    (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c7"),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f",
    ),
]


@pytest.mark.parametrize(("key", "data", "expected"), RFC_4231)
def test_the_construction_is_that_of_the_standard(key: bytes, data: bytes, expected: str) -> None:
    """The SQL is HMAC once the kind that it puts before the number is taken out."""
    sql = _hashed("kind", "number").replace("'kind' || chr(31) || number", "$data")
    pads = tokens.pads(key)
    (found,) = duckdb.execute(f"select {sql}", {**pads, "data": data.decode()}).fetchone() or ("",)
    assert found == expected
    assert hmac.new(key, data, hashlib.sha256).hexdigest()[:HASH_DIGITS] == expected


def with_tokens(tmp_path: Path) -> Path:
    crew = "case,who,as\n007,81,nurse\nT2,81,nurse\nT2,007,medic\n"
    folder = small_source.source(
        tmp_path / "in", {"crew.csv": crew}, mapped=("crew",), tokens=TOKENS, more=CREW
    )
    text = (folder / "mapping.toml").read_text()
    text = text.replace('trip_id = "case"', 'trip_id = { from = "case", token = "trip" }', 1)
    (folder / "mapping.toml").write_text(text)
    (folder / "keep").mkdir()
    (folder / "keep" / "key").write_text(direct.KEY + "\n")
    (folder / "keep" / "key").chmod(0o600)
    return folder


def test_numbers_become_tokens_that_link(tmp_path: Path) -> None:
    folder = with_tokens(tmp_path)
    small_source.run(folder)
    seven, two = direct.token("trip", "007"), direct.token("trip", "T2")
    assert small_source.column(folder, "trip_id") == [seven, two]
    assert small_source.column(folder, "trip_id", "crew") == [seven, two, two]
    members = small_source.column(folder, "crew_member", "crew")
    assert members == [direct.token("crew", number) for number in ("81", "81", "007")]
    # the same number as a record and as a crew number is two tokens
    assert members[2] != seven


def test_the_key_is_nowhere_but_in_its_file(tmp_path: Path) -> None:
    folder = with_tokens(tmp_path)
    mapped = small_source.run(folder)
    pads = tokens.pads(direct.KEY.encode())
    secrets = [direct.KEY.encode(), pads["inner"], pads["outer"], pads["inner"].hex().encode()]
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.name != "key"]
    assert len(written) > 5
    for path in written:
        assert not any(secret in path.read_bytes() for secret in secrets), path
    assert direct.KEY not in mapped.report(100)
    assert sorted(p.name for p in (tmp_path / "in-mapped").iterdir()) == [
        "crew.csv", "export.toml", "trips.csv",
    ]  # fmt: skip


def test_the_crosswalk_grows_and_answers(tmp_path: Path) -> None:
    folder = with_tokens(tmp_path)
    small_source.run(folder)
    crosswalk = folder / "keep" / "crosswalk.csv"
    assert crosswalk.stat().st_mode & 0o777 == 0o600
    (folder / "trips.csv").write_text(small_source.TRIPS.replace("007", "008"))
    (tmp_path / "in-mapped").rename(tmp_path / "first")
    small_source.run(folder)
    assert len(crosswalk.read_text().splitlines()) == 1 + 3 + 2
    for kind, number in (("trip", "007"), ("trip", "008"), ("crew", "81")):
        wanted = Wanted(find=direct.token(kind, number), mapping=folder / "mapping.toml")
        assert map_command(wanted, 10) == (f"{kind}: {number}", 0)
    wanted = Wanted(find="f" * 32, mapping=folder / "mapping.toml")
    with pytest.raises(small_source.Refused) as caught:
        map_command(wanted, 10)
    assert caught.value.problems[0].code == "no-such-token"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
@pytest.mark.parametrize("name", ["key", "crosswalk.csv"])
def test_permissions_are_checked(tmp_path: Path, name: str, mode: int) -> None:
    folder = with_tokens(tmp_path)
    path = folder / "keep" / name
    path.touch()
    path.chmod(mode)
    problem = small_source.refusal(folder)
    assert problem.code == "key-permissions"
    assert "chmod 600" in problem.remedy


@pytest.mark.parametrize("kept", ["short", "", "x" * 5000])
def test_a_key_must_be_long_enough(tmp_path: Path, kept: str) -> None:
    folder = with_tokens(tmp_path)
    (folder / "keep" / "key").write_text(kept)
    assert small_source.refusal(folder).code == "key-unusable"


def test_neither_may_lie_where_data_travel(tmp_path: Path) -> None:
    folder = with_tokens(tmp_path)
    for name in ("store.duckdb", "export.toml"):
        (folder / "keep" / name).touch()
        assert small_source.refusal(folder).code == "key-place"
        (folder / "keep" / name).unlink()
    text = (folder / "mapping.toml").read_text()
    (folder / "mapping.toml").write_text(text.replace("keep/crosswalk", "../in-mapped/crosswalk"))
    assert small_source.refusal(folder).code == "key-place"


def test_no_key_and_no_crosswalk(tmp_path: Path) -> None:
    folder = with_tokens(tmp_path)
    mapping = folder / "mapping.toml"
    with pytest.raises(small_source.Refused) as caught:
        map_command(Wanted(find="f" * 32, mapping=mapping), 10)
    assert caught.value.problems[0].code == "not-found"
    (folder / "keep" / "key").unlink()
    assert small_source.refusal(folder).code == "not-found"
    (folder / "keep" / "key").mkdir(mode=0o700)
    assert small_source.refusal(folder).code == "not-a-file"


def test_a_new_key(tmp_path: Path) -> None:
    path = tmp_path / "key"
    text, code = map_command(Wanted(new_key=path), 10)
    assert (code, path.stat().st_mode & 0o777) == (0, 0o600)
    key = path.read_text().strip()
    assert len(bytes.fromhex(key)) == 32
    assert key not in text
    with pytest.raises(small_source.Mistake) as caught:
        map_command(Wanted(new_key=path), 10)
    assert caught.value.exit_code == 2
    assert path.read_text().strip() == key


@pytest.mark.skipif(os.name != "posix", reason="permissions are kept elsewhere")
def test_a_crosswalk_is_never_open_while_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    plain = Path.replace

    def watch(self: Path, target: Path) -> Path:
        seen.append(self.stat().st_mode & 0o777)
        return plain(self, target)

    monkeypatch.setattr(Path, "replace", watch)
    old = os.umask(0)
    try:
        tokens.add_to_crosswalk(tmp_path / "c.csv", [("trip", "ab", "1")])
    finally:
        os.umask(old)
    assert seen == [0o600]
