"""Planes pierced by layer changes: the voltage that an edge puts between them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.build import Hop, rectangle, small_board
from quietcopper.electrical.pierced import Pierced, pairs_through, pierced, plane_voltage
from quietcopper.electrical.plane_pairs import PlanePair
from quietcopper.electrical.signals import edge_voltage
from quietcopper.electrical.view import View
from quietcopper.fields.returns import pulse_peak
from quietcopper.fields.vias import return_inductance


def _change(*returns_mm, ground=(2, 3)):  # type: ignore[no-untyped-def]
    b = small_board(ground=ground)
    b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
    for dx, dy in returns_mm:
        b.via("GND", (25 + dx, 15 + dy))
    return View(b.build())


@pytest.fixture(scope="module")
def tied() -> tuple[PlanePair, ...]:
    return pairs_through(_change((1.0, 0.0)), 0)


@pytest.mark.parametrize("duration", [3e-9, 12e-9])
def test_the_edge_through_a_lumped_impedance(tied: tuple[PlanePair, ...], duration: float) -> None:
    """L, C and the line's 2·Z0 in parallel against the exact response in time (fields.returns.pulse_peak), 4 %: the
    spectrum ends at 4 GHz, which rounds an edge of 1 ns by some per cent."""
    frequency = 4e9 * np.arange(1, 401) / 400
    omega = 2j * np.pi * frequency
    inductance, capacitance, z0 = 1e-9, 20e-12, 50.0
    z = 1 / (1 / (omega * inductance) + omega * capacitance)
    way = Pierced(tied, frequency, z)
    got = way.peak(0.03, 1e-9, duration, z0)
    assert_allclose(got, pulse_peak(0.03, 1e-9, duration, inductance, capacitance, 2 * z0), rtol=0.04)


def test_planes_that_nothing_ties_take_their_capacitance() -> None:
    """Below the first mode a pair is its capacitance: the lumped figure within 5 %."""
    view = _change()
    (way,) = pierced(view, [0]).values()
    net = int(view.layer_changes.net[0])
    z0 = view.impedance_of(net, 0)
    assert z0 is not None
    (pair,) = way.pairs
    assert_allclose(plane_voltage(view, net, way, z0), edge_voltage(view, net, z0, np.inf, pair.capacitance), rtol=0.05)


def test_a_lone_return_via_rings_with_the_planes_and_more_vias_less() -> None:
    """What full wave said of rows F2, F3 (a single via rings with the pair's capacitance well below its first mode) and
    'number and symmetry beat a distance rule': plane voltage per volt near the knee."""
    figures, rings = [], []
    for places in ([(3.0, 0.0)], [(3.0, 0.0), (-3.0, 0.0)], [(3.0, 0.0), (-3.0, 0.0), (0.0, 3.0), (0.0, -3.0)]):
        view = _change(*places)
        (way,) = pierced(view, [0]).values()
        z0 = view.impedance_of(int(view.layer_changes.net[0]), 0)
        assert z0 is not None
        figures.append(plane_voltage(view, int(view.layer_changes.net[0]), way, z0))
        rings.append(way.first_peak())
    assert figures[0] > 1.5 * figures[1] > 1.5 * figures[2]
    # The via with the pair's capacitance rings far below the first mode of the bare pair, half a wave along it.
    (pair,) = way.pairs
    first_mode = float(pair.material.frequency((np.pi / 49e-3) ** 2))
    assert rings[0] is not None
    assert rings[0] < 0.6 * first_mode
    assert rings[1] is not None
    assert rings[1] > rings[0]


def test_a_change_through_two_pairs_adds_them() -> None:
    b = small_board(layers=6, ground=(2, 3, 5))
    b.route("CLK", (5, 15), (25, 15), Hop(6), (45, 15), layer=1)
    view = View(b.build())
    way = pierced(view, [0])[0]
    assert [(p.upper_layer, p.lower_layer) for p in way.pairs] == [(1, 2), (2, 4)]


def _through_six(*returns_mm, supply=((0, 0, 50, 30),)):  # type: ignore[no-untyped-def]
    """A line from layer 1 to 6 past ground on 2 and 5, with a supply on 3 that nothing holds."""
    b = small_board(layers=6, ground=(2, 5))
    for box in supply:
        b.pour("VCC", 3, rectangle(*box), edge=0.5, keep_islands=True)
    b.route("CLK", (5, 15), (25, 15), Hop(6), (45, 15), layer=1)
    for dx, dy in returns_mm:
        b.via("GND", (25 + dx, 15 + dy))
    return View(b.build())


def test_a_plane_between_that_nothing_holds_takes_no_voltage_from_a_return_beside_the_line() -> None:
    """A ground via passes the supply by: the outer planes see its loop, as `return_inductance` has it for the whole
    distance (exact between two planes; the plane between cuts it in two without changing it, 10 %), far below the first
    mode of the pair, and no more than a few per cent of what the free plane's capacitance would take."""
    view = _through_six((1.0, 0.0), (-1.0, 0.0))
    way = pierced(view, [0])[0]
    assert len(way.pairs) == 2
    assert not any(len(pair.ties) for pair in way.pairs)
    radius = float(view.board.vias.drill[view.layer_changes.via[0]]) / 2
    height = view.board.distance(1, 4)
    expected = return_inductance(height, radius, [(1e-3, 0.0), (-1e-3, 0.0)], radius)
    low = int(np.searchsorted(way.frequency, 50e6))
    assert_allclose(way.impedance[low].imag / (2 * np.pi * way.frequency[low]), expected, rtol=0.10)
    lone = pierced(_through_six(), [0])[0]
    assert abs(way.impedance[low]) < 0.05 * abs(lone.impedance[low])


def test_a_return_beyond_the_edge_of_a_plane_between_is_not_solved() -> None:
    """The stack of pairs knows nothing of what passes round such an edge: the quick figure stands."""
    view = _through_six((3.0, 0.0), supply=((23, 13, 27, 17),))
    assert len(pairs_through(view, 0)) == 2
    assert pierced(view, [0]) == {}
