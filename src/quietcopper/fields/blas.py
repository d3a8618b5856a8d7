"""One thread for the linear algebra libraries: several make small matrices slower, and round differently."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache
from typing import Any

import scipy.linalg  # noqa: F401  its library must be there when libraries are looked for
from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[Any]:
    """Within it, each BLAS call runs on one thread."""
    return _libraries().limit(limits=1, user_api="blas")


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()  # looking for them takes milliseconds
