"""Drill files: numbers, tools, slots, routed ways, what a file leaves open, and what it must not be able to do."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from quietcopper.errors import ReadError
from quietcopper.formats.excellon import DrillFile, looks_like_drill, read_drill
from quietcopper.formats.excellon_numbers import LEADING, TRAILING, NumberFormat
from quietcopper.units import INCH, MM


def read(body: str, header: str = "METRIC\nT1C0.5", pads: list[tuple[float, float]] | None = None) -> DrillFile:
    """A file of one tool, selected; places of pads in mm."""
    near = None if pads is None else np.array(pads) * MM
    return read_drill(f"M48\n{header}\n%\nG90\nT1\n{body}\nM30\n".encode(), "test.drl", near)


def ends(drill: DrillFile) -> list[tuple[float, ...]]:
    """Ends of all hits in mm, rounded to a nanometre."""
    h = drill.hits
    return [tuple(row) for row in (np.stack([h.x0, h.y0, h.x1, h.y1], axis=-1) / MM).round(6).tolist()]


# ---- numbers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "text", "metres"),
    [
        (NumberFormat(MM, TRAILING, 3, 3), "25679", 25.679e-3),
        (NumberFormat(MM, TRAILING, 3, 3), "-5", -5e-6),
        (NumberFormat(INCH, TRAILING, 2, 4), "69724", 6.9724 * INCH),
        (NumberFormat(INCH, LEADING, 2, 4), "01095", 1.095 * INCH),  # 01.0950
        (NumberFormat(INCH, LEADING, 2, 4), "-0127", -1.27 * INCH),
        (NumberFormat(INCH, TRAILING, 3, 5), "00130500", 1.305 * INCH),  # nothing left out: both ways agree
        (NumberFormat(INCH, LEADING, 3, 5), "00130500", 1.305 * INCH),
        (NumberFormat(INCH, LEADING, 2, 4), "3.1535", 3.1535 * INCH),  # a point settles it
        (NumberFormat(MM, LEADING, 3, 3), "-83.", -83e-3),
        (NumberFormat(MM, LEADING, 3, 3), "+.5", 0.5e-3),
    ],
)
def test_numbers_by_format(number: NumberFormat, text: str, metres: float) -> None:
    assert number.metres(text) == pytest.approx(metres, rel=1e-15)


@pytest.mark.parametrize("text", ["", "-", ".", "1e3", "nan", "1.2.3", "9" * 30, "99999999"])
def test_what_is_no_coordinate_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^"):
        NumberFormat(MM, TRAILING, 3, 3).metres(text)


@pytest.mark.parametrize(
    ("header", "x"),
    [
        ("METRIC,TZ\nT1C0.5", 1.0),  # 001.000
        ("METRIC,LZ\nT1C0.5", 100.0),  # 1000: 100.0
        ("METRIC,TZ,0000.00\nT1C0.5", 10.0),
        ("INCH,TZ\nT1C.02", 2.54),  # 0.1000 inch
        ("INCH,LZ\nT1C.02", 254.0),  # 10.00 inch
        (";FILE_FORMAT=4:4\nMETRIC,TZ\nT1C0.5", 0.1),
        (";FORMAT={3:3/ absolute / metric / suppress leading zeros}\nMETRIC\nT1C0.5", 1.0),
        ("M71\n;FORMAT={4:2/ absolute / metric / suppress trailing zeros}\nT1C0.5", 1000.0),
    ],
)
def test_what_the_header_says_of_numbers(header: str, x: float) -> None:
    drill = read("X1000Y0", header)
    assert ends(drill) == [(x, 0.0, x, 0.0)]
    assert drill.assumptions == ()


def test_tools_are_in_the_unit_of_the_file_and_may_be_defined_anywhere() -> None:
    drill = read_drill(b"%\nINCH,LZ\nT1C.015F095S3\nX01Y01\nT02C0.040\nX02Y02\nM30\n", "Drill.drl")
    assert_allclose([t.diameter for t in drill.tools], [0.015 * INCH, 0.04 * INCH])
    assert drill.hits.tool.tolist() == [0, 1]


def test_a_tool_defined_twice_holds_from_there_on() -> None:
    drill = read_drill(b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y0.0\nT1C0.8\nX2.0Y0.0\nT1\nX3.0Y0.0\nM30\n", "t.drl")
    sizes = [round(drill.tools[i].diameter / MM, 6) for i in drill.hits.tool]
    assert sizes == [0.3, 0.8, 0.8]


def test_a_table_of_tools_in_comments() -> None:
    text = (
        ";T01 Holesize 1. = 8.000000 Tolerance = +3.000000/-3.000000 PLATED MILS Quantity = 1873\n"
        ";T02 Holesize 2. = 0.500000 Tolerance = +0.1/-0.1 NON_PLATED MM Quantity = 8\n"
        "%\nG90\nT01\nX00130500Y00184500\nT02\nX00133000Y00195500\nM30\n"
    )
    pads = np.array([(1.305, 1.845), (1.33, 1.955)]) * INCH
    drill = read_drill(text.encode(), "t.drl", pads)
    assert_allclose([t.diameter for t in drill.tools], [8 * 25.4e-6, 0.5e-3])
    assert [t.plated for t in drill.tools] == [True, False]
    assert_allclose(drill.hits.x0, pads[:, 0])


# ---- a file that leaves its numbers open ----------------------------------------------------------


@pytest.mark.parametrize("unit", [MM, INCH])
@pytest.mark.parametrize("zeros", [LEADING, TRAILING])
@pytest.mark.parametrize(("integers", "decimals"), [(2, 4), (3, 3), (3, 5)])
def test_pads_tell_how_numbers_are_written(unit: float, zeros: str, integers: int, decimals: int) -> None:
    rng = np.random.default_rng(7)
    steps = rng.integers(10**decimals, 5 * 10**decimals, (40, 2))

    def digits(value: int) -> str:
        text = f"{value:0{integers + decimals}d}"
        return text.lstrip("0") if zeros == TRAILING else text.rstrip("0")

    body = "\n".join(f"X{digits(int(x))}Y{digits(int(y))}" for x, y in steps)
    pads = steps * 10.0**-decimals * unit
    drill = read_drill(f"T1C0.02\nT1\n{body}\nM30\n".encode(), "open.drl", pads)
    assert_allclose(np.stack([drill.hits.x0, drill.hits.y0], axis=-1), pads, atol=1e-9)
    (assumed,) = drill.assumptions
    assert "how numbers are written in open.drl" in assumed.what
    assert "100 % of its holes meet pads" in assumed.why


def test_without_pads_the_usual_format_is_told_as_assumed() -> None:
    drill = read_drill(b"M72\nT1C0.02\n%\nT1\nX10000Y20000\nM30\n", "open.drl")
    assert ends(drill) == [(25.4, 50.8, 25.4, 50.8)]
    assert drill.assumptions[0].value == "inch 2.4, leading zeros left out"


def test_pads_that_fit_nothing_say_so() -> None:
    drill = read_drill(b"M72\nT1C0.02\n%\nT1\nX10000Y20000\nX11000Y20000\nM30\n", "open.drl", np.zeros((3, 2)))
    assert "only 0 % of them meet pads" in drill.assumptions[0].why


# ---- holes, slots, ways ----------------------------------------------------------------------------


def test_coordinates_that_are_left_out_stay() -> None:
    assert ends(read("X1.0Y2.0\nX3.0\nY5.0")) == [(1, 2, 1, 2), (3, 2, 3, 2), (3, 5, 3, 5)]


def test_incremental_and_zero_set() -> None:
    assert ends(read("X1.0Y1.0\nG91\nX1.0\nY-2.0\nG90\nX9.0Y9.0")) == [
        (1, 1, 1, 1),
        (2, 1, 2, 1),
        (2, -1, 2, -1),
        (9, 9, 9, 9),
    ]
    assert ends(read("G93X10.0Y5.0\nX1.0Y1.0")) == [(11, 6, 11, 6)]


def test_slot_with_g85() -> None:
    assert ends(read("X1.0Y2.0G85X4.0Y2.0\nG05\nX0.0Y0.0")) == [(1, 2, 4, 2), (0, 0, 0, 0)]
    assert ends(read("X1.0Y2.0G85X4.0")) == [(1, 2, 4, 2)]


def test_routed_slot_between_tool_down_and_up() -> None:
    drill = read("G00X1.0Y2.0\nM15\nG01X3.0Y2.0\nY4.0\nM16\nG00X9.0Y9.0\nM15\nG01X9.5\nM17\nG05\nX0.0Y0.0")
    assert ends(drill) == [(1, 2, 3, 2), (3, 2, 3, 4), (9, 9, 9.5, 9), (0, 0, 0, 0)]
    assert drill.hits.way.tolist() == [0, 0, 1, -1]


def test_moves_with_the_tool_up_cut_nothing() -> None:
    assert ends(read("G00X1.0Y1.0\nM15\nG01X2.0\nM16\nG01X5.0\nG00X7.0Y7.0")) == [(1, 1, 2, 1)]


def test_a_file_without_depth_commands_cuts_on_every_line() -> None:
    assert ends(read("G00X0.0Y0.0\nG01X2.5Y2.5\nG01X5.0Y0.0")) == [(0, 0, 2.5, 2.5), (2.5, 2.5, 5, 0)]


@pytest.mark.parametrize(
    ("word", "top"), [("G02X2.0Y0.0A1.0", 1.0), ("G03X2.0Y0.0A1.0", -1.0), ("G02X2.0Y0.0I1.0J0.0", 1.0)]
)
def test_routed_arc_is_cut_into_chords_on_the_arc(word: str, top: float) -> None:
    """Half a circle of 1 mm round (1, 0): over the top clockwise, through the bottom counter-clockwise."""
    h = read(f"G00X0.0Y0.0\n{word}").hits
    assert_allclose(np.hypot(h.x0 - MM, h.y0), MM, rtol=1e-9)
    assert (h.x1[:-1] == h.x0[1:]).all()
    assert_allclose([h.x0[0], h.x1[-1]], [0, 2 * MM], atol=1e-12)
    furthest = h.y1[np.argmax(np.abs(h.y1))] / MM
    assert furthest == pytest.approx(top, abs=0.01)
    middle = np.hypot((h.x0 + h.x1) / 2 - MM, (h.y0 + h.y1) / 2)
    assert (MM - middle).max() < 6e-6  # no chord lies further from the arc


def test_repeats_of_a_hole() -> None:
    assert ends(read("X1.0Y1.0\nR2X0.5Y0.0")) == [(1, 1, 1, 1), (1.5, 1, 1.5, 1), (2, 1, 2, 1)]


def test_patterns_that_are_not_written_out_are_told() -> None:
    drill = read("M25\nX1.0Y1.0\nM01\nM02X5.0Y0.0\nM08")
    assert "a pattern of holes is repeated; its copies are missing" in drill.problems[0]


# ---- attributes, plating, span --------------------------------------------------------------------


def test_attributes_in_comments() -> None:
    text = (
        "M48\n; #@! TF.FileFunction,Plated,1,2,Blind\nMETRIC\n; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT1C0.2\n"
        "; #@! TA.AperFunction,Plated,PTH,ComponentDrill\nT2C0.8\n; #@! TD\nT3C1.0\n%\nT1\nX0.0Y0.0\nM30\n"
    )
    drill = read_drill(text.encode(), "blind.drl")
    assert (drill.plated, drill.span) == (True, (1, 2))
    assert [t.function[-1:] for t in drill.tools] == [("ViaDrill",), ("ComponentDrill",), ()]


@pytest.mark.parametrize(
    ("line", "plated"),
    [
        (";TYPE=PLATED", True),
        (";TYPE=NON_PLATED", False),
        ("; Contents: Thru / Mill / Plated", True),
        ("; #@! TF.FileFunction,NonPlated,1,4,NPTH", False),
        (";FileFunction,Plated,1,4,PTH*%", True),
        ("; nothing", None),
    ],
)
def test_what_comments_say_of_plating(line: str, plated: bool | None) -> None:
    drill = read("X1.0Y1.0", f"{line}\nMETRIC\nT1C0.5")
    tool = drill.tools[0].plated
    assert (tool if tool is not None else drill.plated) is plated


def test_both_platings_in_one_file() -> None:
    drill = read("X1.0Y1.0", ";TYPE=PLATED\nMETRIC\nT1C0.5\n;TYPE=NON_PLATED\nT2C3.0")
    assert [t.plated for t in drill.tools] == [True, False]


# ---- recognised, refused, bounded -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "drill"),
    [
        ("M48\nMETRIC\n", True),
        (";LEADER: 12\n%\nG90\nT01\nX00130500Y00184500\n", True),
        ("%FSLAX46Y46*%\n%MOMM*%\nD10*\nX0Y0D03*\n", False),
        ("G04 comment*\nT1\nX1Y1D02*\n", False),
        ("a,b,c\n1,2,3\n", False),
    ],
)
def test_recognised_by_the_first_bytes(text: str, drill: bool) -> None:
    assert looks_like_drill(text.encode()) is drill


@pytest.mark.parametrize(
    ("body", "found"),
    [
        ("X1.0Y1.0\nR999999999X0.1", "999999999 repeats of a hole"),
        ("\n".join(["X1.0Y1.0", "R400000X0.001", "R200000X0.001"]), "200000 repeats of a hole"),
        ("X99999999.0Y0.0", "'99999999.0' where a number belongs"),
        ("X1..0Y0", "'1..0' where a number belongs"),
        ("T9C500.0", "a tool of 500 mm"),
    ],
)
def test_bounds(body: str, found: str) -> None:
    with pytest.raises(ReadError, match="found") as caught:
        read(body)
    assert found in str(caught.value)


def test_a_way_to_infinity_stays_within_bounds() -> None:
    """Each arc is a bounded number of chords, however large it is; places beyond any board are refused."""
    drill = read("G00X0.0Y0.0\n" + "G02X9999.0Y0.0A5000.0\nG02X0.0Y0.0A5000.0\n" * 5)
    assert len(drill.hits) <= 10 * 4096


def test_an_empty_file_is_refused() -> None:
    with pytest.raises(ReadError, match="no drill statement"):
        read_drill(b"hello\n", "x.drl")


def test_holes_before_any_tool_are_counted() -> None:
    drill = read_drill(b"M48\nMETRIC\nT1C0.5\n%\nX1.0Y1.0\nT1\nX2.0Y2.0\nM30\n", "t.drl")
    assert len(drill.hits) == 1
    assert drill.unread[0].what == "holes without a tool"


def test_a_tool_without_size_is_told() -> None:
    drill = read_drill(b"M72\n%\nT01\nX00010000Y00010000\nM30\n", "t.rou")
    assert math.isnan(drill.tools[0].diameter)
    assert drill.problems == ("t.rou: no diameter is stated for T1.",)


WORDS = st.sampled_from(
    re.split(
        " ",
        "M48 % M30 METRIC INCH INCH,LZ METRIC,TZ,000.00 T1C0.3 T1 T2C T0 G00 G01 G02 G03 G05 G85 G90 G91 G93 M15 M16 "
        "M17 X1 Y-2 X1.5Y2.5 X1Y1G85X2 R3X1 A5 I1J1 ;T1 ; #@!TF.FileFunction,Plated,1,x M25 M02X1 X Y- T99999999",
    )
)


@given(st.lists(st.lists(st.one_of(WORDS, st.text(max_size=6)), max_size=4).map("".join), max_size=30).map("\n".join))
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_refused_in_one_sentence(text: str) -> None:
    refused, drill = "", None
    try:
        drill = read_drill(text.encode("utf-8", "surrogatepass"), "fuzz.drl", np.zeros((2, 2)))
    except ReadError as error:
        refused = str(error)
    assert "\n" not in refused
    assert drill is None or np.isfinite(drill.hits.x1).all()
