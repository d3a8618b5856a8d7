"""Crosstalk formulas against the rows of the literature and against coupled lines in a circuit simulator."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields.crosstalk import (
    far_end_peak,
    far_end_wave,
    near_end_peak,
    near_end_wave,
    saturation_length,
    short_line_noise,
)
from quietcopper.fields.line_formulas import coupled_stripline
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve
from quietcopper.units import C0, MM


def pair(width: float, gap: float, height: float, er: float, *, t: float = 0.0) -> CrossSection:
    """Two equal lines over a plane; millimetres."""
    x = (width + gap) / 2
    lines = tuple(Strip(s * x * MM, height * MM, width * MM, t * MM) for s in (-1, 1))
    return CrossSection(lines, (), (Sheet(height * MM, er),))


def buried(width: float, gap: float, er: float) -> CrossSection:
    """Two thin equal lines midway between planes 1 mm apart; millimetres."""
    lines = tuple(Strip(s * (width + gap) / 2 * MM, 0.5 * MM, width * MM, 0.0) for s in (-1, 1))
    return CrossSection(lines, (), (Sheet(1 * MM, er),), True, True)


SQUARE = pair(1, 1, 1, 4.4)  # u = g = 1

# --- rows ------------------------------------------------------------------------------------------------------------


def test_matrices_of_a_coupled_microstrip() -> None:
    """er 4.4, w/h 1, s/h 1: C, Cm, L, Lm converged by a spectral Nyström method; Cm/C, Lm/L, Kb, Kf from them."""
    s = solve(SQUARE, 2e-4)
    assert_allclose(s.capacitance[0] * 1e12, [84.7748, -8.6517], rtol=5e-5)
    assert_allclose(s.inductance[0] * 1e9, [419.584, 76.152], rtol=5e-5)
    assert_allclose(-s.capacitance[0, 1] / s.capacitance[0, 0], 0.10206, rtol=1e-4)
    assert_allclose(s.inductance[0, 1] / s.inductance[0, 0], 0.18149, rtol=1e-4)
    assert_allclose(s.near_end_coupling(), 0.07089, rtol=1e-4)
    assert_allclose(s.far_end_coupling() * 1e9, -0.23689, rtol=2e-4)
    assert_allclose(s.impedance(), 70.35, rtol=1e-4)


@pytest.mark.parametrize(
    ("u", "g", "kb", "kf"),
    [
        (1, 0.5, 0.11911, -0.26066e-9),
        (2, 1, 0.05933, -0.24750e-9),
        (1, 2, 0.03177, None),
        (1, 3, 0.01751, None),
        (1, 4, 0.01106, None),
        (1, 6, 0.00561, None),
    ],
)
def test_coupling_of_microstrips(u: float, g: float, kb: float, kf: float | None) -> None:
    """er 4.4, converged. With distance the coupling falls far below the trade's ceiling 1/(1 + (D/H)²), D centre to
    centre (Johnson and Graham 1993 [M])."""
    s = solve(pair(u, g, 1, 4.4), 2e-4)
    assert_allclose(s.near_end_coupling(), kb, rtol=1e-3)
    if kf is not None:
        assert_allclose(s.far_end_coupling(), kf, rtol=3e-4)
    assert s.near_end_coupling() < 1 / (1 + (u + g) ** 2)


@pytest.mark.parametrize(("gap", "kb"), [(0.2, 0.107915), (0.4, 0.055380), (0.6, 0.029259), (1.0, 0.008299)])
def test_coupling_of_striplines(gap: float, kb: float) -> None:
    """w/b .35: exact, (Ze − Zo)/(2 (Ze + Zo)) with Cohn's impedances; no far-end noise. Kb by its definition and by
    the modes differ in the third order of the coupling."""
    even, odd = coupled_stripline(0.35, gap, 1, 4.0)
    assert_allclose((even - odd) / (2 * (even + odd)), kb, rtol=5e-5)
    s = solve(buried(0.35, gap, 4.0), 2e-4)
    assert_allclose(s.near_end_coupling(), kb, rtol=5e-4)
    assert abs(s.far_end_coupling()) < 1e-4 * s.delay()


def test_saturation_length() -> None:
    """ee 3.169, rise 1 and .2 ns: 84.20 and 16.84 mm (formula)."""
    delay = np.sqrt(3.169) / C0
    assert_allclose(saturation_length([1e-9, 0.2e-9], delay), [84.20e-3, 16.84e-3], rtol=1e-4)


def test_short_line_with_any_ends() -> None:
    """50 ohm at both ends, the pair u = g = 1, 10 cm, 10 MHz, 1 V and 20 mA: inductive 4.785, capacitive 1.359, in all
    6.144 mV (formula of Paul's chapter on crosstalk [M])."""
    omega = 2 * np.pi * 10e6
    inductive, capacitive = short_line_noise(76.152e-9, 8.6517e-12, 0.1, omega * 0.02, omega * 1.0, 50.0, 50.0)
    assert_allclose([inductive, capacitive], [4.785e-3, 1.359e-3], rtol=2e-4)
    assert_allclose(inductive + capacitive, 6.144e-3, rtol=2e-4)


def test_worked_example_of_a_transient() -> None:
    """u = g = 1 pair, 100 mm, 1 V wave, .2 ns ramp, all ends 70.35 ohm: near plateau 71.36 mV, far −119.0 mV by ngspice
    with the modal lossless line."""
    s = solve(SQUARE, 2e-4)
    near = near_end_peak(s.near_end_coupling(), 0.1, s.delay(), 0.2e-9, 1.0)
    far = far_end_peak(s.far_end_coupling(), 0.1, 0.2e-9, 1.0)
    assert_allclose(near, 71.36e-3, rtol=1e-2)
    assert_allclose(far, -119.0e-3, rtol=1e-2)
    assert_allclose(near, 70.9e-3, rtol=1e-3)
    assert_allclose(far, -118.4e-3, rtol=1e-3)


# --- shape of the formulas -------------------------------------------------------------------------------------------


def test_near_end_grows_with_length_up_to_saturation() -> None:
    delay, rise = 6e-9, 0.6e-9
    full = saturation_length(rise, delay)
    peaks = near_end_peak(0.05, np.array([0, 0.25, 0.5, 1, 2]) * full, delay, rise, 2.0)
    assert_allclose(peaks, [0, 0.025, 0.05, 0.1, 0.1], rtol=1e-12)
    assert near_end_peak(0.05, 1e-3, delay, 0.0, 2.0) == 0.1  # a step saturates at once
    assert near_end_peak(0.05, 0.0, delay, 0.0, 2.0) == 0.0


def test_far_end_ends_at_half_the_swing() -> None:
    assert_allclose(far_end_peak(-0.25e-9, [0.1, 0.4, 100.0], 0.25e-9, 1.0), [-0.1, -0.4, -0.5])
    assert far_end_peak(0.0, 0.1, 0.0, 1.0) == 0.0
    assert far_end_peak(-1e-12, 0.1, 0.0, 1.0) == -0.5


@pytest.mark.parametrize("length", [0.02, 0.1, 1.5])
def test_waves_have_the_peaks(length: float) -> None:
    kb, kf, delay, rise, swing = 0.07, -0.24e-9, 6e-9, 0.2e-9, 1.5
    t = np.linspace(0, 4 * delay * length + 2 * rise, 20001)
    near = near_end_wave(t, kb, length, delay, rise, swing)
    far = far_end_wave(t, kf, length, delay, rise, swing)
    assert_allclose(near.max(), near_end_peak(kb, length, delay, rise, swing), rtol=1e-9)
    assert_allclose(far.min(), far_end_peak(kf, length, rise, swing), rtol=1e-3)
    assert_allclose([near[0], far[0], near[-1]], 0, atol=1e-12)
    step = near_end_wave(np.array([-1e-12, 1e-12]), kb, length, delay, 0.0, swing)
    assert_allclose(step, [0, kb * swing])


def test_impossible_values_are_refused() -> None:
    with pytest.raises(OutOfRange, match="length is -1"):
        near_end_peak(0.1, -1.0, 6e-9, 1e-9, 1.0)
    with pytest.raises(OutOfRange, match="rise time is -1e-09"):
        far_end_peak(0.1, 1.0, -1e-9, 1.0)
    with pytest.raises(OutOfRange, match="delay is 0"):
        saturation_length(1e-9, 0.0)
    with pytest.raises(OutOfRange, match="far resistance is 0"):
        short_line_noise(1e-9, 1e-12, 0.1, 1e6, 1e9, 50.0, 0.0)


# --- coupled lines in a circuit simulator ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """Two lines side by side over `length` (m); a ramp of `rise` (s, 0-100 %) and 1 V runs on the first."""

    name: str
    section: CrossSection
    length: float
    rise: float


CASES = [
    Case("surface, saturated", SQUARE, 0.1, 0.2e-9),
    Case("surface, a third of saturation", pair(0.3, 0.3, 0.2, 4.3, t=0.035), 0.02, 0.7e-9),
    Case("surface, tight", pair(0.15, 0.15, 0.1, 4.3, t=0.035), 0.08, 0.3e-9),
    Case("surface, far apart", pair(0.2, 0.6, 0.15, 4.2, t=0.035), 0.15, 0.5e-9),
    Case(
        "under mask",
        CrossSection(pair(0.2, 0.2, 0.15, 4.2, t=0.035).lines, (), (Sheet(0.15 * MM, 4.2),), True, False,
                     Coat(25e-6, 15e-6, 3.5)),
        0.1,
        0.25e-9,
    ),
    Case("buried", buried(0.35, 0.4, 4.0), 0.1, 0.3e-9),
    Case("buried, a half of saturation", buried(0.35, 0.6, 4.0), 0.02, 0.6e-9),
    Case("long, far-end modes parted", pair(0.3, 0.3, 0.2, 4.3, t=0.035), 1.0, 0.2e-9),
]  # fmt: skip


def simulated(case: Case, folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time and the victim's voltages at its near and far end, from ngspice: two ideal lines for the even and the odd
    mode, joined to the ports by controlled sources. All ends are matched to one line's own impedance."""
    s = solve(case.section, 2e-4)
    modes, z = s.pair(), s.impedance()
    delay = modes.delay_even * case.length
    stop = 3 * delay + 3 * case.rise
    ports = []
    for end in ("n", "f"):
        for line, sign in (("a", 1), ("v", -1)):
            ports += [
                f"Vs{line}{end} {line}{end} x{line}{end} 0",
                f"Ee{line}{end} x{line}{end} y{line}{end} e{end} 0 1",
                f"Eo{line}{end} y{line}{end} 0 o{end} 0 {sign}",
                f"Fe{line}{end} 0 e{end} Vs{line}{end} 0.5",
                f"Fo{line}{end} 0 o{end} Vs{line}{end} {0.5 * sign}",
            ]
    netlist = "\n".join(
        [
            "two coupled lines",
            f"Vin in 0 PWL(0 0 {case.rise:.9e} 2 1 2)",  # 2 V behind the line's own impedance: a wave of 1 V
            f"Ran in an {z:.9g}",
            f"Raf af 0 {z:.9g}",
            f"Rvn vn 0 {z:.9g}",
            f"Rvf vf 0 {z:.9g}",
            *ports,
            f"Te en 0 ef 0 Z0={modes.even:.9g} TD={delay:.9e}",
            f"To on 0 of 0 Z0={modes.odd:.9g} TD={modes.delay_odd * case.length:.9e}",
            f".tran {case.rise / 200:.6e} {stop:.6e} 0 {case.rise / 200:.6e}",
            ".control",
            "run",
            "wrdata victim.txt v(vn) v(vf)",
            "quit",
            ".endc",
            ".end",
        ]
    )
    (folder / "lines.cir").write_text(netlist)
    subprocess.run(["ngspice", "-b", "lines.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    t, near, _, far = np.loadtxt(folder / "victim.txt", unpack=True)
    return t, near, far


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)")
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_peaks_agree_with_a_circuit_simulator(case: Case, tmp_path: Path) -> None:
    s = solve(case.section, 2e-4)
    t, near, far = simulated(case, tmp_path)
    args = case.length, s.delay(), case.rise, 1.0
    # 5 % of the peak: the formulas neglect what the victim gives back, of second order in the coupling
    assert_allclose(near.max(), near_end_peak(s.near_end_coupling(), *args), rtol=0.05)
    predicted = far_end_peak(s.far_end_coupling(), case.length, case.rise, 1.0)
    assert_allclose(far[np.argmax(np.abs(far))], predicted, rtol=0.05, atol=2e-3)
    if case.name == CASES[0].name:  # the row of the worked example, by the same simulator and the same two modes
        assert_allclose(near[np.searchsorted(t, 1.5 * s.delay() * case.length)], 71.36e-3, rtol=2e-3)
        assert_allclose(far.min(), -119.0e-3, rtol=5e-3)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)")
def test_waves_agree_with_a_circuit_simulator(tmp_path: Path) -> None:
    case = CASES[3]
    s = solve(case.section, 2e-4)
    t, near, far = simulated(case, tmp_path)
    args = case.length, s.delay(), case.rise, 1.0
    ours = near_end_wave(t, s.near_end_coupling(), *args)
    assert np.abs(ours - near).max() < 0.05 * near.max()
    ours = far_end_wave(t, s.far_end_coupling(), *args)
    assert np.abs(ours - far).max() < 0.05 * np.abs(far).max() + 2e-3
