"""Strict settings: an unknown key is an error that names the nearest right one."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar, get_args

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from shared.errors import Problem, StudyError, stop


class Strict(BaseModel):
    """Base of all settings: unknown keys are refused, values are never coerced across types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


Model = TypeVar("Model", bound=Strict)


class _NoDuplicates(yaml.SafeLoader):
    """YAML loader that refuses a key written twice (plain YAML silently keeps the last)."""


def _mapping_without_duplicates(loader: _NoDuplicates, node: yaml.MappingNode) -> dict[Any, Any]:
    seen: set[Any] = set()
    for key_node, _ in node.value:
        key = loader.construct_object(key_node)
        if key in seen:
            raise yaml.constructor.ConstructorError(
                None, None, f"the key {key!r} is written twice", key_node.start_mark
            )
        seen.add(key)
    return loader.construct_mapping(node, deep=True)


_NoDuplicates.add_constructor(
    yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping_without_duplicates
)


def read_yaml(path: Path) -> dict[str, Any]:
    """Return the mapping in a YAML file.

    Raises
    ------
    StudyError
        The file is missing, is not YAML, holds a key twice, or is not a mapping.
    """
    if not path.is_file():
        raise stop(
            "missing_settings",
            path.name,
            found="no such file",
            expected=f"{path.name} in the settings folder {path.parent.name!r}",
            mend="write it; config/README.md shows how",
        )
    try:
        content = yaml.load(path.read_text(encoding="utf-8-sig"), Loader=_NoDuplicates)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else None
        raise stop(
            "settings_not_yaml",
            path.name,
            row=line,
            found=str(error.problem),
            expected="valid YAML",
            mend="correct the line; indent with spaces",
        ) from error
    if not isinstance(content, dict):
        raise stop(
            "settings_not_mapping",
            path.name,
            found=type(content).__name__,
            expected="a mapping of keys to values",
            mend="start from the example in config/",
        )
    return content


def _field_names(model: Any, location: Sequence[str | int]) -> list[str]:
    """Return the keys allowed at a place, found by walking the models along the location."""
    for part in location:
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            return []
        field = model.model_fields.get(str(part))
        if field is None:
            return sorted(model.model_fields)
        model = _innermost_model(field.annotation)
    return []


def _innermost_model(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        if (found := _innermost_model(argument)) is not None:
            return found
    return None


def _without_collection_keys(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    """Drop list indices and the free keys of mappings, so that only field names remain."""
    names: list[str] = []
    current: Any = model
    for part in location:
        fields = getattr(current, "model_fields", {})
        if str(part) in fields:
            names.append(str(part))
            current = _innermost_model(fields[str(part)].annotation)
    return names


def _problem(model: type[BaseModel], file: str, error: Any) -> Problem:
    location = [str(part) for part in error["loc"]]
    place = ".".join(location) or "(whole file)"
    if error["type"] == "extra_forbidden":
        parents = _without_collection_keys(model, error["loc"][:-1])
        allowed = _field_names(model, [*parents, "?"])
        near = difflib.get_close_matches(location[-1], allowed, n=1)
        return Problem(
            "stops_study",
            "unknown_key",
            file,
            None,
            place,
            f"unknown key {location[-1]!r}",
            f"one of: {', '.join(allowed)}",
            f"did you mean {near[0]!r}?" if near else "remove it, or check the spelling",
        )
    if error["type"] == "missing":
        return Problem(
            "stops_study",
            "missing_key",
            file,
            None,
            place,
            "nothing",
            f"the key {location[-1]!r}",
            "add it; config/README.md explains each key",
        )
    return Problem(
        "stops_study",
        "wrong_value",
        file,
        None,
        place,
        f"{error.get('input')!r}",
        str(error["msg"]).removeprefix("Value error, "),
        "correct the value",
    )


def validate(model: type[Model], content: dict[str, Any], file: str) -> Model:
    """Return the settings as a frozen model; all problems of the file in one `StudyError`."""
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise StudyError([_problem(model, file, item) for item in error.errors()]) from error


def load(model: type[Model], path: Path) -> Model:
    """Read and validate one settings file; see `read_yaml` and `validate` for errors."""
    return validate(model, read_yaml(path), path.name)
