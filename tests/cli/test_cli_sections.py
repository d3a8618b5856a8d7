"""Solved cross-sections kept between runs of the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietcopper.build import chip, small_board
from quietcopper.cli import main
from quietcopper.formats.ipc2581.writer import write_ipc2581


@pytest.fixture
def board(tmp_path: Path) -> Path:
    b = small_board(size_mm=(60.0, 30.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("CLK", "GND"), turn_deg=180)
    b.part("U2", chip("0402"), (50, 15), nets=("CLK", "GND"))
    b.route("CLK", "U1.1", "U2.1")
    write_ipc2581(b.build(), tmp_path / "board.xml")
    return tmp_path / "board.xml"


def review(board: Path, *args: str) -> int:
    return main(["review", str(board), "-o", str(board.parent / "out"), "--no-proofs", "--timings", *args])


def test_a_second_run_solves_nothing_again(board: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = board.parent / "kept.npz"
    assert review(board, "--sections", str(kept)) == 0
    first = capsys.readouterr().out.splitlines()[-1]
    assert "on 0 different" not in first
    assert "different cross-sections" in first
    findings = (board.parent / "out" / "findings.json").read_bytes()
    assert review(board, "--sections", str(kept)) == 0
    second = capsys.readouterr().out.splitlines()[-1]
    assert "on 0 different cross-sections" in second
    assert "taken from the file" in second
    assert (board.parent / "out" / "findings.json").read_bytes() == findings


def test_the_settings_can_name_the_file(board: Path) -> None:
    folder = board.parent / "elsewhere"
    folder.mkdir()
    (folder / "s.toml").write_text('[review]\nsections_file = "kept.npz"\nsection_accuracy_percent = 0.02\n')
    assert review(board, "-s", str(folder / "s.toml")) == 0
    assert (folder / "kept.npz").exists()


def test_another_file_is_left_alone(board: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = board.read_bytes()
    assert review(board, "--sections", str(board)) == 2
    assert "expected a file of solved cross-sections" in capsys.readouterr().err
    assert board.read_bytes() == before
    assert not (board.parent / "out").exists()
