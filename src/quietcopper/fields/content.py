"""Results kept by the content of what they were worked out from, so that a board that changed in one place solves that
place again and nothing else."""

from __future__ import annotations

import dataclasses
import hashlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

P = ParamSpec("P")
T = TypeVar("T")
_clear: list[Callable[[], None]] = []


def content_key(value: Any) -> bytes:
    """A digest of plain values, arrays, shapes, dataclasses, and lists and mappings of these: equal for equal content.

    Raises TypeError for anything else.
    """
    digest = hashlib.blake2b(digest_size=20)
    _feed(digest, value)
    return digest.digest()


def _feed(digest: Any, value: Any) -> None:
    if isinstance(value, np.ndarray) and value.dtype != object:
        digest.update(f"a{value.dtype.str}{value.shape}".encode())
        digest.update(np.ascontiguousarray(value).tobytes())
    elif isinstance(value, BaseGeometry):
        digest.update(b"g" + shapely.to_wkb(value))
    elif value is None or isinstance(value, str | bytes | bool | int | float | complex | np.generic):
        digest.update(f"v{type(value).__name__}{value!r};".encode())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        digest.update(f"d{type(value).__qualname__}(".encode())
        for field in dataclasses.fields(value):
            _feed(digest, getattr(value, field.name))
        digest.update(b")")
    elif isinstance(value, Mapping):
        _feed(digest, [*value.items()])
    elif isinstance(value, list | tuple) or (isinstance(value, np.ndarray) and value.dtype == object):
        digest.update(f"l{len(value)}(".encode())
        for item in value:
            _feed(digest, item)
        digest.update(b")")
    else:
        raise TypeError(f"no digest of a {type(value).__name__}")


def kept_by_content(most: int) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Keeps the last `most` results of a function by the content of its arguments. Whoever gets a result shares it and
    must not change it; what raises is not kept."""

    def decorate(function: Callable[P, T]) -> Callable[P, T]:
        known: OrderedDict[bytes, T] = OrderedDict()

        @wraps(function)
        def wrapped(*args: P.args, **kwargs: P.kwargs) -> T:
            key = content_key((args, dict(sorted(kwargs.items()))))
            if key in known:
                known.move_to_end(key)
                return known[key]
            result = known[key] = function(*args, **kwargs)
            if len(known) > most:
                known.popitem(last=False)
            return result

        _clear.append(known.clear)
        return wrapped

    return decorate


def forget_all() -> None:
    """Everything that was kept is given up."""
    for clear in _clear:
        clear()
