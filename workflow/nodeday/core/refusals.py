"""Sentences on settings that a model refuses: one for each kind of error that the validation library knows.

The library's own texts are for programmers ("unable to parse string as a number"), and change with its
version.
"""

from __future__ import annotations

from typing import Any

NAME, CODE = r"^[a-z][a-z0-9]*$", r"^[A-Za-z][A-Za-z0-9-]*$"
CODES = r"^[A-Za-z][A-Za-z0-9-]*( *; *[A-Za-z][A-Za-z0-9-]*)*$"
SNAKE, CODE_OR_ALL = r"^[a-z][a-z0-9_]*$", r"^(\*|[A-Za-z][A-Za-z0-9-]*)$"
RULES = {
    NAME: "a small letter, then small letters or digits",
    SNAKE: "a small letter, then small letters, digits or underscores",
    CODE: "a letter, then letters, digits or hyphens",
    CODES: "names of a letter, then letters, digits or hyphens, with ; between them",
    CODE_OR_ALL: "* or a letter, then letters, digits or hyphens",
}
"""What each pattern of a name asks for, in words."""
_NUMBER, _WHOLE, _YES_NO = "a number", "a whole number", "true or false"
_INSTANT, _DATE = "a date and time such as 2026-07-14T07:30", "a date such as 2026-07-14"
EXPECTED = {
    "bool_parsing": _YES_NO,
    "bool_type": _YES_NO,
    "date_from_datetime_inexact": _DATE,
    "date_from_datetime_parsing": _DATE,
    "date_parsing": _DATE,
    "date_type": _DATE,
    "datetime_from_date_parsing": _INSTANT,
    "datetime_object_invalid": _INSTANT,
    "datetime_parsing": _INSTANT,
    "datetime_type": _INSTANT,
    "dict_type": "a section of `key: value` lines",
    "finite_number": "a finite number",
    "float_parsing": _NUMBER,
    "float_type": _NUMBER,
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "int_from_float": _WHOLE,
    "int_parsing": _WHOLE,
    "int_parsing_size": "a whole number of fewer digits",
    "int_type": _WHOLE,
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "literal_error": "{expected}",
    "model_type": "a section of `key: value` lines",
    "string_pattern_mismatch": "{rule}",
    "string_too_long": "{max_length} characters or fewer",
    "string_too_short": "{min_length} characters or more",
    "string_type": "text",
    "string_unicode": "text in UTF-8",
    "too_long": "a list of {max_length} or fewer",
    "too_short": "a list of {min_length} or more",
    "tuple_type": "a list",
}
"""What each kind of error asks for, by its name in the library, with the figures of the error in braces."""
OWN = ("value_error", "error_at")
"""Kinds of error that nodeday raises itself, each with its own sentence."""
LONGEST = 60
"""Characters of a refused value that are shown."""


def sentence(name: str, problem: Any) -> str:
    """Return what is wrong with the setting ``name``, from an entry of a validation error.

    >>> sentence("heart.long_seconds", {"type": "float_parsing", "input": "abc"})
    "heart.long_seconds is 'abc', not a number"
    >>> sentence("epochs.seconds", {"type": "greater_than_equal", "input": -3, "ctx": {"ge": 1}})
    'epochs.seconds is -3, not 1 or more'
    """
    kind, context = problem["type"], problem.get("ctx", {})
    if kind in OWN:
        text = str(context.get("error", problem["msg"]))
        return f"{name}: {text}" if name else text
    if kind == "missing":
        return f"{name} is missing"
    value = repr(problem["input"])
    value = value if len(value) <= LONGEST else f"{value[: LONGEST - 3]}..."
    rule = EXPECTED.get(kind, "what this setting takes").format(
        **{key: _plain(figure) for key, figure in context.items()},
        rule=RULES.get(context.get("pattern", ""), "a name of the form that is asked for"),
    )
    return f"{name} is {value}, not {rule}"


def _plain(figure: object) -> str:
    """Return a figure of an error as a person writes it."""
    if isinstance(figure, float):
        return f"{figure:.15g}"
    return str(figure).replace("'", "")
