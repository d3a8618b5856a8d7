"""Quiet Copper: EMC and signal-integrity review of finished board layouts.

For Python and notebooks (docs/python.md): ``read``, ``settings``, ``review_board`` and ``compare``; what they give is a
``Board``, ``Settings``, a ``Review`` with its ``Picture`` drawings, a ``Comparison``. Errors meant for the user are
``QuietCopperError``, ``ReadError`` and ``SettingsError``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietcopper.board import Board
    from quietcopper.electrical.settings import Settings
    from quietcopper.errors import QuietCopperError, ReadError, SettingsError
    from quietcopper.findings import Comparison
    from quietcopper.notebook import Picture, Review, compare, read, review_board, settings

__all__ = [
    "Board",
    "Comparison",
    "Picture",
    "QuietCopperError",
    "ReadError",
    "Review",
    "Settings",
    "SettingsError",
    "compare",
    "read",
    "review_board",
    "settings",
]

_ERRORS = ("QuietCopperError", "ReadError", "SettingsError")


def __getattr__(name: str) -> Any:
    """The public names, imported at their first use: the command line's help does not wait for them."""
    if name not in __all__:
        raise AttributeError(f"module 'quietcopper' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module("quietcopper.errors" if name in _ERRORS else "quietcopper.notebook"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
