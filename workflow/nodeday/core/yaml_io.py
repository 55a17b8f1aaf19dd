"""YAML to typed settings and back; an error names file, line and the nearest known key."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from nodeday.core import privacy, refusals
from nodeday.core.errors import SettingsError, did_you_mean, unreadable

Model = TypeVar("Model", bound=BaseModel)
SAFE = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""The loader for settings, of plain types only: the one in C, ten times as fast, where it is installed."""
LONGEST = 1_000_000
"""Characters of a settings file; the largest of the demo has under 3000."""


class Strict(BaseModel):
    """A section of settings: unknown keys are refused, numbers are finite, nothing changes after creation."""

    model_config = {"extra": "forbid", "frozen": True, "allow_inf_nan": False}


def error_at(message: str, *keys: str | int) -> PydanticCustomError:
    """Return an error for a validator of a whole section to raise, about the part of it at ``keys``."""
    return PydanticCustomError("error_at", "{text}", {"text": message, "keys": keys})


def load(path: Path, model: type[Model]) -> Model:
    """Return the file at ``path`` as ``model``; raise SettingsError with line and key of each problem."""
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(LONGEST + 1)
    except FileNotFoundError:
        raise SettingsError("no such file", str(path), remedy="Run `nodeday init` for a fresh one.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise unreadable(path, error, "a text file in UTF-8") from None
    return parse(text, model, str(path))


def parse(text: str, model: type[Model], where: str) -> Model:
    """Return settings that are given as text; raise SettingsError with ``where``, line and key."""
    if len(text) > LONGEST:
        raise SettingsError(f"is longer than {LONGEST} characters", where, "settings, which are shorter")
    privacy.refuse_text(where, text)
    try:
        root, data = _parsed(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f"{where} line {mark.line + 1}" if mark else where
        raise SettingsError(f"is not YAML ({getattr(error, 'problem', error)})", line) from None
    except (ValueError, RecursionError) as error:  # 2026-02-30, numbers of thousands of digits, deep nests
        found = f"holds what cannot be read ({str(error).splitlines()[0]})"
        raise SettingsError(found, where, "dates that exist, and plain settings") from None
    if not isinstance(data, dict) or root is None:
        raise SettingsError("holds no keys", where, "`key: value` lines")
    _refuse_twins(where, root)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise SettingsError(*explain(error, where, root, model)) from None


def dump(data: Mapping[str, object]) -> str:
    """Return settings as text, keys in their order, each innermost list or mapping on one line.

    >>> print(dump({"study": "trial", "grid": {"rate_hz": 50.0}}), end="")
    study: trial
    grid: {rate_hz: 50.0}
    """
    return yaml.safe_dump(dict(data), sort_keys=False, default_flow_style=None, width=110, allow_unicode=True)


def _parsed(text: str) -> tuple[yaml.Node | None, Any]:
    """Return the nodes of a document, and its values."""
    try:
        return yaml.compose(text, Loader=SAFE), SAFE(text).get_single_data()
    except yaml.YAMLError:  # the slow loader has the clearer errors
        return yaml.compose(text, Loader=yaml.SafeLoader), yaml.safe_load(text)


def _refuse_twins(where: str, root: yaml.Node) -> None:
    """Refuse two equal keys: a YAML reader would take the last one and drop the other silently."""
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
                    line = f"{where} line {key.start_mark.line + 1}"
                    raise SettingsError(f"key {key.value} is there twice", line, "each key once")
                seen.add(str(key.value))
                pending.append(value)
        elif isinstance(node, yaml.SequenceNode):
            pending.extend(node.value)


def explain(
    error: ValidationError, where: str, root: yaml.Node | None, model: type[BaseModel]
) -> tuple[str, str]:
    """Return the problems of ``error`` as (found, where): all of them in words, the line of the first."""
    problems = []
    for problem in error.errors():
        keys = (*problem["loc"], *problem.get("ctx", {}).get("keys", ()))
        line = _line(root, keys) if keys else None
        name = ".".join(str(key) for key in keys)
        problems.append((line, _sentence(name, problem, model)))
    first = problems[0][0]
    found = "; ".join(text if line in (first, None) else f"line {line}: {text}" for line, text in problems)
    return found, f"{where} line {first}" if first else where


def _sentence(name: str, problem: Any, model: type[BaseModel]) -> str:
    if problem["type"] == "extra_forbidden":
        return f"unknown key {name}{did_you_mean(str(problem['loc'][-1]), _known_keys(model))}"
    return refusals.sentence(name, problem)


def _known_keys(model: type[BaseModel]) -> set[str]:
    keys: set[str] = set()
    for name, field in model.model_fields.items():
        keys.add(name)
        pending: list[Any] = [field.annotation]
        while pending:
            annotation = pending.pop()
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                keys |= _known_keys(annotation)
            pending.extend(getattr(annotation, "__args__", ()))
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
