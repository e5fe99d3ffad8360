"""Holds the values of a frozen dataclass against its annotations.

Events come back from disk, from other people's files and later from phones; a word where a number belongs
must be refused there, not three layers further on. Only the annotations that events and observations use are
known: str, int, float, bool, None, Literal, tuple[X, ...], unions of these, and dataclasses of these.

JSON has no infinity, yet an ohmmeter on an open wire shows just that, so an infinite float travels as the
text "Infinity" or "-Infinity".
"""

from __future__ import annotations

import dataclasses
import functools
import math
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from halfsplit.errors import InternalError

_T = TypeVar("_T")
_INFINITE = {"Infinity": math.inf, "-Infinity": -math.inf}


def conform(value: _T) -> tuple[_T, tuple[str, ...]]:
    """``value``, a dataclass instance, with whole numbers turned into floats where floats are meant.

    The second result holds one sentence for everything that does not fit; the first is only of use when it is
    empty. Raises InternalError for something that is no dataclass instance, or an annotation not known here.
    """
    wrong: list[str] = []
    fitted: _T = _instance(value, type(value).__name__, wrong)
    return fitted, tuple(wrong)


def plain(value: Any) -> Any:
    """JSON values with infinite floats written as text; tuples become lists.

    Raises ValueError for not-a-number.
    """
    if isinstance(value, float):
        if math.isnan(value):
            raise ValueError("not a number")
        if math.isinf(value):
            return "Infinity" if value > 0 else "-Infinity"
        return value
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return value


@functools.cache
def _hints(kind: type[Any]) -> Mapping[str, Any]:
    return typing.get_type_hints(kind)


def _instance(value: Any, where: str, wrong: list[str]) -> Any:
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        raise InternalError(f"{where} is not a value with fields.")
    hints = _hints(type(value))
    changed = {}
    for item in dataclasses.fields(value):
        old = getattr(value, item.name)
        new = _value(old, hints[item.name], f"{where}.{item.name}", wrong)
        if new is not old:
            changed[item.name] = new
    return dataclasses.replace(value, **changed) if changed else value


def _value(value: Any, hint: Any, where: str, wrong: list[str]) -> Any:
    origin = typing.get_origin(hint)
    if origin is typing.Literal:
        choices = typing.get_args(hint)
        # The type is compared too, because True == 1 and "in" would let it pass.
        if not any(type(value) is type(choice) and value == choice for choice in choices):
            wrong.append(f"{where} is {_shown(value)}, not one of {', '.join(map(repr, choices))}")
        return value
    if origin is tuple:
        (inner, _dots) = typing.get_args(hint)
        if not isinstance(value, tuple):
            wrong.append(f"{where} is {_shown(value)}, not a list")
            return value
        fitted = tuple(_value(item, inner, f"{where}[{n}]", wrong) for n, item in enumerate(value))
        return value if all(new is old for new, old in zip(fitted, value, strict=True)) else fitted
    if origin in (typing.Union, types.UnionType):
        return _union(value, typing.get_args(hint), where, wrong)
    if dataclasses.is_dataclass(hint):
        if type(value) is not hint:
            wrong.append(f"{where} is {_shown(value)}, not a {getattr(hint, '__name__', hint)}")
            return value
        return _instance(value, where, wrong)
    return _scalar(value, hint, where, wrong)


def _union(value: Any, members: tuple[Any, ...], where: str, wrong: list[str]) -> Any:
    """A member that is the value's own type decides; else the first that fits; else the last one speaks."""
    for member in members:
        if type(value) is member:
            return _value(value, member, where, wrong)
    tried: list[str] = []
    for member in members:
        tried = []
        fitted = _value(value, member, where, tried)
        if not tried:
            return fitted
    wrong.extend(tried)
    return value


def _scalar(value: Any, hint: Any, where: str, wrong: list[str]) -> Any:
    if hint is float:
        if isinstance(value, str) and value in _INFINITE:
            return _INFINITE[value]
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return _as_float(value, where, wrong)
        wrong.append(f"{where} is {_shown(value)}, not a number")
    elif hint is type(None):
        if value is not None:
            wrong.append(f"{where} is {_shown(value)}, not empty")
    elif hint in (str, int, bool):
        words = {str: "text", int: "a whole number", bool: "yes or no"}
        if type(value) is not hint:
            wrong.append(f"{where} is {_shown(value)}, not {words[hint]}")
    else:
        raise InternalError(f"{where} is annotated {hint!r}, which jobs cannot check.")
    return value


def _as_float(value: float, where: str, wrong: list[str]) -> float:
    try:
        number = float(value)
    except OverflowError:
        number = math.nan
    if math.isnan(number):
        wrong.append(f"{where} is not a number a meter can show")
    # The same object is handed back for a float, so that nothing is rebuilt without need.
    return number if isinstance(value, int) else value


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
