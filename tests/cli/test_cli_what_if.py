"""Changes from a file: applied, both boards reviewed, the difference told finding by finding and cause by cause."""

from __future__ import annotations

import json

from quietcopper.build import small_board
from quietcopper.cli import main
from quietcopper.formats.ipc2581.writer import write_ipc2581

SETTINGS = """[patterns."S?"]
role = "signal"
kind = "clock"
clock_mhz = 50
swing_v = 3.3
rise_ps = 500
source_ohm = 50
"""
THINNER = """[[change]]
kind = "set-dielectric"
upper = 1
lower = 2
thickness_mm = 0.08
"""


def board_file(folder):
    b = small_board(size_mm=(70, 40), ground=(2,))
    for i in range(2):
        b.trace(f"S{i}", 1, [(8, 20 + 0.35 * i), (62, 20 + 0.35 * i)])
    write_ipc2581(b.build(), folder / "board.xml")
    (folder / "s.toml").write_text(SETTINGS)
    return str(folder / "board.xml"), str(folder / "s.toml")


def test_a_change_from_a_file_is_told_in_decibels(tmp_path, capsys):
    board, settings = board_file(tmp_path)
    (tmp_path / "thinner.toml").write_text(THINNER)
    out = tmp_path / "out"
    assert main(["what-if", board, str(tmp_path / "thinner.toml"), "-s", settings, "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert "assumed: The board is" in said
    told = json.loads((out / "compare.json").read_text())
    noise = [f for f in told["findings"] if f["check"] == "traces-too-close"]
    assert noise
    assert all(f["after_db"] is None or f["after_db"] < f["before_db"] - 3 for f in noise)
    cause = next(c for c in told["causes"] if c["title"].startswith("Lines on layer 1"))
    assert cause["after_db"] is None or cause["after_db"] < cause["before_db"]


def test_a_change_that_cannot_be_made_is_one_line(tmp_path, capsys):
    board, settings = board_file(tmp_path)
    (tmp_path / "bad.toml").write_text(THINNER.replace("lower = 2", "lower = 9"))
    out = ["-o", str(tmp_path / "out")]
    assert main(["what-if", board, str(tmp_path / "bad.toml"), "-s", settings, *out]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "layer 9" in said
