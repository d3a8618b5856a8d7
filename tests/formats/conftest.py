"""Small IPC-2581 files made in place, and where the sample boards are."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from quietcopper.board import Board
from quietcopper.formats import read_board

_spec = importlib.util.spec_from_file_location("ipc2581_text", Path(__file__).with_name("ipc2581_text.py"))
assert _spec is not None
assert _spec.loader is not None
ipc = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(ipc)


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Board]:
    """Reads a file made of the given step contents and parts (see ipc2581_text.py)."""

    def reader(step: str = ipc.TRACE, **parts: str) -> Board:
        path = tmp_path / "board.xml"
        path.write_text(ipc.ipc2581(step, **parts))
        return read_board(path)

    return reader


@pytest.fixture
def sample(request: pytest.FixtureRequest) -> Callable[[str], Path]:
    """The one board file in a folder of the sample boards; skips where they are not there."""
    root = Path(os.environ.get("QUIETCOPPER_BOARDS", request.config.rootpath.parent / "shared" / "boards"))

    def find(folder: str) -> Path:
        found = sorted((root / folder).glob("*.xml"))
        if not found:
            pytest.skip(f"sample board {folder} is not beside the checkout nor at QUIETCOPPER_BOARDS")
        return found[0]

    return find
