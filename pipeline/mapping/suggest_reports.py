"""Draft a mapping for patient care reports, with the custom elements that are to be named."""

from __future__ import annotations

import re

from pipeline.errors import shown
from pipeline.files.text import unpacked
from pipeline.files.xml_stream import SEPARATOR, Stream
from pipeline.mapping.nemsis import NAMESPACE
from pipeline.mapping.report import CUSTOM, RESULT_OF
from pipeline.mapping.samples import Sample
from pipeline.mapping.words import reading, toml

MOST_IDS = 1000
PLAIN = re.compile(r"[\w .:-]{1,64}")

TEXT = """\
# A draft. The elements of the standard are mapped by the file that comes with the tool; what your
# service charts in custom elements is for you to name. FILL IN is what only you can know.

mapping = 1
extends = "nemsis-3.5"
service = ""  # FILL IN: a token of your own, not the service's name
privacy_basis = ""  # FILL IN: one of {bases}; your privacy officer decides
time_zone = ""  # FILL IN: as in America/Denver; for times without their offset
# take out what you do map below
not_recorded = ["settings", "device_events", "contacts", "training"]

[time_resolution_s]
trips = 60  # CHECK: 1 if times are kept to the second
observations = 60  # CHECK

# Record and crew numbers are replaced by keyed hashes. Make the key once: tailrace map --new-key
[tokens]
key_file = ""  # FILL IN: a path outside the delivery that only you can read

[files.reports]
path = {path}

[tables.trips.columns]
# base = ""  # FILL IN: the element that says which base a crew is from, as eResponse.13
# diagnosis_group = ""  # FILL IN: as {{ from = "eSituation.11", codes = {{ "J21*" = "..." }} }}

# For each setting: the custom element that its parts refer to, which also says when.
# [tables.settings]
# from = "reports"
# each = "custom:..."
# [tables.settings.columns]
# trip_id = {{ from = "eRecord.01", token = "trip" }}
# at_s = {{ from = "custom:...", time = "iso" }}
# support = "custom:..."
# source = "custom:..."
# flow_lpm = "custom:..."
# fio2 = {{ from = "custom:...", unit = "percent" }}
# humidification = "custom:..."
# cannula = "custom:..."

# Custom elements in these reports: which is which is not said by their ids alone.
{customs}
"""


def suggest_reports(samples: list[Sample]) -> str:
    """The draft for the documents among the samples."""
    from schemas.contract import PRIVACY_BASES

    ids: set[str] = set()
    documents = [sample for sample in samples if sample.format == "nemsis"]
    for sample in documents:
        ids |= _custom_ids(sample)
    path = documents[0].path.name if len(documents) == 1 else "*.xml"
    customs = [f"#   {CUSTOM}{shown(one)}" for one in sorted(ids) if PLAIN.fullmatch(one)]
    return TEXT.format(
        bases=", ".join(b for b in PRIVACY_BASES if b != "safe-harbor"),
        path=toml(path),
        customs="\n".join(customs) or "#   none were found",
    )


def _custom_ids(sample: Sample) -> set[str]:
    """Ids of the custom elements that a document's results refer to; nothing else is looked at."""
    stream = Stream()
    ids: set[str] = set()
    texts: list[str] = []
    element = f"{NAMESPACE}{SEPARATOR}{RESULT_OF}"

    def start(name: str, _: dict[str, str]) -> None:
        if name == element:
            texts.clear()
            stream.parser.CharacterDataHandler = texts.append

    def end(name: str) -> None:
        if name == element and len(ids) < MOST_IDS:
            ids.add("".join(texts).strip()[:100])
            stream.parser.CharacterDataHandler = None

    stream.parser.StartElementHandler = start
    stream.parser.EndElementHandler = end
    with reading(sample.path.name):
        stream.run(unpacked(sample.path))
    return ids
