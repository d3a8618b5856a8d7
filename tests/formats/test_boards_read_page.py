"""docs/boards-read.md says what the reader does today."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from quietcopper.errors import ReadError
from quietcopper.formats import read_board

PAGE = Path(__file__).parents[2] / "docs" / "boards-read.md"
ROWS = [
    [cell.strip() for cell in line.strip("|\n ").split("|")] for line in PAGE.read_text().splitlines() if "|" in line
]
COLUMNS, BOARDS = ROWS[0], {row[0]: row for row in ROWS[2:]}


def test_the_page_lists_every_sample(sample: Callable[[str], Path]) -> None:
    root = sample("ipc2581-6layer-rev-a").parent.parent
    assert {folder.name for folder in root.glob("ipc2581-*")} == {
        name for name in BOARDS if name.startswith("ipc2581-")
    }


@pytest.mark.parametrize("name", [name for name in BOARDS if name.startswith("ipc2581-")])
def test_counts_and_notes_are_those_of_the_reader(sample: Callable[[str], Path], name: str) -> None:
    """Run tools/read_table.py when this fails."""
    stated = dict(zip(COLUMNS, BOARDS[name], strict=True))
    path = sample(name)
    if stated["not read"].startswith("refused: "):
        with pytest.raises(ReadError, match=re.escape(stated["not read"].removeprefix("refused: "))):
            read_board(path)
        return
    board = read_board(path)
    found = {table: len(getattr(board, table)) for table in ("parts", "pins", "traces", "vias", "areas")}
    found |= {"layers": len(board.layers), "nets": len(board.nets) - 1}
    assert {key: int(stated[key]) for key in found} == found
    assert stated["not read"] == "; ".join(f"{u.count} × {u.what}" for u in board.unread)
    section = PAGE.read_text().split(f"\n## {name}\n")[1].split("\n## ")[0]
    assert all(f"- {sentence}\n" in section for sentence in board.problems)
    assert section.count("\n- ") == len(board.problems) + len(board.assumptions) + len(board.unread)


def test_a_large_file_was_measured_and_stayed_small() -> None:
    """200 MB in less than 2 GB of memory, the bound that the reader was built for."""
    made = dict(zip(COLUMNS, BOARDS["a made file of repeated features"], strict=True))
    assert float(made["MB"]) > 190
    assert float(made["memory, MB"]) < 2000


def test_no_path_of_any_machine() -> None:
    assert not re.search(r"(?<![\w<])/\w+/\w+", PAGE.read_text())
