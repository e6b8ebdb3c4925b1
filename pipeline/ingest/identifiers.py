"""What the identifiers of 45 CFR 164.514(b)(2)(i) look like, in names of columns and in cells.

Patterns are RE2, which DuckDB runs.
"""

from __future__ import annotations

NAME_WORDS: dict[str, str] = {
    "a name": "name forename surname firstname lastname fullname initials maiden nickname"
    " guardian parent mother father",
    "a date of birth": "dob birth born birthdate birthday dateofbirth",
    "a date": "date datetime timestamp day",
    "a phone number": "phone telephone tel mobile cell fax pager",
    "an e-mail address": "mail email",
    "a record number": "mrn nhs ssn record recordno chart account accession encounter insurance"
    " policy licence license passport plate",
    "an address": "address street road house city town village county parish gps latitude"
    " longitude location",
    "a postcode": "zip zipcode postcode postal",
    "a serial number": "serial serialno sn imei udi mac ip url",
    "free text": "note notes comment comments remark remarks narrative description text free"
    " memo reason_text",
}
WORD_OF = {word: kind for kind, words in NAME_WORDS.items() for word in words.split()}


MONTHS = (
    "jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?"
    "|sep(?:t(?:ember)?)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?"
)
YEAR = "(?:19|20)[0-9]{2}"
MONTH_NO, DAY_NO = "(?:0?[1-9]|1[0-2])", "(?:0?[1-9]|[12][0-9]|3[01])"
STREET = (
    "street|st|avenue|ave|road|rd|lane|ln|drive|dr|boulevard|blvd|court|square|terrace|close"
    "|crescent|highway|hwy"
)

CONTENT: dict[str, str] = {
    "a full date": "(?i)"
    rf"(?:^|[^0-9]){YEAR}[-/. ]{MONTH_NO}[-/. ]{DAY_NO}(?:[^0-9]|$)"
    rf"|(?:^|[^0-9]){DAY_NO}[-/. ]{DAY_NO}[-/. ](?:{YEAR}|[0-9]{{2}})(?:[^0-9.]|$)"
    rf"|(?:^|[^0-9]){YEAR}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])(?:[^0-9]|$)"
    rf"|\b{DAY_NO}(?:st|nd|rd|th)?[-/. ]*(?:{MONTHS})[-/., ]*{YEAR}"
    rf"|\b{DAY_NO}[-/.](?:{MONTHS})[-/.][0-9]{{2}}\b"
    rf"|\b(?:{MONTHS})[-/. ]+{DAY_NO}(?:st|nd|rd|th)?[-/., ]+{YEAR}",
    "an e-mail or web address": r"(?i)[^@\s]+@[^@\s]+\.[a-z]{2,}|https?://|\bwww\.",
    "a network address": r"(?:^|[^0-9.])(?:[0-9]{1,3}\.){3}[0-9]{1,3}(?:[^0-9.]|$)"
    r"|\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b"
    r"|\b(?:[0-9A-Fa-f]{1,4}:){3,7}[0-9A-Fa-f]{1,4}\b|\b[0-9A-Fa-f]{1,4}::[0-9A-Fa-f:]",
    "a phone number": r"(?:^|[^0-9A-Za-z-])(?:\+[0-9]{1,3}[ .-]?)?"
    r"(?:\([0-9]{2,5}\)|[0-9]{2,5})[ .-]"
    r"[0-9]{3,4}[ .-]?[0-9]{3,4}(?:[^0-9A-Za-z-]|$)|\+[0-9]{8,15}\b",
    "a social security number": r"(?:^|[^0-9-])[0-9]{3}-[0-9]{2}-[0-9]{4}(?:[^0-9-]|$)",
    "a long number, as record, account or phone numbers are": (
        r"(?:^|[^0-9A-Za-z])[A-Z]{0,3}[0-9]{9,}(?:[^0-9A-Za-z]|$)"
    ),
    "a labelled identifier": r"(?i)\b(?:mrn|nhs|ssn|dob|tel|phone|fax|mobile|s/n|serial)\b"
    r"|\b(?:mrn|nhs|ssn|tel|fax|sn|vin|imei|acct|account|policy|passport|licen[cs]e|lic|plate|extn?)"
    r"[ .:#-]*[a-z]{0,3}[0-9]{2,}",
    "a vehicle or licence number": r"^[A-HJ-NPR-Z0-9]{17}$",
    "a postal address": rf"(?i)\b[0-9]{{1,5}}[a-z]? +(?:[\p{{L}}.'’-]+ +){{1,3}}(?:{STREET})\b\.?"
    r"|\p{L}{2,}(?:straße|strasse|str\.|weg|gasse|platz|allee|laan|straat|gatan|vej) *[0-9]{1,4}"
    r"|\b[0-9]{1,4},? (?:rue|via|calle|rua) +\p{L}|\bp\.? ?o\.? ?box\b",
    "a place on the map": r"(?i)-?[0-9]{1,3}\.[0-9]{3,}[°, ;/]+-?[0-9]{1,3}\.[0-9]{3,}"
    r"|[0-9]{1,3}\.[0-9]{3,} ?°? ?[NSEW]\b",
    "a postcode": r"\b[A-Z]{1,2}[0-9][A-Z0-9]? [0-9][A-Z]{2}\b|\b[A-Z][0-9][A-Z] [0-9][A-Z][0-9]\b"
    r"|(?:^|[^0-9-])[0-9]{5}-[0-9]{4}(?:[^0-9-]|$)",
    "free text": r"^\s*\S+(?:\s+\S+){4,}\s*$|[a-z]{2}[.!?]\s+\S",
}
"""RE2 patterns over one cell, by what they look like."""

NAME = r"\p{Lu}[\p{Ll}'’-][\p{L}'’-]*"
PARTICLES = (
    r"(?:(?:[Vv]an|[Vv]on|[Dd]e|[Dd]er|[Dd]en|[Dd]el|[Dd]i|[Dd]a|[Dd]os|[Dd]u|[Ll]a|[Ll]e|[Aa]l|[Ee]l"
    r"|[Bb]in|[Tt]er|[Tt]en|[Zz]u) +)*"
)
PAIR = (
    rf"^{NAME}(?:[ ,]+\p{{Lu}}\.?)?[ ,]+{PARTICLES}{NAME}$"
    rf"|^(?:\p{{Lu}}\. ?){{1,3}}{PARTICLES}{NAME}$"
    r"|^\p{Lu}{2,}[\p{Lu}'’-]*,? +\p{Lu}{2,}[\p{Lu}'’-]*$"
    rf"|(?:^|\P{{L}})(?:Mr|Mrs|Ms|Miss|Dr|Prof)\.? +{NAME}"
)
PAIR_MARK = "[ ,.]"
"""What no match of PAIR is without; that long pattern is slow, so it is tried where this stands."""

ANY_PAIR = r"^[\p{L}'’-]{2,}(?:[ ,._]+[\p{L}'’-]+\.?){1,3}$"
PERSONAL = ("trip_id", "crew_member")
"""Columns of tokens for a person or case, where two words of any spelling look like a name."""

TRADE_WORD = (
    r"(?i)(?:^|\P{L})(?:"
    r"acute|advanced|air|airway|ambulance|apnea|apnoea|aspiration|assistant|asthma|attending|"
    r"base|basic|birth|breathing|bronchiolitis|cannula|cardiac|care|central|check|chest|child|"
    r"childrens|chronic|clinical|clinician|community|congenital|consultant|control|"
    r"coordinator|county|crew|critical|croup|disease|distress|doctor|driver|east|educator|"
    r"emergency|emt|failure|fellow|field|fixed|flight|flow|general|ground|group|heart|heater|"
    r"heliport|helicopter|high|hospital|infant|infection|intensive|junior|lead|leader|level|"
    r"lower|lung|main|manager|medic|medical|medicine|metabolic|midwife|neonatal|neuro|"
    r"neurological|newborn|north|nurse|observer|of|off|on|operative|other|outreach|oxygen|"
    r"paediatric|paramedic|patient|pediatric|physician|pilot|pneumonia|post|practitioner|"
    r"premature|prematurity|primary|prong|reflux|regional|registrar|registered|renal|rescue|"
    r"resident|respiratory|retrieval|rotor|rsv|secondary|seizure|senior|sepsis|shock|size|"
    r"small|source|south|specialist|station|student|surgery|surgical|syndrome|team|technician|"
    r"therapist|training|transfer|transport|trauma|trip|unit|unknown|upper|vehicle|ventilator|"
    r"viral|virus|weaning|west|wheeze|wing|"
    r"alarm|anaphylaxis|arrest|asthmaticus|bacterial|battery|blood|body|bronchial|brain|"
    r"change|cystic|diabetic|dose|drowning|effusion|embolism|epiglottitis|fibrosis|foreign|gas|"
    r"hypertension|injury|interface|issue|ketoacidosis|laryngeal|line|metabolism|monitor|nasal|"
    r"obstruction|operative|order|palsy|poisoning|protocol|pulmonary|request|response|"
    r"saturation|setting|sleep|status|stenosis|stridor|supply|target|therapy|tracheal|tract|tube"
    r")(?:\P{L}|$)"
)
"""Words of the trade: a pair that holds one of them is a group or a role, not a person."""

UNITS = ("ventilator_unit", "heater_unit")
SERIAL = r"(?:^|[^0-9])[0-9]{6,}(?:[^0-9]|$)"
"""In a token of a piece of equipment, as many digits look like its serial number."""

GENERATED = r"(?i)[0-9a-f]{8,}|[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
"""What keyed hashes and random identifiers look like; runs of digits fall in them by chance."""

MOSTLY = 0.9
