"""What the identifiers of 45 CFR 164.514(b)(2)(i) look like, in names of columns and in cells.

Patterns are RE2, which DuckDB runs.
"""

from __future__ import annotations

from pipeline.ingest.known_words import TITLES
from pipeline.ingest.months_of_languages import spellings

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


MONTHS = "|".join(spellings())
YEAR = "(?:19|20)[0-9]{2}"
MONTH_NO, DAY_NO = "(?:0?[1-9]|1[0-2])", "(?:0?[1-9]|[12][0-9]|3[01])"
BEGINS, ENDS = "(?:^|[^0-9])", "(?:[^0-9]|$)"
DATE_GAP = "[-/. _:|]"
"""What stands between the parts of a date; of a year in two digits only some of it."""

SHORT_DATE = "|".join(
    f"(?:{DAY_NO}[{mark}]{MONTH_NO}|{MONTH_NO}[{mark}]{DAY_NO})[{mark}][0-9]{{2}}"
    for mark in "-/. "
)
"""Dates with two digits of the year. Both marks are alike and one number is a month's, as in
"12.3.24": neither an "FiO2 1.00" nor a "rate 30 28 26" is one.
"""

NEXT_TO = r"(?:st|nd|rd|th|er|\.|º)?[-/. _,]*(?:de |of |den |dne )?"
STREET = (
    "street|st|avenue|ave|road|rd|lane|ln|drive|dr|boulevard|blvd|court|square|terrace|close"
    "|crescent|highway|hwy|way|walk|row|parkway|pkwy|place|circle|alley|mews|trail|turnpike|loop"
    "|path|pike|gardens|grove"
)
STREET_BEFORE = (
    "rue|via|viale|corso|piazza|calle|avenida|avda|av|paseo|plaza|rua|travessa|alameda|largo"
    "|boulevard|chemin|impasse|allee|quai|route|ulica|ul|aleja|strada|ulice|namesti|cesta"
    "|ул|улица|пр|проспект|пер|бул|οδος|λεωφορος|duong"
)
STREET_END = (
    "strasse|str\\.|weg|gasse|platz|allee|laan|straat|plein|gatan|vagen|torget|gade|gaden|vej|vejen"
    "|katu|kuja"
)
STREET_AFTER = (
    f"{STREET_END}|ufer|ring|damm|steeg|dreef|grand|polku|utca|ut|ter|korut|sokak|sok\\.|caddesi"
    "|cad\\.|mahallesi|mah\\.|tie"
)
LABELS = (
    "mrn|mr|pt|pat|patient|pid|chart|hosp|hospital|record|rec|dossier|akte|fall|visit|encounter"
    "|enc|adm|admission|nhc|nip|nhs|hn|urn|uhid|csn|fin|episode|historia|cartella|fallnr|member"
    "|subject|person|kartei|aufnahme|rodne|pesel|cpf|cnp|nir|bsn|dni|nie"
)
"""What a service may write before a record number."""

CONTENT: dict[str, str] = {
    "a full date": "(?i)"
    rf"{BEGINS}{YEAR}{DATE_GAP}{MONTH_NO}{DATE_GAP}{DAY_NO}{ENDS}"
    rf"|{BEGINS}{DAY_NO}[-/. ]{DAY_NO}[-/. ]{YEAR}(?:[^0-9.]|$)"
    rf"|{BEGINS}(?:{SHORT_DATE})(?:[^0-9.]|$)"
    rf"|{BEGINS}{DAY_NO}{DATE_GAP}{DAY_NO}{DATE_GAP}{YEAR}{ENDS}"
    rf"|{BEGINS}{YEAR}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01]){ENDS}"
    rf"|(?:^|[^0-9A-Za-z])(?:0[1-9]|[12][0-9]|3[01])(?:0[1-9]|1[0-2]){YEAR}(?:[^0-9A-Za-z]|$)"
    rf"|{BEGINS}{YEAR}[年년] *{MONTH_NO}[月월] *{DAY_NO}",
    "an e-mail or web address": r"(?i)[^@\s]+@[^@\s]+\.[a-z]{2,}|https?://|\bwww\.",
    "a network address": r"(?:^|[^0-9.])(?:[0-9]{1,3}\.){3}[0-9]{1,3}(?:[^0-9.]|$)"
    r"|\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b"
    r"|\b(?:[0-9A-Fa-f]{1,4}:){3,7}[0-9A-Fa-f]{1,4}\b|\b[0-9A-Fa-f]{1,4}::[0-9A-Fa-f:]",
    "a phone number": r"(?:^|[^0-9A-Za-z-])(?:\+[0-9]{1,3}[ .-]?)?"
    r"(?:\([0-9]{2,5}\)|[0-9]{2,5})[ .-]"
    r"[0-9]{3,4}[ .-]?[0-9]{3,4}(?:[^0-9A-Za-z-]|$)|\+[0-9]{8,15}\b"
    r"|^(?:\+|\(|0[0-9]{1,4}[ ./])[0-9() ./-]{5,}[0-9](?: ?x[0-9]+)?$",
    "a social security number": r"(?:^|[^0-9-])[0-9]{3}-[0-9]{2}-[0-9]{4}(?:[^0-9-]|$)",
    "a long number, as record, account or phone numbers are": (
        r"(?:^|[^0-9A-Za-z])[A-Z]{0,3}[0-9]{9,}(?:[^0-9A-Za-z]|$)"
    ),
    "a record number": rf"(?i)(?:^|[^\p{{L}}0-9])(?:{LABELS})"
    r"(?:[ .:#_-]*(?:no|nr|num|number|n°|id))?"
    r"[ .:#_-]*[a-z]{0,3}[0-9]{4,}(?:[^0-9]|$)"
    r"|(?i)(?:^|[^\p{L}0-9])(?:case|file|id|incident|run|call|dispatch)"
    r"(?:[ .:#_-]*(?:no|nr|num|number|id))?[ .:#_-]*[0-9]{5,}(?:[^0-9]|$)"
    r"|#[ ]?[0-9]{5,}(?:[^0-9]|$)|^[0-9]{2}(?:[-./ ][0-9]{2}){2,3}$|^[0-9]{6}[-/][0-9]{3,4}$",
    "a labelled identifier": r"(?i)\b(?:mrn|nhs|ssn|dob|tel|phone|fax|mobile|s/n|serial)\b"
    r"|\b(?:mrn|nhs|ssn|tel|fax|sn|vin|imei|acct|account|policy|passport|licen[cs]e|lic|plate|extn?)"
    r"[ .:#-]*[a-z]{0,3}[0-9]{2,}",
    "a vehicle or licence number": r"^[A-HJ-NPR-Z0-9]{17}$",
    "a postal address": rf"(?i)\b[0-9]{{1,5}}[a-z]?,? +(?:[\p{{L}}.'’-]+ +){{1,3}}(?:{STREET})\b\.?"
    rf"|\p{{L}}{{2,}}(?:{STREET_END}) *(?:no[.:]? *)?[0-9]{{1,4}}"
    rf"|\p{{L}} (?:{STREET_AFTER}),? *(?:no[.:]? *)?[0-9]{{1,4}}"
    rf"|\b[0-9]{{1,4}},? (?:{STREET_BEFORE})\.? +\p{{L}}"
    rf"|(?:^|[ ,])(?:{STREET_BEFORE})\.? +[\p{{L}}0-9][\p{{L}}0-9 .'’-]*,? *"
    r"(?:(?:no|nr|n|д)[.:]? *)?[0-9]{1,4}"
    r"|\b(?:apt|suite|ste|flat|studio|floor)\.? *#?[0-9]+|\bp\.? ?o\.? ?box\b"
    r"|[0-9]+(?:丁目|番地|番|号)|[0-9]+(?:号|번지|번길|로|길)|[路街道巷].{0,12}[0-9]",
    "a place on the map": r"(?i)-?[0-9]{1,3}\.[0-9]{3,}[°, ;/_|]+-?[0-9]{1,3}\.[0-9]{3,}"
    r"|[0-9]{1,3}\.[0-9]{3,} ?°? ?[NSEW]\b|\b[NSEW] ?[0-9]{1,3}\.[0-9]{3,}"
    r"|^\(?-?[0-9]{1,3}\.[0-9]{2,}[°]?[,;/ _|]+-?[0-9]{1,3}\.[0-9]{2,}°?\)?$"
    r"|\b(?:lat|lon|lng|long|latitude|longitude|gps)[ :=]*-?[0-9]{1,3}[.,][0-9]"
    r"|[0-9]{1,3} ?° ?[0-9]{1,2} ?['′]",
    "a postcode": r"\b[A-Z]{1,2}[0-9][A-Z0-9]? [0-9][A-Z]{2}\b|\b[A-Z][0-9][A-Z] [0-9][A-Z][0-9]\b"
    r"|(?:^|[^0-9-])[0-9]{5}-[0-9]{3,4}(?:[^0-9-]|$)|^[0-9]{2}-[0-9]{3} +\p{L}"
    r"|^(?:[A-Z]{1,2}-)?[0-9]{4,6}[ ,]+[\p{Lu}\p{Lo}][\p{L}.'’ ()-]{2,}$"
    r"|^[0-9]{3} [0-9]{2,3} +[\p{Lu}\p{Lo}]\p{L}|\b[0-9]{4} ?[A-Z]{2} +\p{Lu}\p{Ll}"
    r"|\b[A-Z]{2} [0-9]{5}\b|〒",
    "free text": r"^\s*\S+(?:\s+\S+){4,}\s*$|[a-z]{2}[.!?]\s+\S",
}
"""RE2 patterns over one normalised cell, by what they look like."""

NAMED_MONTH = (
    rf"\b{DAY_NO}{NEXT_TO}(?:{MONTHS})\.?[-/., _]*(?:de |del |of )?{YEAR}"
    rf"|\b{DAY_NO}[-/. _](?:{MONTHS})[-/. _][0-9]{{2}}\b"
    rf"|\b(?:{MONTHS})[-/. _]+{DAY_NO}(?:st|nd|rd|th)?[-/., _]+{YEAR}"
    rf"|\b{YEAR}[-/. _,]+(?:{MONTHS})\.?[-/. _]+{DAY_NO}{ENDS}"
)
"""Dates with the month's name, over a folded cell (no capitals, no accents)."""

PHONE_SHAPE, PHONE_DIGITS = r"^[+(]?[0-9][0-9() ./x-]*[() ./x-][0-9() ./x-]*$", (9, 17)
"""Digits and their separators alone: a phone number, if there are so many digits."""

RECORD_LIKE = r"^#?[0-9]{7,}$"
PLAIN_NUMBER = r"^[0-9]{5,}$"
"""Tokens for a trip or person that look like record numbers as they stand, and those that do where
a column is full of them, far apart."""

NAME = r"\p{Lu}[\p{Ll}'’-][\p{L}'’-]*"
PARTICLES = (
    r"(?:(?:[Vv]an|[Vv]on|[Dd]e|[Dd]er|[Dd]en|[Dd]el|[Dd]i|[Dd]a|[Dd]os|[Dd]u|[Ll]a|[Ll]e|[Aa]l|[Ee]l"
    r"|[Bb]in|[Tt]er|[Tt]en|[Zz]u) +)*"
)
PAIR = (
    rf"^{NAME}(?:[ ,]+\p{{Lu}}\.?)?[ ,]+{PARTICLES}{NAME}$"
    rf"|^(?:\p{{Lu}}\. ?){{1,3}}{PARTICLES}{NAME}$"
    r"|^\p{Lu}{2,}[\p{Lu}'’-]*,? +\p{Lu}{2,}[\p{Lu}'’-]*$"
    rf"|(?:^|\P{{L}})(?:{TITLES})\.? +{NAME}"
)
PAIR_MARK = "[ ,.]"
"""What no match of PAIR is without; that long pattern is slow, so it is tried where this stands."""

ANY_PAIR = r"^[\p{L}'’-]{2,}(?:[ ,._]+[\p{L}'’-]+\.?){1,3}$"
PERSONAL = ("trip_id", "crew_member", "authorised_by")
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
