"""What must not stand in a study's settings: names, birth dates, e-mail addresses, phone numbers.

Participants are codes; the list that links codes to people belongs somewhere else. These checks
refuse what looks like a person; they cannot know whether it is one, and they miss some. Which words
name columns and how a name looks are choices of this project.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from itertools import pairwise

from nodeday.core.errors import SettingsError

COLUMNS = re.compile(
    r"(^|_)(sur|fore|first|last|given|family|maiden|nick|full)?_?names?$|^(vor|nach)name$|birth|^dob$|geburt"
    r"|e_?mail|phone|mobile|^tel$|telefon|passport|insurance|^ssn$|social_security|street|postcode|zip_?code"
    r"|^home_address$|^patient_?id$|^initials$"
)
EMAIL = re.compile(r"[\w.+-]+@[\w-]+\.[\w.-]+")
PHONE = re.compile(r"(?<![\w.-])(\+|00|0)\d(?:[ ./()-]{0,2}\d){6,13}(?![\w.-])")
DATES = (
    re.compile(
        r"(?<!\d)(?P<y>(?:19|20)\d\d)[-./]?(?P<m>0[1-9]|1[0-2])[-./]?(?P<d>0[1-9]|[12]\d|3[01])(?!\d)"
    ),
    re.compile(
        r"(?<!\d)(?P<d>0?[1-9]|[12]\d|3[01])[./-](?P<m>0?[1-9]|1[0-2])[./-](?P<y>(?:19|20)\d\d)(?!\d)"
    ),
    re.compile(
        r"(?<!\d)(?P<m>0?[1-9]|1[0-2])[./-](?P<d>0?[1-9]|[12]\d|3[01])[./-](?P<y>(?:19|20)\d\d)(?!\d)"
    ),
)
LAST_BIRTH_YEAR = 2015
"""Later dates are taken for dates of recording, but among participants, where no date belongs."""
NOT_OF_PEOPLE = ("phase", "placement", "layout", "zone", "node")
"""Columns whose words may be capitalised without being names: Morning-Shift, America/New_York."""
INITIALS_AND_YEAR = re.compile(r"^[A-Za-z]{2,3}[-_]?(19[2-9]\d|200\d|201[0-5])$")
REMEDY = "Participants are codes, such as P01; keep the list that links codes to people somewhere else."


def is_personal_column(name: str) -> bool:
    """Return whether a column of that name would hold what belongs to a person.

    >>> names = ("surname", "date_of_birth", "eMail", "participant", "node")
    >>> [name for name in names if is_personal_column(name)]
    ['surname', 'date_of_birth', 'eMail']
    """
    return COLUMNS.search(name.strip().lower().replace(" ", "_").replace("-", "_")) is not None


def looks_like(value: str, people: bool = False, names: bool = True) -> str:
    """Return in words what personal data ``value`` looks like; an empty text where it looks like none.

    ``people`` is for the sheet of participants, where no date belongs at all. ``names`` is whether two
    capitalised words next to one another count as a name.

    >>> [looks_like(text) for text in ("S01-clean", "ana@example.org", "harvest", "1984-03-12")]
    ['', 'an e-mail address', '', 'a birth date']
    """
    if EMAIL.search(value):
        return "an e-mail address"
    for pattern in DATES:
        if (found := pattern.search(value)) and (people or int(found["y"]) <= LAST_BIRTH_YEAR):
            return "a birth date"
    if PHONE.search(value):
        return "a phone number"
    if names and _two_names(value):
        return "a name"
    if people and INITIALS_AND_YEAR.search(value):
        return "initials with a year of birth"
    return ""


def _two_names(value: str) -> bool:
    """Two capitalised words in a row, such as Erika Muster or MUSTER, Erika, in any part of a path."""
    for part in re.split(r"[/;|]", value):
        words = re.split(r"[ _,-]+", re.sub(r"\.\w+$", "", part.strip()))
        if any(_name_like(one) and _name_like(two) for one, two in pairwise(words)):
            return True
    return False


def _name_like(word: str) -> bool:
    return len(word) > 2 and word.isalpha() and word[0].isupper() and (word[1:].islower() or word.isupper())


def is_bare_word(code: str) -> bool:
    """Return whether a participant's code is a word without any digit, as a name would be.

    >>> is_bare_word("Erika"), is_bare_word("P01"), is_bare_word("worker-7")
    (True, False, False)
    """
    return len(code) > 2 and not any(letter.isdigit() for letter in code)


def refuse(
    where: str, header: list[str], lines: list[tuple[int, dict[str, str]]], times: Collection[str]
) -> None:
    """Raise SettingsError for the first line of a sheet that looks like a person.

    ``lines`` are (line number, cells by column). Columns in ``times`` hold instants, which are not
    taken for birth dates. The error does not repeat the value.
    """
    for name in header:
        if is_personal_column(name):
            found = f"column {name} looks as if it held what belongs to a person"
            raise SettingsError(found, f"{where} line 1", remedy=REMEDY)
    people = "participant" in header and "session" not in header
    for number, line in lines:
        for name, value in line.items():
            if not isinstance(value, str) or name in times:
                continue
            found = looks_like(value, people, name not in NOT_OF_PEOPLE)
            if not found and people and name == "participant" and is_bare_word(value):
                found = "a name"
            if found:
                raise SettingsError(f"{name} looks like {found}", f"{where} line {number}", remedy=REMEDY)


def refuse_text(where: str, text: str) -> None:
    """Raise SettingsError for the first line of ``text`` that holds an e-mail address or a phone number.

    For settings that are no sheet: in free text a name looks like a title, so names are not looked for.
    """
    for number, line in enumerate(text.splitlines(), start=1):
        for pattern, what in ((EMAIL, "an e-mail address"), (PHONE, "a phone number")):
            if pattern.search(line):
                raise SettingsError(f"holds {what}", f"{where} line {number}", remedy=REMEDY)
