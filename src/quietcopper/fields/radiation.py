"""Radiated-field estimates for ranking designs: small loops, cables, plane edges, and what drives them.

Fields in V/m at `distance` m, currents and voltages as peak or effective values alike (the field comes out in kind;
limits are read as effective values of a sine). Every figure is an upper bound or an estimate good to 10 to 20 dB, and
no compliance verdict. Differential currents alone do not predict measured emissions, common mode dominates (Paul, IEEE
Trans. EMC 31(2), 1989, 189-193): show both, common mode first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import C0, EPS0, ETA0

CABLE_IMPEDANCE = 37.0  # ohm, of a resonant quarter-wave cable over the board as counterpoise: textbook monopole
RESONANT = 60.0  # V per A: field x distance of a quarter-wave wire on a floor (half-wave dipole in space), textbook
LONGEST = 120.0  # V per A: the same for a half-wave wire on a floor: 60 (1 - cos kh) with the largest current, textbook


def microvolt_db(field: ArrayLike) -> Floats:
    """Level in dB over 1 microvolt (per metre). Zero gives -inf."""
    with np.errstate(divide="ignore"):
        return 20 * np.log10(checked("field", field, open_low=False) / 1e-6)


def loop_field(
    current: ArrayLike, area: ArrayLike, frequency: ArrayLike, distance: ArrayLike, floor: bool = True
) -> Floats:
    """Largest field of a small current loop, V/m: 131.6e-16 f^2 A I/r in free space, doubled over a reflecting floor.

    eta0 pi/c^2, the far field of a magnetic dipole; the doubling as in Ott, Electromagnetic Compatibility Engineering
    (from memory). Range: sqrt(area) up to a quarter wave, distance above a sixth of a wave (far field); OutOfRange
    outside. For a trace longer than that take `effective_length` times its height as the area.
    """
    i, a, f, r = np.abs(current), checked("area", area, open_low=False), checked("frequency", frequency), distance
    wave = C0 / f
    checked("loop side over a wavelength", np.sqrt(a) / wave, 0.0, 0.25, open_low=False)
    _far(r, wave)
    return (2 if floor else 1) * ETA0 * np.pi / C0**2 * f**2 * a * i / np.asarray(r, dtype=float)


def effective_length(length: ArrayLike, frequency: ArrayLike) -> Floats:
    """Length of a line as far as it adds to its largest field, m: at most half a wavelength in air.

    A wave along a line of effective permittivity e adds up over sin(x)/x with x = k (sqrt(e) - 1) l/2 in the worst
    direction, so no more than 1/(pi (sqrt(e) - 1)) of a wave: 0.43 for e = 3. Derived; an upper bound for e >= 2.7.
    """
    return np.minimum(checked("length", length, open_low=False), C0 / checked("frequency", frequency) / 2)


def short_cable_field(current: ArrayLike, length: ArrayLike, frequency: ArrayLike, distance: ArrayLike) -> Floats:
    """Field of a short cable with uniform common-mode current over a reflecting floor, V/m: 4 pi 1e-7 f I L/r.

    12.57e-7 in Ott, Electromagnetic Compatibility Engineering (from memory): the short dipole, doubled for the floor.
    A 1 m monopole on a floor solved as a wire antenna gave 0.52, 0.57, 0.91 of it at 30, 50, 100 MHz, a centre-fed
    dipole in free space a quarter. Range: length up to half a wave.
    """
    f = checked("frequency", frequency)
    _far(distance, C0 / f)
    span = checked("cable length", length, open_low=False)
    checked("cable length over a wavelength", span * f / C0, 0.0, 0.5, open_low=False)
    return 4e-7 * np.pi * f * span * np.abs(current) / np.asarray(distance, dtype=float)


def cable_field(current: ArrayLike, length: ArrayLike, frequency: ArrayLike, distance: ArrayLike) -> Floats:
    """Largest field of a cable of any length whose largest common-mode current is known, over a floor, V/m.

    `short_cable_field` up to 120 I/r, which a half-wave wire on a floor reaches: an upper bound for lengths to half a
    wave; longer ones add lobes but no more than 1 to 2 dB.
    """
    f = checked("frequency", frequency)
    reach = np.minimum(checked("cable length", length, open_low=False), LONGEST / (4e-7 * np.pi * f))
    return short_cable_field(current, reach, f, distance)


def cable_current(field: ArrayLike, length: ArrayLike, frequency: ArrayLike, distance: ArrayLike) -> Floats:
    """Common-mode current that makes `field` by `cable_field`, A: the allowance for a cable."""
    return checked("field", field) / cable_field(1.0, length, frequency, distance)


def common_mode_field(
    voltage: ArrayLike,
    frequency: ArrayLike,
    distance: ArrayLike,
    impedance: float = CABLE_IMPEDANCE,
    cable_length: ArrayLike | None = None,
) -> Floats:
    """Largest field of a cable driven by a common-mode voltage between it and the board, V/m: an upper bound.

    The voltage drives V/impedance into the cable as if that were resonant, and the current radiates 60 I/r like a
    quarter-wave wire, or `short_cable_field` where a given length makes that smaller. 37 ohm is the textbook
    impedance of a resonant quarter-wave monopole; far below its resonance the true current is much smaller.
    """
    current = np.abs(voltage) / checked("impedance", impedance)
    f = checked("frequency", frequency)
    _far(distance, C0 / f)
    resonant = RESONANT * current / np.asarray(distance, dtype=float) * np.ones_like(f)
    if cable_length is None:
        return resonant
    return np.minimum(resonant, cable_field(current, cable_length, f, distance))


def edge_field(voltage: ArrayLike, length: ArrayLike, frequency: ArrayLike, distance: ArrayLike) -> Floats:
    """Largest field of a stretch of open plane edge with `voltage` between the planes along it, over a floor, V/m.

    The edge as a magnetic current V, dipole field V l/(2 lambda r), doubled for the floor; length up to half a wave.
    Textbook duality with the short dipole; uniform voltage along the stretch, so an upper bound.
    """
    f = checked("frequency", frequency)
    wave = C0 / f
    _far(distance, wave)
    return np.abs(voltage) * effective_length(length, f) / (wave * np.asarray(distance, dtype=float))


def _far(distance: ArrayLike, wave: Floats) -> None:
    if np.any(checked("distance", distance) * 2 * np.pi < wave):
        raise OutOfRange(
            f"{np.min(distance):g} m is nearer than a sixth of the wavelength of {np.max(wave):g} m: near field"
        )


# --- what drives the common mode -----------------------------------------------------------------------------------


def current_driven_voltage(
    plane_inductance: ArrayLike, length: ArrayLike, current: ArrayLike, frequency: ArrayLike
) -> Floats:
    """Common-mode voltage of return current in a plane of finite width, V: omega L' l I.

    plane_inductance : H/m, of `returns.plane_inductance`. Hockanson et al., IEEE Trans. EMC 38(4), 1996, 557-566 (from
    memory). Holds for length below a quarter wave.
    """
    f = checked("frequency", frequency)
    span = checked("length", length, open_low=False)
    checked("length over a wavelength", span * f / C0, 0.0, 0.25, open_low=False)
    return 2 * np.pi * f * checked("plane inductance", plane_inductance, open_low=False) * span * np.abs(current)


def board_self_capacitance(area: ArrayLike) -> Floats:
    """Capacitance of a board to infinity, F: that of a disc of equal area, 8 eps0 sqrt(A/pi).

    As in Shim & Hubing, IEEE Trans. EMC 47(3), 2005 (from memory). A square plate has 1.8 % more; low by 10 % for
    sides of 1 to 3.
    """
    return 8 * EPS0 * np.sqrt(checked("area", area) / np.pi)


def trace_self_capacitance(imbalance: ArrayLike, line_capacitance: ArrayLike, length: ArrayLike) -> Floats:
    """Capacitance of a trace to infinity past its board, F: current division factor times its own capacitance.

    imbalance : `returns.imbalance`, 0 to 1; line_capacitance : F/m in air. The share of the trace's field lines that
    do not end on its plane; by reciprocity the same factor as for its return current. Homogeneous medium.
    """
    h = checked("imbalance", imbalance, 0.0, 1.0, open_low=False)
    return h * checked("line capacitance", line_capacitance) * checked("length", length, open_low=False)


def voltage_driven_voltage(trace: ArrayLike, board: ArrayLike, voltage: ArrayLike) -> Floats:
    """Common-mode voltage of a trace's voltage against the board, V: V C_trace/C_board, self-capacitances.

    Shim & Hubing, IEEE Trans. EMC 47(3), 2005 (from memory). Holds for traces below a quarter wave.
    """
    return np.abs(voltage) * checked("trace capacitance", trace, open_low=False) / checked("board capacitance", board)


def imbalance_voltage(before: ArrayLike, after: ArrayLike, voltage: ArrayLike) -> Floats:
    """Common-mode voltage where a line's imbalance changes from `before` to `after`, V: |h1 - h2| V.

    Su & Hubing, IEEE Trans. EMC 53(1), 2011, 150-156.
    """
    a = checked("imbalance before", before, 0.0, 1.0, open_low=False)
    b = checked("imbalance after", after, 0.0, 1.0, open_low=False)
    return np.abs(a - b) * np.abs(voltage)
