"""The lumped supply network: two capacitors against textbook figures, a network against a circuit simulator."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import CallError
from quietcopper.fields.cavity import target_impedance
from quietcopper.fields.supply_network import Network, anti_resonances, see


def network(*rows):
    a, b, r, x, c = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    return Network(a.astype(int), b.astype(int), r, x, c)


def test_target_impedance():
    """Rows P1, P2: 1.0 V, 5 %, 5 A: 10 milliohm; 3.3 V, 5 %, 1 A: 165 milliohm. A maker's layout guide, seen: 0.80 V,
    2 % and 40 A make 0.4 milliohm."""
    assert_allclose(target_impedance([1.0, 3.3, 0.8], [0.05, 0.05, 0.02], [5.0, 1.0, 40.0]), [0.01, 0.165, 0.4e-3])


def test_one_capacitor_is_its_series_resonance():
    """Exact: |Z| = R at 1/(2 pi sqrt(LC)), 100 nF and 1 nH: 15.915 MHz."""
    n = network((1, 0, 0.02, 1e-9, 100e-9))
    z, current = see(n, [15.915494e6], 1)
    assert_allclose(z, 0.02, rtol=1e-6)
    assert_allclose(np.abs(current), 1.0)


def test_two_capacitors_peak_between_their_resonances():
    """Textbook parallel resonance: 1/(2 pi sqrt((L1 + L2) C1 C2/(C1 + C2))), peak near (L1 + L2)/(C (R1 + R2)) for low
    loss: 1 uF and 10 nF, 1 nH each: 35.7 MHz. 0.5 %, the branches' resistance moves it; height
    2 %."""
    n = network((1, 0, 0.02, 1e-9, 1e-6), (1, 0, 0.02, 1e-9, 10e-9))
    f = np.geomspace(1e6, 1e9, 20001)
    z, _ = see(n, f, 1)
    (peak,) = anti_resonances(f, z)
    c = 1e-6 * 10e-9 / 1.01e-6
    expected = 1 / (2 * np.pi * np.sqrt(2e-9 * c))
    assert_allclose(f[peak], expected, rtol=5e-3)
    # at the peak each branch is purely the reactance X of its inductance less that of its capacitor
    x = 2 * np.pi * expected * 1e-9 - 1 / (2 * np.pi * expected * 1e-6)
    assert_allclose(abs(z[peak]), x**2 / 0.04, rtol=0.02)


def test_against_a_circuit_simulator():
    """ngspice 39.3, .ac of: pins -0.8 nH- planes (150 pF); planes to ground 1 uF + 15 mohm + 1.2 nH, 100 nF + 30 mohm
    + 0.9 nH, regulator 10 mohm + 100 nH; |V(pins)| per ampere at 0.1, 1, 10, 30, 100 MHz; 0.1 %."""
    n = network(
        (1, 2, 1e-3, 0.8e-9, np.inf),
        (2, 0, 1e-3, 0.0, 150e-12),
        (2, 0, 15e-3, 1.2e-9, 1e-6),
        (2, 0, 30e-3, 0.9e-9, 100e-9),
        (2, 0, 10e-3, 100e-9, np.inf),
    )
    z, _ = see(n, [1e5, 1e6, 1e7, 3e7, 1e8], 1)
    assert_allclose(np.abs(z), [0.06717288, 0.1732786, 0.1452077, 0.2281043, 0.8285572], rtol=1e-3)


def test_what_cannot_be_seen():
    n = network((1, 0, 0.02, 1e-9, 1e-6), (2, 3, 0.01, 1e-9, np.inf))
    with pytest.raises(CallError, match="no branch to the return"):
        see(n, [1e6], 2)
    with pytest.raises(CallError, match="nodes 1 to 3"):
        see(n, [1e6], 4)


def test_ends_of_the_range_are_no_peaks():
    f = np.geomspace(1e5, 1e8, 100)
    assert len(anti_resonances(f, f)) == 0
    assert len(anti_resonances(f, 1 / f)) == 0
