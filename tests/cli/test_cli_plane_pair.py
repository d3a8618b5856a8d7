"""`quietcopper plane-pair` as a user calls it."""

from __future__ import annotations

import argparse
import json

import pytest
from numpy.testing import assert_allclose

from quietcopper.cli import plane_pair
from quietcopper.errors import CallError, OutOfRange

BOARD = ["plane-pair", "--length-mm", "100", "--width-mm", "80", "--height-mm", "0.2", "--er", "4.4"]


def call(*extra: str) -> int:
    top = argparse.ArgumentParser()
    plane_pair.add_parser(top.add_subparsers())
    return plane_pair.run(top.parse_args([*BOARD, *extra]))


def test_json_has_the_exact_rectangle(capsys: pytest.CaptureFixture[str]) -> None:
    """Rows C1 and C6 (exact)."""
    assert call("--json") == 0
    result = json.loads(capsys.readouterr().out)
    assert_allclose(result["capacitance_f"], 1.5583e-9, rtol=5e-5)
    assert_allclose(result["modes_hz"][:3], [714.602e6, 893.253e6, 1143.922e6], rtol=2e-6)
    assert len(result["modes_hz"]) == len(result["quality"]) == plane_pair.MODES_SHOWN
    first = result["impedance"][1]
    assert first["frequency_hz"] == 10e6
    assert_allclose(first["imag_ohm"], -10.19, rtol=2e-3)  # row C8, port smaller here


def test_stitching_on_a_grid_raises_the_first_mode(capsys: pytest.CaptureFixture[str]) -> None:
    """Row C16, 10 mm and r 0.15: 3.323 GHz by finite elements."""
    assert call("--stitch-pitch-mm", "10", "--json") == 0
    result = json.loads(capsys.readouterr().out)
    assert result["stitching_vias"] == 80
    assert_allclose(result["modes_hz"][0], 3.323e9, rtol=5e-3)


def test_text_names_what_it_shows(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--highest-mhz", "900", "--at-mm", "20", "20") == 0
    out = capsys.readouterr().out
    assert "1.558 nF" in out
    assert "714.6" in out
    assert "1143.9" not in out
    assert "at 20, 20 mm" in out


def test_no_mode_in_range_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--highest-mhz", "100") == 0
    assert "none up to" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("extra", "error", "text"),
    [
        (["--stitch-pitch-mm", "0.5"], CallError, "would touch"),
        (["--stitch-pitch-mm", "2"], CallError, "2000 vias"),
        (["--stitch-pitch-mm", "10", "--at-mm", "45", "35"], CallError, "stands on a stitching via"),
        (["--at-mm", "0", "0"], OutOfRange, "over the edge"),
        (["--er", "0.5"], OutOfRange, "er is 0.5"),
        (["--length-mm", "nan"], OutOfRange, "nan"),
        (["--highest-mhz", "1e9"], OutOfRange, "at most 5000"),
        (["--highest-mhz", "-1"], OutOfRange, "frequency is -1e"),
    ],
)
def test_unusable_calls(extra: list[str], error: type[Exception], text: str) -> None:
    with pytest.raises(error, match=text):
        call(*extra)
