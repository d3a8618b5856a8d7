"""Libraries that only some of the program needs."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

from quietcopper.errors import CallError


def need(module: str, *, extra: str, purpose: str) -> ModuleType:
    """The module, imported. Raises CallError that says what it is for and how to install it where it is missing.

    extra : of the package's optional dependencies;  purpose : the beginning of a sentence, "Writing a Touchstone file"
    """
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        if error.name is None or not (module == error.name or module.startswith(f"{error.name}.")):
            raise  # it is there, and something that it needs is not
        raise CallError(f"{purpose} needs {module}: pip install 'quietcopper[{extra}]'") from error
