"""Compilation of numeric kernels, kept on disk between runs where that is possible."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba


def compiled(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """A decorator: numba.njit with a cache on disk; without one where neither the package's folder nor the user's cache
    folder can be written to (numba then refuses to cache at all)."""

    def decorate(function: Callable[..., Any]) -> Any:
        try:
            return numba.njit(cache=True, **options)(function)
        except RuntimeError:
            return numba.njit(**options)(function)

    return decorate
