"""Boards without planes, without a stackup's figures, or with one layer: reviewed as what they are."""

from __future__ import annotations

import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.findings.document import schema, to_document
from quietcopper.formats import read_board
from quietcopper.formats.ipc2581.writer import write_ipc2581
from quietcopper.report.html import render
from quietcopper.review import review

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=100e6)
SETTINGS = Settings(patterns={"CLK*": FAST, "D?": FAST})


def reviewed(board):
    """Reviewed, valid by the schema, and drawn."""
    jsonschema = pytest.importorskip("jsonschema")
    result = review(board, SETTINGS)
    document = to_document(result)
    jsonschema.validate(document, schema())
    assert render(document, result.drawing).startswith("<!doctype html>")
    failed = [n for n in result.not_checked if "it failed" in n.why]
    assert failed == []
    return result


def lines(b, layer=1):
    for i in range(2):
        for ref, x in ((f"R{i}1", 6), (f"R{i}2", 44)):
            b.part(ref, chip("0402"), (x, 10 + 4 * i), nets=(f"D{i}", "GND"))
        b.route(f"D{i}", f"R{i}1.1", f"R{i}2.1", layer=layer)
    return b


def test_two_layers_without_planes_say_what_carries_the_return():
    b = lines(small_board(layers=2))
    b.trace("GND", 1, [(6, 18), (44, 18)], width=0.5)
    result = reviewed(b.build())
    assert any("no filled copper" in text for text in result.stackup["judgement"])
    said = {n.check for n in result.not_checked}
    assert {"trace-over-gap", "trace-off-plane"} <= said


def test_two_layers_with_a_ground_pour_are_looked_at():
    b = lines(small_board(layers=2))
    b.pour("GND", 2, rectangle(0, 0, 50, 30), keep_islands=True)
    result = reviewed(b.build())
    assert any("return in GND" in text and "far" in text for text in result.stackup["judgement"])
    assert any(row["z_ohm"] for row in result.lines)


def test_one_layer_is_reviewed_as_one_layer():
    b = lines(small_board(layers=1))
    b.pour("GND", 1, rectangle(2, 2, 48, 28))
    result = reviewed(b.build())
    assert result.board["layers"] == ["L1"]
    assert result.stackup["dielectrics"] == () or result.stackup["dielectrics"] == []


def test_an_empty_board_is_no_crash():
    result = reviewed(small_board(layers=4).build())
    assert result.findings == ()


def test_a_file_without_stackup_says_so(tmp_path):
    b = lines(small_board(layers=4, ground=(2,)))
    b.route("CLK", (6, 24), Hop(4), (44, 24), layer=1)
    write_ipc2581(b.build(), tmp_path / "b.xml")
    text = (tmp_path / "b.xml").read_text(encoding="utf-8")
    start, end = text.index("<Stackup "), text.index("</Stackup>") + len("</Stackup>")
    (tmp_path / "bare.xml").write_text(text[:start] + text[end:], encoding="utf-8")
    result = reviewed(read_board(tmp_path / "bare.xml"))
    assert any("no stackup" in text for text in result.problems)
    assert any("thickness" in a.what for a in result.assumptions)
    assert any("dielectric constant" in a.what for a in result.assumptions)
