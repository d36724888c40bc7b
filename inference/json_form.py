"""
Frozen dataclasses to plain JSON values and back, strictly: the type hints are the form.

Unknown and missing keys, a wrong type, a number that is not finite or (for standard uncertainties) negative
are errors with the JSON path; nothing is filled in or converted. A field's metadata ``decimals`` rounds the
numbers in it.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Mapping
from functools import cache
from numbers import Integral, Real
from typing import Any, Final, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from crestgauge.inference.errors import ReadingError
from crestgauge.inference.evidence import Quantity

T = TypeVar("T")
ADVICE: Final = "Make the reading again from its photo."
"""End of most messages; who decodes another form puts another advice in its place."""


def encode(value: object, path: str, decimals: int | None) -> Any:
    """
    Plain JSON values of a dataclass, number, text, tuple or mapping.

    Parameters
    ----------
    path : str
        JSON path of ``value``, for messages.
    decimals : int or None
        Numbers that are not whole by type are rounded to this many; None leaves them.

    Raises
    ------
    ReadingError
        If a number is not finite.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        number = float(value)
        if not math.isfinite(number):
            raise ReadingError(
                f"{path}: {number}; needs a finite number. Give None for what was not measured."
            )
        return (number if decimals is None else round(number, decimals)) + 0.0  # + 0.0 turns -0.0 into 0.0
    if dataclasses.is_dataclass(value):
        return {
            f.name: encode(getattr(value, f.name), f"{path}.{f.name}", f.metadata.get("decimals", decimals))
            for f in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        return {str(key): encode(item, f"{path}.{key}", decimals) for key, item in value.items()}
    if isinstance(value, tuple | list):
        if value and all(type(item) is float and math.isfinite(item) for item in value):
            # Points make up most of a reading: the same as below, without a call for each number.
            return [(item if decimals is None else round(item, decimals)) + 0.0 for item in value]
        if all(type(item) is int for item in value):
            return list(value)
        return [encode(item, f"{path}[{i}]", decimals) for i, item in enumerate(value)]
    raise TypeError(f"{path}: {type(value).__name__} has no JSON form")


def decode(kind: type[T], data: object, path: str) -> T:
    """
    The dataclass ``kind`` from plain JSON values.

    Raises
    ------
    ReadingError
        With the JSON path of the first fault.
    """
    if not isinstance(data, dict):
        raise _fault(path, data, "an object")
    hints = _hints(cast(Any, kind))
    for key in data:
        if key not in hints:
            raise ReadingError(
                f"{path}.{key}: unknown key; needs one of {', '.join(hints)}. Remove or correct it."
            )
    for key in hints:
        if key not in data:
            raise ReadingError(
                f"{path}.{key}: missing; needs this key. Add it, with null if it was not measured."
            )
    result = kind(**{key: _value(hint, data[key], f"{path}.{key}") for key, hint in hints.items()})
    if isinstance(result, Quantity) and result.u < 0:
        raise _fault(f"{path}.u", result.u, "at least 0")
    return result


@cache
def _hints(kind: type) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {f.name: hints[f.name] for f in dataclasses.fields(cast(Any, kind))}


def _value(hint: Any, data: object, path: str) -> Any:
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        if data is None:
            return None
        (inner,) = (arg for arg in args if arg is not type(None))
        return _value(inner, data, path)
    if origin is Literal:
        if not isinstance(data, str) or data not in args:
            raise _fault(path, data, " or ".join(f'"{arg}"' for arg in args))
        return data
    if origin is tuple:
        return _tuple(args, data, path)
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(data, dict):
            raise _fault(path, data, "an object")
        return {key: _value(args[1], item, f"{path}.{key}") for key, item in data.items()}
    if dataclasses.is_dataclass(hint):
        return decode(cast(type, hint), data, path)
    return _scalar(hint, data, path)


def _tuple(args: tuple[Any, ...], data: object, path: str) -> tuple[Any, ...]:
    if not isinstance(data, list):
        raise _fault(path, data, "a list")
    if args[-1] is Ellipsis:
        return tuple(_value(args[0], item, f"{path}[{i}]") for i, item in enumerate(data))
    if len(data) != len(args):
        raise _fault(path, data, f"a list of {len(args)}")
    if all(arg is float for arg in args) and all(type(v) is float and math.isfinite(v) for v in data):
        return tuple(data)  # the same as below, without a call for each number
    return tuple(
        _value(arg, item, f"{path}[{i}]") for i, (arg, item) in enumerate(zip(args, data, strict=True))
    )


def _scalar(hint: type, data: object, path: str) -> Any:
    if hint is bool and isinstance(data, bool):
        return data
    if hint is str and isinstance(data, str):
        return data
    if hint is int and isinstance(data, int) and not isinstance(data, bool):
        return data
    if hint is float and isinstance(data, int | float) and not isinstance(data, bool) and math.isfinite(data):
        return float(data)
    raise _fault(
        path, data, {bool: "true or false", str: "a text", int: "a whole number", float: "a number"}[hint]
    )


def _fault(path: str, found: object, needed: str) -> ReadingError:
    shown = repr(found)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    return ReadingError(f"{path}: {shown}; needs {needed}. {ADVICE}")
