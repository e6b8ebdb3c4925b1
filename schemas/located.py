"""Plain-word problems in a TOML file, each with its place; shared by the typed files.

Shapes only: text goes in, a model or a list of located problems comes out.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from schemas.record import dataclass


@dataclass(frozen=True)
class Located:
    """One problem: dotted path ("" where the whole file is meant), message, line and column."""

    path: str
    message: str
    line: int | None = None
    column: int | None = None


class LocatedError(ValueError):
    """A TOML file that cannot be used; `problems` lists everything found in it."""

    def __init__(self, problems: Sequence[Located]) -> None:
        super().__init__("; ".join(f"{p.path}: {p.message}" for p in problems))
        self.problems = list(problems)


class Strict(BaseModel):
    """Base of every model read from TOML: unknown keys refused, no silent conversion."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)


def parse_toml(text: str, model: type[Model]) -> Model:
    """Read `text` as `model`; LocatedError names every fault with its dotted path."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LocatedError([_syntax_problem(error, text)]) from None
    except RecursionError:
        raise LocatedError([Located("", "not valid TOML: nested too deeply")]) from None
    except ValueError:  # what int() says of thousands of digits
        raise LocatedError([Located("", "not valid TOML: a number has too many digits")]) from None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise LocatedError(plain_problems(error, data, list(model.model_fields))) from None


def plain_problems(
    error: ValidationError, data: Mapping[str, Any], keys: Sequence[str] = ()
) -> list[Located]:
    """Turn pydantic's findings into plain words; `data` lends list entries their ids.

    `keys`: those that may stand at the top of the file.
    """
    found: dict[tuple[str, str], Located] = {}
    for item in error.errors(include_url=False):
        words = _words(item)
        top = str(item["loc"][0]) if len(item["loc"]) == 1 else ""
        if item["type"] == "extra_forbidden" and (near := get_close_matches(top, keys, 1)):
            words = f"is not a key of this file; {near[0]} is"
        located = Located(dotted(item["loc"], data), words)
        found.setdefault((located.path, located.message), located)
    return list(found.values())


def dotted(loc: Sequence[str | int], data: Any) -> str:
    """`("version", 0, "rules", "x")` as a reader would write it: a sole version needs no number."""
    words: list[str] = []
    here = data
    for part in (part for part in loc if part != "[key]"):
        inside = here[part] if _holds(here, part) else None
        if isinstance(part, int):
            name = inside.get("id") if isinstance(inside, dict) else None
            if words[-1:] == ["version"] and len(here or []) == 1 and len(loc) > len(words) + 1:
                words.pop()
            else:
                words[-1:] = [f"{words[-1] if words else ''}[{name or part + 1}]"]
        else:
            words.append(part)
        here = inside
    return ".".join(words)


def _holds(here: Any, part: str | int) -> bool:
    if isinstance(here, dict):
        return part in here
    return isinstance(here, list) and isinstance(part, int) and part < len(here)


def _syntax_problem(error: tomllib.TOMLDecodeError, text: str) -> Located:
    said = str(error)
    place = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$", said)
    what = said[: place.start()] if place else said
    line = int(place[1]) if place and place[1] else None
    column = int(place[2]) if place and place[2] else None
    rows = text.splitlines()
    why = _why(rows[line - 1] if line and line <= len(rows) else "", what)
    return Located("", f"not valid TOML: {why or what[:1].lower() + what[1:]}", line, column)


def _why(row: str, what: str) -> str | None:
    """The likely cause of a fault in a line of TOML, in the words of who wrote it."""
    if re.search(r'"[^"]*\\', row):
        return (
            "a backslash in double quotes begins a special character; write a path with /"
            ' between, from the source folder on, as in "june/trips.csv"'
        )
    if re.search("[\u2018\u2019\u201c\u201d\u201e]", row):
        return 'typographic quotation marks; write plain ones, as in "text"'
    if what.lower().startswith("cannot overwrite") or "twice" in what:
        return "the key stands there twice"
    if what.lower().startswith("invalid value"):
        return 'this is no value; text stands in double quotes, as in "text"'
    return None


_SENTENCES = {
    "missing": "is missing",
    "extra_forbidden": "is not a key of this file; check its spelling or remove it",
    "greater_than": "must be above {gt}, is {value}",
    "greater_than_equal": "must be at least {ge}, is {value}",
    "less_than": "must be below {lt}, is {value}",
    "less_than_equal": "must be at most {le}, is {value}",
    "string_type": "must be text in quotation marks, is {value}",
    "int_type": "must be a whole number, is {value}",
    "int_from_float": "must be a whole number, is {value}",
    "float_type": "must be a number, is {value}",
    "bool_type": "must be true or false, is {value}",
    "list_type": "must be a list in square brackets, is {value}",
    "dict_type": 'must be a table, as {{ key = "value" }}, is {value}',
    "model_type": 'must be a table, as {{ key = "value" }}, is {value}',
    "finite_number": "must be a finite number",
    "literal_error": "must be {expected}, is {value}",
    "too_short": "must have at least one entry",
    "value_error": "{error}",
}


def _words(item: Mapping[str, Any]) -> str:
    context = {
        key: f"{value:g}" if isinstance(value, float) else str(value).replace("'", '"')
        for key, value in item.get("ctx", {}).items()
    }
    sentence = _SENTENCES.get(item["type"])
    if sentence:
        return sentence.format(**context, value=shown(item.get("input")))
    message = str(item["msg"])
    return message[:1].lower() + message[1:]


def shown(value: Any) -> str:
    """A value of a settings file as its author would know it again."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)
