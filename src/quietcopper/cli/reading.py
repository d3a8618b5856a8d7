"""What the commands that take a BOARD share: its help, --stackup, and reading it with what the settings say."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from quietcopper.board import Board
    from quietcopper.electrical.settings import Settings

BOARD = "an IPC-2581 file (plain, .gz or .zip), or a folder or .zip of Gerber files"


def add_stackup(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--stackup",
        metavar="STACKUP.toml",
        type=Path,
        help="layers and dielectrics of the board, where its files do not state them: sections [layers.N], "
        "[dielectrics.N] and [mask.top] as in a settings file",
    )


def read(board: Path, settings: Settings, stackup: Path | None) -> Board:
    """The board with its stackup. Raises ReadError and SettingsError."""
    from quietcopper.electrical.settings import load_stackup
    from quietcopper.formats import read_board

    given = load_stackup(stackup) if stackup is not None else None
    found = read_board(board, files=settings.files)
    return given.correct(found) if given is not None else found
