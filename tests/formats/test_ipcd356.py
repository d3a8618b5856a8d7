"""Bare-board netlists: columns, units, aliases, and the shift that lays them on the board."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from quietcopper.errors import ReadError
from quietcopper.formats.ipcd356 import Netlist, find_shift, looks_like_netlist, read_netlist

VIA = "317+5V              VIA        MD0130PA00X+029409Y+011654X0270Y0000R000S3"
PAD = "327GND              C1    -2          A01X+001000Y-002000X0512Y0591R270 S1"


def read(*lines: str, units: str = "P  UNITS CUST 0") -> Netlist:
    return read_netlist("\n".join([units, *lines, "999"]).encode(), "net.ipc")


def test_columns_of_a_via_and_of_a_pad() -> None:
    points = read(VIA, PAD).points
    assert points.via.tolist() == [True, False]
    assert (points.ref[1], points.pin[1]) == ("C1", "2")
    assert_allclose(points.places, np.array([[29409, 11654], [1000, -2000]]) * 2.54e-6)
    assert_allclose(points.drill, [130 * 2.54e-6, math.nan])
    assert points.access.tolist() == [0, 1]
    assert_allclose([points.width[1], points.height[1]], np.array([512, 591]) * 2.54e-6)
    assert points.rotation[1] == pytest.approx(math.radians(270))
    assert read(VIA, PAD).nets == ("", "+5V", "GND")


def test_blanks_for_zeros_and_signs() -> None:
    points = read("317DMX+             DMX   -1    D  40PA00X   5050Y  13900X 600Y1200R 90").points
    assert_allclose([points.x[0], points.y[0], points.drill[0]], np.array([5050, 13900, 40]) * 2.54e-6)
    assert points.rotation[0] == pytest.approx(math.pi / 2)


@pytest.mark.parametrize(
    ("units", "step"),
    [("P  UNITS CUST 0", 2.54e-6), ("P  UNITS CUST 1", 1e-6), ("P  UNITS SI", 1e-6), ("P  UNITS CUST 2", 2.54e-6)],
)
def test_units(units: str, step: float) -> None:
    assert read(VIA, units=units).points.x[0] == pytest.approx(29409 * step)


def test_rotation_in_milliradians() -> None:
    assert read(PAD, units="P  UNITS CUST 2").points.rotation[0] == pytest.approx(0.270)


def test_missing_units_are_assumed_and_unknown_ones_told() -> None:
    assert read(VIA, units="C").assumptions[0].value == "0.0001 inch"
    assert "units 'FURLONG' are not known" in read(VIA, units="P  UNITS FURLONG").problems[0]


def test_blanks_without_end_are_no_place() -> None:
    """Alone in no time; a reader that tried every blank from every other one would take hours."""
    blanks = "327GND" + " " * 200_000 + "A01X+000001Y+000002"
    netlist = read(blanks, PAD)
    assert len(netlist.points) == 1


def test_aliases_for_long_names() -> None:
    """The alias stands in the records with the word NNAME before it or, as some write, without."""
    long = "A_REALLY_LONG_NET_NAME"
    assert read(f"P  NNAME1 {long}", "327NNAME1           U4    -8          A01X+000001Y+000002").nets == ("", long)
    record = "327m0000            U4    -8          A01X+000001Y+000002"
    assert read(f"P  NNAMEm0000 {long}", record, PAD).nets == ("", long, "GND")


def test_no_net() -> None:
    none = "327N/C              U4    -8          A01X+000001Y+000002"
    blank = "327                 U4    -4          A01X   4704Y    750X 394Y 500R  0"
    assert read(none, blank).points.net.tolist() == [0, 0]


def test_unplated_hole_without_part() -> None:
    points = read("367                       -     D0310UA00X+021449Y+026750X0310Y         S3").points
    assert (points.plated[0], points.ref[0], points.via[0]) == (False, "", False)


def test_blind_via() -> None:
    points = read("317GND              VIA        MD0039PA04X+001191Y+000404X0079Y0000R000S3").points
    assert (points.via[0], points.access[0]) == (True, 4)


def test_edge_of_the_board() -> None:
    edge = read(VIA, "389BOARD_EDGE         X0Y0 X22500 Y15000 X0").edge
    assert_allclose(edge / 2.54e-6, [(0, 0), (22500, 0), (22500, 15000), (0, 15000)])


def test_other_records_are_counted() -> None:
    netlist = read(VIA, "378GND               L01 X+000001Y+000001", "399whatever")
    assert {u.what for u in netlist.unread} == {"conductor records", "record 399"}


def test_what_is_no_netlist() -> None:
    with pytest.raises(ReadError, match="no test record"):
        read("C  nothing here")
    assert looks_like_netlist(f"P  UNITS CUST 0\n{VIA}\n".encode())
    assert not looks_like_netlist(b"%FSLAX46Y46*%\nD10*\n")
    assert not looks_like_netlist(b"317, 12, 14\n")


def test_a_place_beyond_any_board_is_refused() -> None:
    with pytest.raises(ReadError, match="a place of"):
        read("317+5V              VIA        MD0130PA00X+999999999Y+011654X0270Y0000R000S3")


# ---- shift ----------------------------------------------------------------------------------------


def places(count: int, seed: int = 3) -> np.ndarray:
    """Places on a grid of 2.5 µm, as both files round them."""
    return np.random.default_rng(seed).integers(0, 40_000, (count, 2)) * 2.54e-6


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.0170256, -0.0265506), (-0.1, 0.25)])
def test_shift_is_found(shift: tuple[float, float]) -> None:
    records = places(300)
    found = find_shift(records, records + np.array(shift))
    assert_allclose((found.dx, found.dy), shift, atol=3e-6)
    assert found.share == 1.0


def test_shift_is_found_among_holes_that_only_one_side_has() -> None:
    records = places(200)
    holes = np.concatenate([records[:150] + np.array([5e-3, -7e-3]), places(100, seed=9)])
    found = find_shift(records, holes)
    assert_allclose((found.dx, found.dy), (5e-3, -7e-3), atol=3e-6)
    assert found.share == pytest.approx(0.75, abs=0.01)


def test_shift_of_another_board_is_chance() -> None:
    assert find_shift(places(300, seed=1), places(300, seed=2)).share < 0.1


@given(st.lists(st.text(st.characters(codec="latin-1"), max_size=90), max_size=20))
@settings(max_examples=200, deadline=None)
def test_any_text_is_read_or_refused_in_one_sentence(lines: list[str]) -> None:
    data = "\n".join(["P  UNITS CUST 0", "317" + "x" * 30, *lines, *(f"317{line}" for line in lines)]).encode("latin-1")
    refused = ""
    try:
        read_netlist(data, "fuzz.ipc")
    except ReadError as error:
        refused = str(error)
    assert "\n" not in refused
