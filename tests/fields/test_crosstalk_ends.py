"""Noise with real ends at both lines, held to coupled lines in a circuit simulator and to the matched closed forms."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields.crosstalk import far_end_peak, near_end_peak
from quietcopper.fields.crosstalk_ends import Ends, Shared, noise
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve

MM = 1e-3


def pair(w: float, s: float, h: float, mask: bool = False) -> CrossSection:
    lines = tuple(Strip(x * MM, h * MM, w * MM, 0.035 * MM) for x in (0.0, w + s))
    return CrossSection(lines, (), (Sheet(h * MM, 4.3),), coat_above=Coat(25e-6, 15e-6, 3.5) if mask else None)


def buried(w: float, s: float) -> CrossSection:
    lines = tuple(Strip(x * MM, 0.2 * MM, w * MM, 0.02 * MM) for x in (0.0, w + s))
    return CrossSection(lines, (), (Sheet(0.45 * MM, 4.0),), plane_above=True)


@dataclass(frozen=True)
class Case:
    """Two lines side by side over `length` (m) with `before` and `after` it alone (m); ohm at the four ends, inf open.

    opposed : the victim is travelled against the aggressor
    """

    name: str
    section: CrossSection
    length: float
    rise: float
    source: float
    load: float
    victim: tuple[float, float]
    before: float = 0.0
    opposed: bool = False


OPEN = 1e7
CASES = [
    Case("matched", pair(0.2, 0.3, 0.15), 0.06, 0.3e-9, 63.0, 63.0, (63.0, 63.0)),
    Case("open ends, matched sources", pair(0.2, 0.3, 0.15), 0.06, 0.3e-9, 63.0, OPEN, (63.0, OPEN)),
    Case("strong drivers, open ends", pair(0.2, 0.4, 0.15), 0.05, 0.4e-9, 25.0, OPEN, (25.0, OPEN)),
    Case("victim against the aggressor", pair(0.2, 0.3, 0.15), 0.06, 0.3e-9, 40.0, OPEN, (30.0, OPEN), 0.0, True),
    Case("terminated victim", pair(0.2, 0.3, 0.15, True), 0.06, 0.3e-9, 63.0, 63.0, (20.0, 63.0)),
    Case("buried, strong drivers", buried(0.15, 0.2), 0.05, 0.3e-9, 25.0, OPEN, (25.0, OPEN)),
    Case("alone before they meet", pair(0.2, 0.3, 0.15), 0.04, 0.3e-9, 40.0, OPEN, (30.0, OPEN), 0.03),
]


def predicted(case: Case) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    s = solve(case.section, 2e-4)
    z, slope = s.impedance(), s.delay()

    def reflection(ohm: float) -> float:
        return (ohm - z) / (ohm + z)

    whole = (case.before + case.length) * slope
    on_aggressor = (case.before * slope, whole)
    on_victim = (0.0, case.length * slope) if case.opposed else on_aggressor
    shared = Shared(s.near_end_coupling(), s.far_end_coupling(), case.length,
                    on_aggressor[::-1] if case.opposed else on_aggressor, on_victim)  # fmt: skip
    aggressor = Ends(whole, reflection(case.source), reflection(case.load))
    victim = Ends(whole, *(reflection(r) for r in case.victim))
    out = noise([shared], aggressor, victim, case.rise, 2 * z / (z + case.source))
    return out.time, out.start, out.end


def simulated(case: Case, folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time and the victim's voltages at its start and end, from ngspice: ideal lines for the even and the odd mode."""
    s = solve(case.section, 2e-4)
    modes, z = s.pair(), s.impedance()
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
    start, end = ("vf", "vb") if case.opposed else ("vb", "vf")
    alone = case.before * s.delay()
    lead = [
        f"Ta ab 0 an 0 Z0={z:.9g} TD={alone:.9e}",
        f"Tv vb 0 vn 0 Z0={z:.9g} TD={alone:.9e}",
    ] if alone else ["Vla ab an 0", "Vlv vb vn 0"]  # fmt: skip
    stop = 12 * (alone + modes.delay_even * case.length) + 3 * case.rise
    netlist = [
        "two coupled lines between resistors",
        f"Vin in 0 PWL(0 0 {case.rise:.9e} 2 1 2)",
        f"Ran in ab {case.source:.9g}",
        f"Raf af 0 {case.load:.9g}",
        f"Rs {start} 0 {case.victim[0]:.9g}",
        f"Re {end} 0 {case.victim[1]:.9g}",
        *lead,
        *ports,
        f"Te en 0 ef 0 Z0={modes.even:.9g} TD={modes.delay_even * case.length:.9e}",
        f"To on 0 of 0 Z0={modes.odd:.9g} TD={modes.delay_odd * case.length:.9e}",
        f".tran {case.rise / 100:.6e} {stop:.6e} 0 {case.rise / 100:.6e}",
        ".control", "run", f"wrdata victim.txt v({start}) v({end})", "quit", ".endc", ".end",
    ]  # fmt: skip
    (folder / "lines.cir").write_text("\n".join(netlist))
    subprocess.run(["ngspice", "-b", "lines.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    t, first, _, last = np.loadtxt(folder / "victim.txt", unpack=True)
    return t, first, last


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)")
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_peaks_with_real_ends_agree_with_a_circuit_simulator(case: Case, tmp_path: Path) -> None:
    _, start, end = predicted(case)
    _, at_start, at_end = simulated(case, tmp_path)
    # 5 % of the larger peak: weak coupling, and the even and the odd wave kept together by mean figures
    largest = max(np.abs(at_start).max(), np.abs(at_end).max())
    assert np.abs(start).max() == pytest.approx(np.abs(at_start).max(), abs=0.05 * largest)
    assert np.abs(end).max() == pytest.approx(np.abs(at_end).max(), abs=0.05 * largest)


@pytest.mark.parametrize("length", [0.01, 0.05, 0.2])
def test_between_matched_ends_the_peaks_are_the_closed_forms(length: float) -> None:
    delay, rise, swing = 6.2e-9, 0.4e-9, 3.3
    shared = Shared(0.05, -0.2e-9, length, (0.0, length * delay), (0.0, length * delay))
    line = Ends(length * delay)
    seen = noise([shared], line, line, rise, swing)
    assert_allclose(seen.peak_start, near_end_peak(0.05, length, delay, rise, swing), rtol=2e-3)
    assert_allclose(seen.peak_end, far_end_peak(-0.2e-9, length, rise, swing), rtol=5e-3)


def test_a_stretch_in_two_halves_is_the_stretch() -> None:
    whole = Shared(0.05, -0.2e-9, 0.02, (0.1e-9, 0.22e-9), (0.0, 0.12e-9))
    halves = [
        Shared(0.05, -0.2e-9, 0.01, (0.1e-9, 0.16e-9), (0.0, 0.06e-9)),
        Shared(0.05, -0.2e-9, 0.01, (0.16e-9, 0.22e-9), (0.06e-9, 0.12e-9)),
    ]
    ends = Ends(0.3e-9, -0.3, 1.0)
    one, two = (noise(s, ends, ends, 0.3e-9, 1.0) for s in ([whole], halves))
    assert_allclose(two.peak_start, one.peak_start, rtol=2e-3)
    assert_allclose(two.peak_end, one.peak_end, rtol=2e-2)  # the far end's even and odd wave part a little earlier


def test_an_open_end_doubles_the_wave_and_a_matched_driver_ends_it() -> None:
    shared = Shared(0.05, -0.2e-9, 0.1, (0.0, 0.6e-9), (0.0, 0.6e-9))
    matched, open_end = (noise([shared], Ends(0.6e-9), Ends(0.6e-9, 0.0, r), 0.3e-9, 1.0) for r in (0.0, 1.0))
    assert_allclose(open_end.peak_end, 2 * matched.peak_end, rtol=1e-6)


def test_what_no_line_is() -> None:
    with pytest.raises(OutOfRange, match="reflections 2"):
        noise([], Ends(1e-9, 2.0), Ends(1e-9), 1e-9, 1.0)
    with pytest.raises(OutOfRange, match="an edge of 0"):
        noise([], Ends(1e-9), Ends(1e-9), 0.0, 1.0)
