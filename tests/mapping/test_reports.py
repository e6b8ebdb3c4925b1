"""Patient care reports: groups, repeats, nils and their reasons, custom elements, versions."""

from __future__ import annotations

import gzip
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pipeline.mapping.report import PERTINENT_NEGATIVES, meaning
from pipeline.mapping.run import Mapped
from tests.mapping import reports_system, small_source

pytestmark = pytest.mark.usefixtures("without_screen")

SAMPLES = next(
    (at for up in Path(__file__).parents if (at := up / "shared" / "nemsis").is_dir()), Path("none")
)
# the standard's own documents lie outside the project, where they are there at all
MAPPING = """
mapping = 1
extends = "nemsis-3.5"
service = "demo-service"
privacy_basis = "limited-data-set"
time_zone = "America/Denver"
not_recorded = ["contacts", "training", "device_events"]

[time_resolution_s]
trips = 60
settings = 60
observations = 60

[tokens]
key_file = "keep/key"

[files.reports]
path = "{path}"

[tables.trips.columns]
base = "eResponse.13"
diagnosis_group = {{ constant = "any" }}
service_month = {{ constant = "2015-03" }}
{columns}
[tables.settings]
from = "reports"
each = "{each}"
[tables.settings.columns]
trip_id = {{ from = "eRecord.01", token = "trip" }}
{settings}
"""
SETTINGS = 'at_s = { from = "custom:set", time = "iso" }\nflow_lpm = "custom:flow"'


def mapping(
    folder: Path,
    path: str,
    *,
    each: str = "custom:set",
    settings: str = SETTINGS,
    columns: str = "",
) -> Path:
    (folder / "keep").mkdir(parents=True)
    (folder / "keep" / "key").write_text("k" * 40)
    (folder / "keep" / "key").chmod(0o600)
    parts = {"path": path, "each": each, "settings": settings, "columns": columns}
    (folder / "mapping.toml").write_text(MAPPING.format(**parts))
    return folder


def report(inside: str = "", *, vitals: str = "", results: str = "", record: str = "R1") -> str:
    return (
        f'<PatientCareReport UUID="u-{record}"><eRecord><eRecord.01>{record}</eRecord.01></eRecord>'
        "<eResponse><eResponse.07>2207015</eResponse.07><eResponse.13>m1</eResponse.13></eResponse>"
        "<eTimes><eTimes.07>2015-03-03T10:00:00-07:00</eTimes.07></eTimes>"
        f"{inside}<eVitals>{vitals}</eVitals><eCustomResults>{results}</eCustomResults>"
        "</PatientCareReport>"
    )


def result(of: str, value: str, *, own: str = "", ref: str = "", attributes: str = "") -> str:
    own = f' CorrelationID="{own}"' if own else ""
    ref = f"<eCustomResults.03>{ref}</eCustomResults.03>" if ref else ""
    inside = f"<eCustomResults.01{attributes}>{value}</eCustomResults.01>"
    inside += f"<eCustomResults.02>{of}</eCustomResults.02>{ref}"
    return f"<eCustomResults.ResultsGroup{own}>{inside}</eCustomResults.ResultsGroup>"


def document(*reports: str) -> str:
    return reports_system.HEAD + "".join(reports) + reports_system.TAIL


def run(tmp_path: Path, text: str | bytes, **parts: str) -> tuple[Path, Mapped]:
    folder = mapping(tmp_path / "in", "in.xml", **parts)
    (folder / "in.xml").write_bytes(text.encode() if isinstance(text, str) else text)
    return folder, small_source.run(folder)


# ---- the standard's own samples


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="the standard's sample documents are not here")
class TestSamples:
    def map(self, tmp_path: Path, name: str, **parts: str) -> tuple[Path, Mapped]:
        return run(tmp_path, (SAMPLES / name).read_bytes(), **parts)

    def test_repeating_groups_and_elements(self, tmp_path: Path) -> None:
        """Two groups of vital signs, both obtained by others before; three crew members."""
        folder, mapped = self.map(tmp_path, "EMSDataset-ElementsRepeat-1.xml")
        assert mapped.rows == {"trips": 1, "crew": 3, "settings": 0, "observations": 0}
        assert small_source.column(folder, "role", "crew") == ["9925043"] * 3
        # eCrew.03 repeats within a group, and only the mapping can say which counts
        text = (folder / "mapping.toml").read_text()
        text += '[tables.crew.columns]\nrole = "eCrew.03"\n'
        (folder / "mapping.toml").write_text(text)
        (tmp_path / "in-mapped").rename(tmp_path / "first")
        again = small_source.run(folder)
        assert small_source.column(folder, "role", "crew") == ["unreadable"] * 3
        assert small_source.found(again) == [("in.xml", 59, "eCrew.03", "several-values")]
        first = text.replace('"eCrew.03"', '{ from = "eCrew.03", pick = "first" }')
        (folder / "mapping.toml").write_text(first)
        (tmp_path / "in-mapped").rename(tmp_path / "second")
        small_source.run(folder)
        assert small_source.column(folder, "role", "crew") == ["2403013"] * 3

    def test_nils_with_their_reasons(self, tmp_path: Path) -> None:
        folder, mapped = self.map(tmp_path, "EMSDataset-Nils-1.xml")
        notes = {(note.column, note.line): (note.code, note.detail) for note in mapped.notes}
        assert notes["eTimes.07", 60] == ("not-recorded", None)
        assert notes["eTimes.12", 65] == ("not-applicable", None)
        assert notes["eVitals.12", 304] == ("pertinent-negative", "refused, 8801019")
        assert notes["eVitals.10", 302] == (
            "pertinent-negative",
            "exam finding not present, 8801005",
        )
        assert notes["eExam.01", 344] == ("pertinent-negative", "unable to complete, 8801023")
        (trip,) = small_source.rows(folder)
        assert (trip["weight_kg"], trip["age_months"], trip["vehicle"]) == ("", "", "fixed_wing")
        assert small_source.found(mapped) == [("in.xml", 8, "eTimes.07", "no-bedside")]
        # eResponse.02 says that it is not reported; nobody asked
        assert not any("eResponse.02" in note.column for note in mapped.notes)

    def test_each_element_once(self, tmp_path: Path) -> None:
        columns = "age_months = { constant = 3 }"
        folder, mapped = self.map(tmp_path, "EMSDataset-NoRepeat-1.xml", columns=columns)
        assert small_source.found(mapped) == []
        assert small_source.column(folder, "weight_kg") == ["158.1"]

    def test_custom_elements_in_groups_of_their_own(self, tmp_path: Path) -> None:
        settings = 'at_s = { from = "custom:CDateTime", time = "iso" }\n'
        settings += 'cannula = "custom:C101"\nreason = { from = "custom:C102", codes = {'
        settings += (
            ' "patient was put in ambulance" = "start", "the patient became violent" = "check" } }'
        )
        folder, _ = self.map(tmp_path, "custom-New_Grouping_PatientRestraint.xml",
                             each="custom:CDateTime", settings=settings)  # fmt: skip
        assert [
            (row["cannula"], row["reason"]) for row in small_source.rows(folder, "settings")
        ] == [
            ("stretcher restraint", "start"),
            ("straight jacket", "check"),
        ]

    def test_custom_elements_that_extend_a_group(self, tmp_path: Path) -> None:
        settings = 'at_s = { from = "eVitals.01", time = "iso" }\ncannula = "custom:config_303"'
        folder, _ = self.map(tmp_path, "custom-Extend_eVitals.26_DoesNotMapToNemsisCode.xml",
                             each="eVitals.VitalGroup", settings=settings)  # fmt: skip
        assert small_source.column(folder, "cannula", "settings") == ["3326088", "3326099"]

    def test_custom_elements_that_extend_an_element(self, tmp_path: Path) -> None:
        """The id to refer to is on an element within the group."""
        settings = (
            'at_s = { from = "eMedications.01", time = "iso" }\ncannula = "custom:config_303"'
        )
        folder, _ = self.map(tmp_path, "custom-Extend_eMedications.08_MapsToNemsisCode.xml",
                             each="eMedications.MedicationGroup", settings=settings)  # fmt: skip
        assert small_source.column(folder, "cannula", "settings") == ["A107"]


# ---- what an element says in place of a value


@pytest.mark.parametrize(
    ("text", "nv", "pn", "nil", "expected"),
    [
        ("7", None, None, False, ("7", None)),
        ("", None, None, False, (None, None)),
        ("", "7701001", None, True, (None, ("not-applicable", None))),
        ("", "7701003", None, True, (None, ("not-recorded", None))),
        ("", "7701005", None, True, (None, ("not-reporting", None))),
        ("", "7701099", None, True, (None, ("unknown-reason", "7701099"))),
        ("", None, "8801019", True, (None, ("pertinent-negative", "refused, 8801019"))),
        ("", None, "x", True, (None, ("pertinent-negative", "x"))),
        ("9", None, "8801003", False, (None, ("negated-value", "denied by order, 8801003"))),
        ("9", None, "8801029", False, ("9", ("approximate", None))),
        ("", None, None, True, (None, ("nil-without-reason", None))),
    ],
)
def test_meaning(text: str, nv: str, pn: str, nil: bool, expected: tuple[object, ...]) -> None:
    assert meaning(text, nv, pn, nil=nil) == expected


def test_the_reasons_are_those_of_the_standard() -> None:
    """Data dictionary of version 3.5.1, eCustomConfiguration.08 (found)."""
    assert len(PERTINENT_NEGATIVES) == 15
    assert PERTINENT_NEGATIVES["8801023"] == "unable to complete"


def test_reasons_are_listed_apart_from_empty(tmp_path: Path) -> None:
    vitals = "".join(
        f"<eVitals.VitalGroup><eVitals.01>2015-03-03T10:0{n}:00-07:00</eVitals.01>{spo2}"
        "</eVitals.VitalGroup>"
        for n, spo2 in enumerate([
            "<eVitals.12>97</eVitals.12>", "", "<eVitals.12/>",
            '<eVitals.12 xsi:nil="true" NV="7701003"/>',
            '<eVitals.12 xsi:nil="true" PN="8801019"/>',
            '<eVitals.12 xsi:nil="true" PN="8801019"/>',
            '<eVitals.12 PN="8801023">55</eVitals.12>',
        ])
    )  # fmt: skip
    folder, mapped = run(tmp_path, document(report(vitals=vitals)))
    assert small_source.column(folder, "spo2_pct", "observations") == ["97", "", "", "", "", "", ""]
    codes = [(n.code, n.count) for n in mapped.notes if n.column == "eVitals.12"]
    assert sorted(codes) == [("negated-value", 1), ("not-recorded", 1), ("pertinent-negative", 2)]
    lines = "\n".join(note.sentence() for note in mapped.notes)
    assert "eVitals.12 holds a pertinent negative in place of a value: refused, 8801019" in lines


def test_reasons_of_custom_elements(tmp_path: Path) -> None:
    nil = ' xsi:nil="true" NV="7701001"'
    results = result("set", "2015-03-03T10:05:00-07:00", own="a")
    results += result("flow", "", ref="a", attributes=nil) + result("other", "", attributes=nil)
    folder, mapped = run(tmp_path, document(report(results=results)))
    assert small_source.column(folder, "flow_lpm", "settings") == [""]
    assert [n.column for n in mapped.notes if n.code == "not-applicable"] == ["custom:flow"]


# ---- groups


def test_an_element_of_another_group_does_not_leak_in(tmp_path: Path) -> None:
    vitals = (
        "<eVitals.VitalGroup><eVitals.01>2015-03-03T10:01:00-07:00</eVitals.01>"
        "<eVitals.12>97</eVitals.12></eVitals.VitalGroup>"
        "<eVitals.VitalGroup><eVitals.01>2015-03-03T10:02:00-07:00</eVitals.01></eVitals.VitalGroup>"
    )
    folder, _ = run(tmp_path, document(report(vitals=vitals)))
    assert small_source.column(folder, "spo2_pct", "observations") == ["97", ""]


def test_results_belong_to_what_they_refer_to(tmp_path: Path) -> None:
    """Of two settings that begin on one line, in any order, in reports of their own."""
    first = result("flow", "8", ref="a") + result("set", "2015-03-03T10:05:00-07:00", own="a")
    first += result("set", "2015-03-03T10:09:00-07:00", own="b") + result("flow", "9", ref="b")
    first += result("flow", "99") + result("flow", "98", ref="nobody")
    second = result("set", "2015-03-03T10:07:00-07:00", own="a") + result("flow", "7", ref="a")
    text = document(report(results=first), report(results=second, record="R2"))
    folder, mapped = run(tmp_path, text)
    rows = small_source.rows(folder, "settings")
    assert [(row["at_s"], row["flow_lpm"]) for row in rows] == [
        ("300", "8"), ("540", "9"), ("420", "7"),
    ]  # fmt: skip
    assert len({row["trip_id"] for row in rows}) == 2
    assert small_source.found(mapped) == []


def test_a_name_that_is_nowhere_is_said(tmp_path: Path) -> None:
    settings = SETTINGS + '\nfio2 = "custom:fi02"'
    _, mapped = run(tmp_path, document(report()), settings=settings)
    never = [note.column for note in mapped.notes if note.code == "never-there"]
    assert "custom:fi02" in never
    assert "eRecord.01" not in never


def test_packed_and_in_another_encoding(tmp_path: Path) -> None:
    text = document(report()).replace("UTF-8", "ISO-8859-1").replace("m1", "süd")
    folder, _ = run(tmp_path, gzip.compress(text.encode("latin-1")))
    assert small_source.column(folder, "base") == ["süd"]


def test_nothing_that_is_not_named_is_touched(tmp_path: Path) -> None:
    """Not in the delivery, not in the list of problems, not in what is printed."""
    mark = reports_system.MARK
    inside = (
        f"<ePatient><ePatient.02>{mark}</ePatient.02><ePatient.17>{mark}</ePatient.17></ePatient>"
    )
    inside += f"<eNarrative><eNarrative.01>{mark} <![CDATA[{mark}]]></eNarrative.01></eNarrative>"
    inside += (
        f"<!-- {mark} --><?pi {mark}?><eTimes><eTimes.09 X='{mark}'>never</eTimes.09></eTimes>"
    )
    text = document(report(inside, results=result("name", mark), record="R1"))
    folder, mapped = run(tmp_path, text)
    listed = tmp_path / "problems.csv"
    (tmp_path / "in-mapped").rename(tmp_path / "first")
    small_source.run(folder, problems=listed)
    assert mapped.problems
    assert "eTimes.09" in listed.read_text()
    for path in [listed, *(tmp_path / "in-mapped").iterdir()]:
        assert mark not in path.read_text()
        assert "never," not in path.read_text()
    assert mark not in mapped.report(1000)


# ---- documents that are refused

DTD = '<!DOCTYPE EMSDataSet [<!ENTITY e "x">]>\n'
BOMB = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)


def head(**swaps: str) -> str:
    text = document(report())
    for old, new in swaps.items():
        text = text.replace({"ns": "http://www.nemsis.org", "v": "release-3.5.0"}[old], new)
    return text


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "xml-syntax"),
        ("not xml", "xml-syntax"),
        (document(report())[:-30], "xml-syntax"),
        (document(report() + "<open>"), "xml-syntax"),
        (document(report("&undefined;")), "xml-syntax"),
        (head().replace("UTF-8", "no-such-encoding"), "xml-syntax"),
        (head(ns="http://other.example"), "not-nemsis"),
        (head().replace('xmlns="http://www.nemsis.org"', ""), "not-nemsis"),
        (head().replace("EMSDataSet", "DEMDataSet"), "not-nemsis"),
        ("<html/>", "not-nemsis"),
        (head(v="release-3.4.0"), "wrong-version"),
        (head(v="3.4.0.160713CP2"), "wrong-version"),
        (head(v="release-3.6.1"), "wrong-version"),
        (head().replace("<EMSDataSet", DTD + "<EMSDataSet", 1), "xml-dtd"),
        (BOMB + "]><x>&i;</x>", "xml-dtd"),
        ('<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd"><x/>', "xml-dtd"),
        ('<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><x>&e;</x>', "xml-dtd"),
        ('<!DOCTYPE x [<!ENTITY % e SYSTEM "file:///etc/hostname">%e;]><x/>', "xml-dtd"),
        (document(report("<a>" * 300 + "</a>" * 300)), "xml-syntax"),
    ],
)
def test_documents_that_are_refused(tmp_path: Path, text: str, code: str) -> None:
    folder = mapping(tmp_path / "in", "in.xml")
    (folder / "in.xml").write_text(text)
    problem = small_source.refusal(folder)
    assert (problem.file, problem.code) == ("in.xml", code)


def test_a_document_that_names_no_version_is_read_and_that_is_said(tmp_path: Path) -> None:
    _, mapped = run(tmp_path, head(v="x"))
    assert "version-unstated" in [note.code for note in mapped.notes]


@pytest.mark.parametrize(
    ("settings", "each", "word"),
    [
        (SETTINGS, "eVitals", "not the name of a group"),
        ('at_s = { from = "eVitals.1", time = "iso" }', "custom:set", "not the number"),
        ('at_s = { from = "SpO2", time = "iso" }', "custom:set", "not the number"),
    ],
)
def test_names_that_no_report_has(tmp_path: Path, settings: str, each: str, word: str) -> None:
    folder = mapping(tmp_path / "in", "in.xml", settings=settings, each=each)
    (folder / "in.xml").write_text(document(report()))
    problem = small_source.refusal(folder)
    assert problem.code == "toml-content"
    assert word in problem.what


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="the standard's sample documents are not here")
@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.xml")), ids=lambda path: path.stem[:24])
def test_every_document_of_the_standard_maps(tmp_path: Path, path: Path) -> None:
    """As its elements say, with the shipped mapping: one trip, its crew, and its vital signs."""
    folder = mapping(
        tmp_path / "in", "in.xml", each="eVitals.VitalGroup",
        settings='at_s = { from = "eVitals.01", time = "iso" }',
        columns='base = "eResponse.14"',
    )  # fmt: skip
    text = (folder / "mapping.toml").read_text().replace('base = "eResponse.13"\n', "")
    (folder / "mapping.toml").write_text(text)
    (folder / "in.xml").write_bytes(path.read_bytes())
    mapped = small_source.run(folder)
    root = ElementTree.parse(path).getroot()
    name = "{http://www.nemsis.org}"
    vitals = root.findall(f".//{name}eVitals.VitalGroup")
    prior = [group.findtext(f"{name}eVitals.02") == "9923003" for group in vitals]
    assert mapped.rows["trips"] == len(root.findall(f".//{name}PatientCareReport")) == 1
    assert mapped.rows["crew"] == len(root.findall(f".//{name}eCrew.CrewGroup"))
    assert mapped.rows["settings"] == len(vitals)
    assert mapped.rows["observations"] == len(vitals) - sum(prior)
    expected = [
        (group.findtext(f"{name}eVitals.12") or "")
        for group, before in zip(vitals, prior, strict=True) if not before
    ]  # fmt: skip
    found = small_source.column(folder, "spo2_pct", "observations")
    noted = [note for note in mapped.notes if note.column == "eVitals.12"]
    assert found == expected or noted
