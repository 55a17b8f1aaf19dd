"""YAML into typed settings, with the file, line and nearest known key in every complaint."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from nodeday.core import privacy
from nodeday.core.errors import SettingsError

Model = TypeVar("Model", bound=BaseModel)
SAFE = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""What reads settings, values of plain types alone: of the two the one in C, which is ten times as fast."""
LONGEST = 1_000_000
"""Characters of a settings file; the largest of the demo has under 3000."""

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
"""Each pattern that a name may have to match, in words."""


class Strict(BaseModel):
    """A settings section: unknown keys refused, every number finite, never changed after it is made."""

    model_config = {"extra": "forbid", "frozen": True, "allow_inf_nan": False}


def placed(message: str, *keys: str | int) -> PydanticCustomError:
    """An error for a validator of a whole section to raise, about the part of it at ``keys``."""
    return PydanticCustomError("placed", "{text}", {"text": message, "keys": keys})


def load(path: Path, model: type[Model]) -> Model:
    """Read ``path`` as ``model``; raise SettingsError naming file, line and key of each problem."""
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(LONGEST + 1)
    except FileNotFoundError:
        raise SettingsError("no such file", str(path), remedy="Run `nodeday init` for a fresh one.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"cannot be read ({error})", str(path), "a text file in UTF-8") from None
    if len(text) > LONGEST:
        raise SettingsError(f"is longer than {LONGEST} characters", str(path), "settings, which are shorter")
    privacy.refuse_text(str(path), text)
    try:
        root, data = _parsed(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"{path} line {mark.line + 1}" if mark else str(path)
        raise SettingsError(f"is not YAML ({getattr(error, 'problem', error)})", where) from None
    except (ValueError, RecursionError) as error:  # 2026-02-30, numbers of thousands of digits, deep nests
        found = f"holds what cannot be read ({str(error).splitlines()[0]})"
        raise SettingsError(
            found, str(path), "dates that exist, and settings as the README shows them"
        ) from None
    if not isinstance(data, dict) or root is None:
        raise SettingsError("holds no keys", str(path), "`key: value` lines")
    _no_twins(path, root)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise SettingsError(*explain(error, str(path), root, model)) from None


def _parsed(text: str) -> tuple[yaml.Node | None, Any]:
    """The nodes of a document, and its values."""
    try:
        return yaml.compose(text, Loader=SAFE), SAFE(text).get_single_data()
    except yaml.YAMLError:  # the slow one says better what is wrong
        return yaml.compose(text, Loader=yaml.SafeLoader), yaml.safe_load(text)


def _no_twins(path: Path, root: yaml.Node) -> None:
    """YAML readers take the last of two equal keys; that would drop a setting without a word."""
    pending, done = [root], set()
    while pending:
        node = pending.pop()
        if id(node) in done:  # an alias
            continue
        done.add(id(node))
        if isinstance(node, yaml.MappingNode):
            seen: set[str] = set()
            for key, value in node.value:
                if key.value in seen:
                    where = f"{path} line {key.start_mark.line + 1}"
                    raise SettingsError(f"key {key.value} is there twice", where, "each key once")
                seen.add(str(key.value))
                pending.append(value)
        elif isinstance(node, yaml.SequenceNode):
            pending.extend(node.value)


def explain(
    error: ValidationError, path: str, root: yaml.Node | None, model: type[BaseModel]
) -> tuple[str, str]:
    """The problems of ``error`` as (found, where): the first one's line, all of them in words."""
    problems = []
    for each in error.errors():
        keys = (*each["loc"], *each.get("ctx", {}).get("keys", ()))
        line = _line(root, keys) if keys else None
        name = ".".join(str(key) for key in keys)
        problems.append((line, _sentence(name, each, model)))
    first = problems[0][0]
    found = "; ".join(text if line in (first, None) else f"line {line}: {text}" for line, text in problems)
    return found, f"{path} line {first}" if first else path


def _sentence(name: str, each: Any, model: type[BaseModel]) -> str:
    if each["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(each["loc"][-1]), _known_keys(model), n=1)
        return f"unknown key {name}" + (f" (did you mean {near[0]}?)" if near else "")
    if each["type"] == "missing":
        return f"{name} is missing"
    if each["type"] == "string_pattern_mismatch":
        return f"{name} is {each['input']!r}, not {RULES[each['ctx']['pattern']]}"
    message = str(each["msg"]).removeprefix("Value error, ")
    # The reader's own sentences begin with a capital; ours may begin with a name such as CRC-8.
    message = message[0].lower() + message[1:] if message[1].islower() else message
    return f"{name}: {message}" if name else message


def _known_keys(model: type[BaseModel]) -> set[str]:
    keys: set[str] = set()
    for name, field in model.model_fields.items():
        keys.add(name)
        pending: list[Any] = [field.annotation]
        while pending:
            one = pending.pop()
            if isinstance(one, type) and issubclass(one, BaseModel):
                keys |= _known_keys(one)
            pending.extend(getattr(one, "__args__", ()))
    return keys


def _line(node: yaml.Node | None, keys: tuple[Any, ...]) -> int | None:
    line = None
    for key in keys:
        if isinstance(node, yaml.MappingNode):
            pair = next(((k, v) for k, v in node.value if k.value == str(key)), None)
            if pair is None:
                break
            line, node = pair[0].start_mark.line + 1, pair[1]
        elif isinstance(node, yaml.SequenceNode) and isinstance(key, int) and key < len(node.value):
            node = node.value[key]
            line = node.start_mark.line + 1
    return line or (node.start_mark.line + 1 if node is not None else None)
