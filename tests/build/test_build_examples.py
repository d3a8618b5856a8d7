"""The examples in the building language's docstrings."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import quietcopper.build

MODULES = ["quietcopper.build"] + [
    f"quietcopper.build.{m.name}" for m in pkgutil.iter_modules(quietcopper.build.__path__)
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_do_what_they_say(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    assert sum(len(t.examples) for name in MODULES for t in finder.find(importlib.import_module(name))) > 40
