"""Identifiers of persons in texts that should hold none: found by kind and place, never echoed.

What is searched follows the identifiers of the HIPAA Safe Harbor rule, 45 CFR 164.514(b)(2), that
can stand in sensor files and study tables: names, dates, telephone, e-mail, numbers of records and
accounts, device serial numbers, web and network addresses. A name in running prose cannot be told
from any other word; what looks like one (a title, two capitalised words) is found, the rest is for
the people who export the data.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One identifier: its kind, where it starts, and a mask that does not give it away."""

    kind: str
    start: int
    masked: str


def mask(text: str) -> str:
    """Return the first character and the length of a text."""
    return f"{text[:1]}… ({len(text)} characters)"


_MONTHS = (
    "jan(?:uary|uar)?|feb(?:ruary|ruar)?|mar(?:ch)?|märz|mrz|apr(?:il)?|may|mai|june?|juni|july?|"
    "juli|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|okt(?:ober)?|nov(?:ember)?|de[cz](?:ember)?"
)
_YEAR = r"(?:19|20)\d\d"
_DAY = r"(?:0?[1-9]|[12]\d|3[01])"
_MONTH = r"(?:0?[1-9]|1[0-2])"
_DAY2 = r"(?:0[1-9]|[12]\d|3[01])"
_MONTH2 = r"(?:0[1-9]|1[0-2])"
_APART = r"(?<![A-Za-z0-9])"  # a word starts here; an underscore parts words, as in file names

# Keys in file headers whose value is a person. `subject name` comes before `subject`.
_PERSON_KEYS = (
    r"operator|examiner|tester|assessor|investigator|technician|physician|doctor|surgeon|"
    r"therapist|physio|coach|guardian|patient|subject|athlete|participant|player|volunteer|"
    r"first ?name|last ?name|surname|forename|given ?name|family ?name|full ?name|birth ?name|name"
)

_PATTERNS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("e_mail", re.compile(r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+")),
    ("web_address", re.compile(r"(?:https?://|www\.)\S+", re.IGNORECASE)),
    ("user_folder", re.compile(r"(?:[A-Za-z]:\\Users\\|/home/|/Users/)[^\\/\s;,]+")),
    ("hardware_address", re.compile(r"(?<![0-9A-Fa-f])(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b")),
    (
        "network_address",
        re.compile(
            r"(?<![\d.])(?:(?:25[0-5]|2[0-4]\d|1?\d?\d)\.){3}(?:25[0-5]|2[0-4]\d|1?\d?\d)(?![\d.])"
        ),
    ),
    (
        "date",
        re.compile(
            rf"(?<!\d){_YEAR}([-/._ ]){_MONTH}\1{_DAY}(?!\d)"
            rf"|(?<![\d.]){_DAY}([-/.]){_MONTH}\2{_YEAR}(?![\d.])"
            rf"|(?<![\d.]){_MONTH}/{_DAY}/{_YEAR}(?!\d)"
            rf"|(?<![\d.v]){_DAY2}([-/.]){_MONTH2}\3\d\d(?![\d.])"
            rf"|(?<![\d.]){_MONTH2}/{_DAY2}/\d\d(?!\d)"
            rf"|(?<![\d.,]){_YEAR}{_MONTH2}{_DAY2}(?!\d)"
            rf"|{_APART}{_DAY}(?:st|nd|rd|th)?[-. _]{{0,2}}(?:{_MONTHS})"
            rf"(?:[-., _]{{0,2}}{_YEAR})?(?![A-Za-z\d])"
            rf"|{_APART}(?:{_MONTHS})[-. _]{{1,2}}{_DAY}(?:st|nd|rd|th)?(?!\d|\.\d)"
            rf"|{_APART}(?:{_MONTHS})[-., _]{{0,2}}{_YEAR}(?!\d)",
            re.IGNORECASE,
        ),
    ),
    (
        "clock_time",
        re.compile(
            r"(?<![\d:])(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:[.,]\d+)?)?(?![\d:])"
            r"|(?<![\d:])\d:[0-5]\d:[0-5]\d(?![\d:])"
            r"|(?<![\d:.])1?\d(?::[0-5]\d)? ?[ap]\.?m\.?(?![A-Za-z])",
            re.IGNORECASE,
        ),
    ),
    (
        "serial_number",
        re.compile(
            rf"{_APART}(?:s/n|sn|ser(?:ial)?[ _.-]*(?:no|nr|num(?:ber)?|#)?|imei|mac)"
            r"(?:[ _.:=#;,-]+|(?=\d))(?=[A-Z-]*\d)[A-Z0-9][A-Z0-9-]{2,}",
            re.IGNORECASE,
        ),
    ),
    (
        "phone",
        re.compile(
            r"(?<![\w+])\+\d[\d ()/-]{6,}\d"
            r"|(?<![\d.,])(?:\(\d{3}\) ?|\d{3}-)\d{3}-\d{4}(?!\d)"
            rf"|{_APART}(?:tel|phone|telephone|mobile|fax|handy)[ _.:=;,-]*[\d(][\d ()/-]{{4,}}\d",
            re.IGNORECASE,
        ),
    ),
    (
        "record_number",
        re.compile(r"(?<![\d.,])\d{3}-\d\d-\d{4}(?!\d)|(?<![\d.,])\d{8,}(?!\d|[.,]\d)"),
    ),
    (
        "name",
        re.compile(
            r"(?<![A-Za-z])(?:Mr|Mrs|Ms|Miss|Dr|Prof|Herr|Frau|Mme)"
            r"(?:\.[ _]?|[ _])[A-ZÄÖÜ][a-zäöüß'-]+"
        ),
    ),
)

_PERSON_LINE = re.compile(
    rf"{_APART}(?P<key>{_PERSON_KEYS})(?:[ _]?(?:name|id|code|initials))?\s*[:=;\t]\s*"
    r"(?P<value>[^;\t\n]*)",
    re.IGNORECASE,
)
# A code such as A0001, S-12 or P7 is a pseudonym; so are the words for "taken out".
_PSEUDONYM = re.compile(r"[A-Za-z]{0,4}[-_ ]?\d{1,6}[A-Za-z]?|[-x*?]*", re.IGNORECASE)
_LONGEST_NAME = 3  # words; titles and capitalised pairs are found in sentences of any length
_TAKEN_OUT = frozenset(
    ("anonymous", "anonymised", "anonymized", "removed", "none", "n/a", "na", "unknown", "redacted")
)

_PROSE_NAME = re.compile(
    r"(?<![\w.])[A-ZÄÖÜ][a-zäöüéèß]+(?:[ ,]+[A-Z]\.)?[ ,]+"
    r"[A-ZÄÖÜ](?:[a-zäöüéèß]+|')[A-Za-zäöüéèß'-]*"
)

_IDENTIFYING_WORDS = {
    "name": "firstname lastname surname forename givenname familyname fullname maidenname initials "
    "nickname operator examiner surgeon physician",
    "date": "date dates datum dob birth birthday birthdate dateofbirth datetime",
    "clock_time": "clock clocktime timeofday walltime",
    "address": "address street postcode postalcode zip zipcode plz hometown",
    "e_mail": "email mail",
    "phone": "phone telephone tel mobile cellphone fax",
    "record_number": "ssn mrn nhs passport insurance licence license account",
    "serial_number": "serial serialnumber serialno sn imei mac",
    "network_address": "ip ipaddress url",
}
_WORD_KIND = {word: kind for kind, words in _IDENTIFYING_WORDS.items() for word in words.split()}
# "name" alone is a person's; with one of these before it, it is a thing's.
_THINGS_WITH_NAMES = (
    *("task", "site", "device", "visit", "metric", "channel", "sensor", "file", "column", "unit"),
    *("condition", "movement", "trial", "test", "variable", "brand", "model", "protocol", "sport"),
)
_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-zäöüß]+|\d+")


def _covered(text: str, allowed: Collection[str]) -> list[tuple[int, int]]:
    spans = []
    for word in allowed:
        start = text.find(word) if word else -1
        while start >= 0:
            spans.append((start, start + len(word)))
            start = text.find(word, start + 1)
    return spans


def _persons(text: str) -> Iterator[tuple[int, str]]:
    for match in _PERSON_LINE.finditer(text):
        value = match["value"].strip().strip("\"'").strip()
        before = text[: match.start()].rstrip(" _").lower()
        if match["key"].lower() == "name" and before.endswith(_THINGS_WITH_NAMES):
            continue
        if _PSEUDONYM.fullmatch(value) or value.lower() in _TAKEN_OUT:
            continue
        if len(value.split()) > _LONGEST_NAME:
            continue  # a remark such as "operator: lost balance before the jump"
        yield match.start("value"), value


def find_identifiers(text: str, allowed: Collection[str] = ()) -> list[Finding]:
    """Return the identifiers in a text, in order of their place.

    Parameters
    ----------
    text : a file name, a line of a file header, a cell
    allowed : words of the study's own vocabulary; a finding inside one of them does not count

    Notes
    -----
    Kinds: name, date, clock_time, e_mail, phone, serial_number, record_number, web_address,
    network_address, hardware_address, user_folder.
    """
    found: list[tuple[int, int, str, str]] = []
    for kind, pattern in _PATTERNS:
        found += [(m.start(), m.end(), kind, m.group()) for m in pattern.finditer(text)]
    found += [(start, start + len(value), "name", value) for start, value in _persons(text)]
    return _first_of_each_place(found, _covered(text, allowed))


def find_names_in_prose(text: str, allowed: Collection[str] = ()) -> list[Finding]:
    """Return what looks like a person's name in a sentence: two capitalised words in a row.

    For remarks and free text of tables; instrument headers are full of such pairs.
    """
    found = [(m.start(), m.end(), "name", m.group()) for m in _PROSE_NAME.finditer(text)]
    return _first_of_each_place(found, _covered(text, allowed))


def _first_of_each_place(
    found: list[tuple[int, int, str, str]], covered: list[tuple[int, int]]
) -> list[Finding]:
    findings: list[Finding] = []
    reached = -1
    for start, end, kind, text in sorted(found, key=lambda item: (item[0], -item[1])):
        if start < reached or any(low <= start and end <= high for low, high in covered):
            continue
        findings.append(Finding(kind, start, mask(text)))
        reached = end
    return findings


def identifier_in_column_name(name: str) -> str | None:
    """Return the kind of identifier that a column of this name would hold, or None.

    `surgery_date`, `LastName` and `DOB` are found; `task_name`, `update` and `days_since_surgery`
    are not.
    """
    words = [word.lower() for word in _WORDS.findall(name)]
    joined = "".join(words)
    if joined in _WORD_KIND:
        return _WORD_KIND[joined]
    for i, word in enumerate(words):
        if word == "name" and not (i and words[i - 1] in _THINGS_WITH_NAMES):
            return "name"
        if word in _WORD_KIND:
            return _WORD_KIND[word]
    return None
