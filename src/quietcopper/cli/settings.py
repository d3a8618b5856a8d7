"""`quietcopper settings`: everything that was inferred, as a settings file ready to correct."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from quietcopper.cli import reading
from quietcopper.errors import CallError


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "settings",
        help="write what was inferred, ready to correct",
        description="Reads a board and writes a commented settings file with everything that was inferred: net roles, "
        "drivers, pairs, stackup, connectors, allowances. Correct it and give it to 'review' with -s.",
    )
    p.add_argument("board", metavar="BOARD", type=Path, help=reading.BOARD)
    p.add_argument("-o", "--output", metavar="FILE", type=Path, help="file to write (default: standard output)")
    p.add_argument(
        "-s", "--settings", metavar="SETTINGS.toml", type=Path, help="corrections made so far, kept in what is written"
    )
    reading.add_stackup(p)


def run(args: argparse.Namespace) -> int:
    from quietcopper.checks import allowance_defaults
    from quietcopper.electrical.settings import Settings, load_settings, write_settings
    from quietcopper.electrical.settings_text import settings_text
    from quietcopper.electrical.view import View

    output: Path | None = args.output
    if output is not None and output.is_dir():
        raise CallError(f"{output}: is a folder; name a file with -o")
    if output is not None and output.exists() and (args.settings is None or not output.samefile(args.settings)):
        raise CallError(f"{output}: exists; give it with -s as well to keep its corrections, or name another file")
    limits = allowance_defaults()
    settings = load_settings(args.settings, limits) if args.settings else Settings()
    view = View(reading.read(args.board, settings, args.stackup), settings)
    for sentence in settings.unused(view.board):
        print(f"quietcopper: {sentence}", file=sys.stderr)
    rows = [(key, limit.default, limit.unit, limit.source, limit.help) for key, limit in limits.items()]
    if output is None:
        sys.stdout.write(settings_text(view, rows))
    else:
        write_settings(view, output, rows)
    return 0
