"""`quietcopper explain`: what a check predicts, why it matters, against which allowance, from which source."""

from __future__ import annotations

import argparse
import difflib
import textwrap
from typing import Any

from quietcopper.errors import CallError


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "explain",
        help="mechanism, formula, allowance and sources of a check",
        description="Explains one check; without a name, lists all of them.",
    )
    p.add_argument("check", metavar="CHECK", nargs="?", help="for instance trace-over-gap")


def explain(name: str) -> str:
    """The text for one check. Raises CallError for an unknown name."""
    from quietcopper.checks import NAMES, load

    if name not in NAMES:
        near = difflib.get_close_matches(name, NAMES, n=1)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(NAMES)}"
        raise CallError(f"no check is called {name!r}; {hint}")
    check = load(name)

    def block(text: str) -> str:
        return textwrap.fill(" ".join(text.split()), 96, initial_indent="  ", subsequent_indent="  ")

    parts = [check.NAME, block(check.QUESTION), "why it matters", block(check.MECHANISM)]
    parts += ["how it is predicted", block(check.FORMULA), "allowances (settings, section [allowances])"]
    for key, limit in check.ALLOWANCES.items():
        parts.append(f'  "{check.NAME}.{key}" = {limit.default:g}   # {limit.unit}')
        parts.append(textwrap.indent(block(f"{limit.help} Source: {limit.source}."), "  "))
    parts += ["sources", *(block(source) for source in check.SOURCES)]
    return "\n".join(parts)


def run(args: argparse.Namespace) -> int:
    from quietcopper.checks import NAMES, load

    if args.check is None:
        for name in NAMES:
            print(f"{name:<30} {load(name).QUESTION}")
    else:
        print(explain(args.check))
    return 0
