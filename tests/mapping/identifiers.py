# ruff: noqa: E501 - one form a line
"""Identifiers of many kinds, and harmless look-alikes, made at random; none is anybody's.

Names are put together from syllables. Numbers are of reserved or impossible ranges where a kind has
any. Kinds follow 45 CFR 164.514(b)(2)(i)(A) to (R).
"""

from __future__ import annotations

import hashlib
import random
import uuid
from collections.abc import Callable

Make = Callable[[random.Random], str]

STARTS = ["Bar", "Cor", "Dal", "Fen", "Gru", "Hal", "Jor", "Kel", "Lor", "Mir", "Nov", "Per", "Quil",
          "Ros", "Sel", "Tov", "Ulm", "Ver", "Wen", "Yor", "Zel", "Éli", "Ø"]  # fmt: skip
ENDS = ["an", "ena", "eth", "ick", "ina", "is", "olt", "on", "ora", "ovic", "sen", "ski", "ton",
        "ula", "wen", "yn", "é", "ös"]  # fmt: skip
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
FULL = ["January", "February", "March", "April", "June", "July", "August", "September", "October"]
STREETS = ["Street", "St", "Road", "Rd.", "Avenue", "Ave", "Lane", "Drive", "Close", "Crescent"]
WORDS = ["the", "child", "was", "then", "very", "settled", "and", "quiet", "while", "crew", "looked",
         "for", "another", "line", "near", "unit", "parents", "came", "along"]  # fmt: skip


def name(draw: random.Random) -> str:
    """One invented name."""
    return draw.choice(STARTS) + draw.choice(ENDS)


def digits(draw: random.Random, count: int) -> str:
    """So many digits, the first not 0."""
    return str(draw.randrange(10 ** (count - 1), 10**count))


def day(draw: random.Random) -> tuple[int, int, int]:
    """Year, month and day."""
    return draw.randrange(1930, 2027), draw.randrange(1, 13), draw.randrange(1, 29)


def _of_date(form: str) -> Make:
    def make(draw: random.Random) -> str:
        y, m, d = day(draw)
        return form.format(y=y, m=m, d=d, yy=y % 100, mon=MONTHS[m - 1], month=draw.choice(FULL))

    return make


IDENTIFIERS: dict[str, list[Make]] = {
    "name": [
        lambda r: f"{name(r)} {name(r)}",
        lambda r: f"{name(r)}, {name(r)}",
        lambda r: f"{name(r)} {name(r)[0]}. {name(r)}",
        lambda r: f"{name(r)[0]}. {name(r)}",
        lambda r: f"{name(r).upper()}, {name(r).upper()}",
        lambda r: f"{r.choice(['Dr', 'Mr', 'Mrs', 'Ms', 'Prof.'])} {name(r)}",
        lambda r: f"{name(r)}-{name(r)} {name(r)}",
        lambda r: f"{name(r)} {r.choice(['van', 'de', 'von der', 'al'])} {name(r)}",
        lambda r: f"{name(r).upper()} {name(r).upper()}",
    ],
    "date": [
        _of_date("{y}-{m:02d}-{d:02d}"), _of_date("{d:02d}/{m:02d}/{y}"), _of_date("{m}/{d}/{yy:02d}"),
        _of_date("{d}.{m}.{y}"), _of_date("{y}{m:02d}{d:02d}"), _of_date("{d} {mon} {y}"),
        _of_date("{month} {d}, {y}"), _of_date("{d:02d}-{mon}-{y}"), _of_date("{y}/{m}/{d}"),
        _of_date("{y}-{m:02d}-{d:02d}T10:35:00Z"), _of_date("{d:02d}{mon}{y}"),
        _of_date("{d:02d}-{mon}-{yy:02d}"), _of_date("born {d}.{m}.{yy:02d}"),
    ],
    "phone or fax": [
        lambda r: f"(555) 010-{digits(r, 4)}", lambda r: f"555-010-{digits(r, 4)}",
        lambda r: f"555.010.{digits(r, 4)}", lambda r: f"+1 555 010 {digits(r, 4)}",
        lambda r: f"020 7946 0{digits(r, 3)}", lambda r: f"+44 20 7946 0{digits(r, 3)}",
        lambda r: f"+4930 2312{digits(r, 4)}", lambda r: f"555010{digits(r, 4)}",
        lambda r: f"07700 900{digits(r, 3)}", lambda r: f"555-01{digits(r, 2)}",
        lambda r: f"tel. {digits(r, 6)}", lambda r: f"ext {digits(r, 4)}",
    ],
    "e-mail": [
        lambda r: f"{name(r).lower()}@example.org", lambda r: f"{name(r)}.{name(r)}@mail.example.com",
    ],
    "web address": [
        lambda r: f"https://example.org/{digits(r, 5)}", lambda r: f"www.{name(r).lower()}.example",
    ],
    "network address": [
        lambda r: f"192.0.2.{r.randrange(256)}", lambda r: f"2001:db8::{digits(r, 4)}:{digits(r, 3)}",
        lambda r: ":".join(f"{r.randrange(256):02x}" for _ in range(6)),
    ],
    "social security number": [lambda r: f"000-{digits(r, 2)}-{digits(r, 4)}"],
    "record or account number": [
        lambda r: digits(r, 9), lambda r: digits(r, 10), lambda r: digits(r, 12),
        lambda r: f"MRN{digits(r, 7)}", lambda r: f"MRN {digits(r, 6)}",
        lambda r: f"{digits(r, 3)} {digits(r, 3)} {digits(r, 4)}", lambda r: f"H{digits(r, 9)}",
        lambda r: f"{digits(r, 4)}-{digits(r, 4)}-{digits(r, 4)}", lambda r: f"acct {digits(r, 8)}",
    ],
    "vehicle or licence": [
        lambda r: "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17)),
        lambda r: f"licence {digits(r, 7)}", lambda r: f"plate AB{digits(r, 2)} XYZ",
    ],
    "postal address": [
        lambda r: f"{digits(r, 2)} {name(r)} {r.choice(STREETS)}",
        lambda r: f"{digits(r, 4)} {name(r)} {name(r)} {r.choice(STREETS)}",
        lambda r: f"{name(r)}straße {digits(r, 2)}", lambda r: f"PO Box {digits(r, 4)}",
    ],
    "postcode": [
        lambda r: f"ZZ{r.randrange(1, 10)} {r.randrange(1, 10)}ZZ",
        lambda r: f"K{r.randrange(10)}A {r.randrange(10)}B{r.randrange(10)}",
        lambda r: f"00{digits(r, 3)}-{digits(r, 4)}",
    ],
    "place on the map": [
        lambda r: f"{r.uniform(-90, 90):.5f}, {r.uniform(-180, 180):.5f}",
        lambda r: f"{r.uniform(40, 60):.4f}N {r.uniform(1, 20):.4f}E",
    ],
    "serial number": [
        lambda r: f"S/N {digits(r, 6)}", lambda r: f"SN:{digits(r, 8)}", lambda r: f"serial {digits(r, 5)}",
    ],
    "free text": [
        lambda r: " ".join(r.choice(WORDS) for _ in range(r.randrange(5, 12))),
        lambda r: f"{r.choice(WORDS)} {r.choice(WORDS)}. {r.choice(WORDS).capitalize()} {r.choice(WORDS)}",
    ],
}  # fmt: skip

TRADE = ["bronchiolitis", "croup", "asthma", "pneumonia", "sepsis", "seizure", "cardiac", "airway",
         "post operative", "Congenital heart disease", "Upper airway", "RSV+", "apnoea", "trauma",
         "prematurity", "Heart failure", "Neurological", "Status asthmaticus", "Foreign body",
         "Pulmonary hypertension", "Metabolic", "Poisoning"]  # fmt: skip
ROLES = [
    "nurse",
    "Flight Nurse",
    "Respiratory Therapist",
    "paramedic",
    "Registrar",
    "Team lead",
    "Critical Care Paramedic",
    "Consultant",
    "EMT",
    "Perfusionist",
    "observer",
    "Lead Nurse",
]
PLACES = ["North Base", "base 12", "alder", "Base A", "East", "Air base 2", "South Hub", "Depot 3"]
TOPICS = [
    "flow",
    "escalation",
    "flow/source",
    "cannula size",
    "heater",
    "advice",
    "FiO2 target",
    "weaning",
    "occlusions x3",
    "power",
    "SpO2 < 90",
    "other (see chart)",
    "n/a",
]

HARMLESS: dict[str, list[Make]] = {
    "token": [
        lambda r: f"T{r.randrange(10**7):07d}", lambda r: f"trip {r.randrange(1000)}",
        lambda r: f"C-alder-{r.randrange(40)}", lambda r: f"{r.randrange(10000):04d}",
        lambda r: f"T-2026-{r.randrange(1000):03d}", lambda r: f"2026-{r.randrange(10000):04d}",
        lambda r: f"26-{r.randrange(1, 13):02d}-{r.randrange(1000):03d}", lambda r: f"c{r.randrange(99)}",
        lambda r: f"{r.choice('ABCDEFG')}{r.randrange(100):02d}", lambda r: f"V-{r.randrange(9)}",
        lambda r: f"RN{r.randrange(1000)}", lambda r: digits(r, 6), lambda r: f"M{digits(r, 5)}",
    ],
    "keyed hash": [
        lambda r: hashlib.sha256(digits(r, 9).encode()).hexdigest()[: r.choice([12, 16, 32, 64])],
    ],
    "random id": [
        lambda r: str(uuid.UUID(int=r.getrandbits(128))),
        lambda r: "".join(r.choice("abcdefghijkmnpqrstuvwxyz23456789") for _ in range(8)),
    ],
    "month": [lambda r: f"2026-{r.randrange(1, 13):02d}"],
    "diagnosis": [lambda r: r.choice(TRADE), lambda r: r.choice(TRADE).lower(),
                  lambda r: r.choice(TRADE).upper(), lambda r: f"ICD J{r.randrange(100):02d}.{r.randrange(10)}",
                  lambda r: f"{r.choice('JIGQ')}{r.randrange(100):02d}.{r.randrange(10)}"],
    "role": [lambda r: r.choice(ROLES), lambda r: r.choice(ROLES).upper()],
    "base": [lambda r: r.choice(PLACES)],
    "topic": [lambda r: r.choice(TOPICS)],
    "cannula": [lambda r: f"prong-{r.randrange(1, 6)}", lambda r: f"{r.uniform(1, 4):.1f} mm",
                lambda r: f"size {r.randrange(1, 6)}", lambda r: f"wide {r.randrange(1, 4)} (2.1 mm)"],
    "measurement": [lambda r: f"{r.randrange(80)} L/min", lambda r: f"{r.uniform(0, 30):.2f}",
                    lambda r: f"{r.randrange(21, 101)} %", lambda r: f"v{r.randrange(9)}.{r.randrange(9)}.{r.randrange(9)}",
                    lambda r: f"{r.randrange(24):02d}:{r.randrange(60):02d}", lambda r: f"{r.randrange(1, 5)}/{r.randrange(5, 9)}"],
}  # fmt: skip
