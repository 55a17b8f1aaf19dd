"""YAML into typed settings, with the file, line and nearest known key in every complaint."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from nodeday.errors import SettingsError

Model = TypeVar("Model", bound=BaseModel)


class Strict(BaseModel):
    """A settings section: unknown keys refused, never changed after it is made."""

    model_config = {"extra": "forbid", "frozen": True}


def load(path: Path, model: type[Model]) -> Model:
    """Read ``path`` as ``model``; raise SettingsError naming file, line and key of each problem."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError("no such file", str(path), remedy="Run `nodeday init` for a fresh one.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"cannot be read ({error})", str(path)) from None
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        data = yaml.safe_load(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"{path} line {mark.line + 1}" if mark else str(path)
        raise SettingsError(f"is not YAML ({getattr(error, 'problem', error)})", where) from None
    if not isinstance(data, dict):
        raise SettingsError("holds no keys", str(path), "`key: value` lines")
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise SettingsError(*explain(error, str(path), root, model)) from None


def explain(
    error: ValidationError, path: str, root: yaml.Node | None, model: type[BaseModel]
) -> tuple[str, str]:
    """The problems of ``error`` as (found, where): the first one's line, all of them in words."""
    problems = []
    for each in error.errors():
        keys = tuple(key for key in each["loc"])
        line = _line(root, keys)
        name = ".".join(str(key) for key in keys) or "file"
        problems.append((line, _sentence(name, each, model)))
    found = "; ".join(text if line == problems[0][0] else f"line {line}: {text}" for line, text in problems)
    first = problems[0][0]
    return found, f"{path} line {first}" if first else path


def _sentence(name: str, each: Any, model: type[BaseModel]) -> str:
    if each["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(each["loc"][-1]), _known_keys(model), n=1)
        return f"unknown key {name}" + (f" (did you mean {near[0]}?)" if near else "")
    if each["type"] == "missing":
        return f"{name} is missing"
    message = str(each["msg"]).removeprefix("Value error, ")
    return f"{name}: {message[0].lower() + message[1:]}"


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
