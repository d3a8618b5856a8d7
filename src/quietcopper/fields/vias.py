"""Vias between planes: inductance with their return vias, capacitor mounting, barrels, stubs, the infinite plane pair.

Lengths in m. A via is a straight round conductor between two planes, its current on its surface; the planes close the
loop. Holds while the height and the distances between the vias are below about a tenth of a wavelength.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import binom, hankel2

from quietcopper.errors import OutOfRange
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.ranges import Complexes, Floats, checked
from quietcopper.fields.resonators import quarter_wave
from quietcopper.units import C0, COPPER_CONDUCTIVITY, ETA0, INCH, MU0


@dataclass(frozen=True)
class ReturnPath:
    """A signal via with its return vias. inductance : H, of the loop; shares : (n,) of the return current, sum 1."""

    inductance: float
    shares: Floats


@kept_by_content(4096)
def return_path(
    height: float, signal_radius: float, positions: ArrayLike, radius: ArrayLike, series: ArrayLike = 0.0
) -> ReturnPath:
    """Loop inductance of a signal via with n return vias wherever they stand, and how the return divides.

    height : length of the vias between the planes; positions : (n, 2) relative to the signal via, any order
    radius : of the return vias, one figure or (n,)
    series : inductance in series with each return, H, one figure or (n,): the mounting of a capacitor that stands there
    The return vias are in parallel: all at one potential, so the nearest carry most. Two-dimensional logarithmic
    potentials plus as many multipoles on each via as their spacing needs, so the crowding of current between close
    vias is in it. Exact (to 1e-5) for vias between two planes; two vias give (mu0 h/pi) acosh(s/2r).
    Raises OutOfRange without a return via, or where two vias touch.
    """
    h, r0 = float(checked("height", height)), float(checked("signal via radius", signal_radius))
    places = np.asarray(positions, dtype=float).reshape(-1, 2)
    count = len(places)
    if count == 0:
        raise OutOfRange("no return via: the plane pair itself closes the loop")
    z = np.concatenate([[0j], places[:, 0] + 1j * places[:, 1]])
    r = np.concatenate([[r0], np.broadcast_to(checked("return via radius", radius), count)])
    distance = np.abs(z[:, None] - z[None, :])
    np.fill_diagonal(distance, np.inf)
    if not np.all(distance > r[:, None] + r[None, :]):
        raise OutOfRange("two vias touch or stand at the same place")
    potential = _potential_matrix(z, r, _order(distance, r))
    # Returns carry -shares; A of all of them equal; shares sum to one.
    system = np.zeros((count + 1, count + 1))
    own = np.broadcast_to(checked("series inductance", series, open_low=False), count) / (MU0 * h / (2 * np.pi))
    system[:count, :count] = -potential[1:, 1:] - np.diag(own)
    system[:count, count] = -1.0
    system[count, :count] = 1.0
    right = np.concatenate([-potential[1:, 0], [1.0]])
    solution = np.linalg.solve(system, right)
    shares, level = solution[:count], solution[count]
    signal = potential[0, 0] - potential[0, 1:] @ shares
    return ReturnPath(float(MU0 * h / (2 * np.pi) * (signal - level)), shares)


def return_inductance(height: float, signal_radius: float, positions: ArrayLike, radius: ArrayLike) -> float:
    """Loop inductance of a signal via with its return vias, H: `return_path(...).inductance`."""
    return return_path(height, signal_radius, positions, radius).inductance


def _order(distance: Floats, r: Floats) -> int:
    """Multipoles a via needs so that what is left out stays below 1e-5.

    At most 24, which vias that nearly touch would exceed, and fewer for more than 60 vias to bound the work.

    distance : (k, k) between centres, infinite on the diagonal. The image of a neighbour stands exp(-xi) radii off the
    centre, xi the bipolar coordinate of the surface; the m-th multipole acts on the outside by its square.
    """
    cosine = (distance + (r[:, None] ** 2 - r[None, :] ** 2) / distance) / (2 * r[:, None])
    xi = np.arccosh(np.min(cosine))
    return int(np.clip(np.ceil(np.log(1e5) / (2 * xi) - 1), 0, min(24, 1500 // len(r))))


def _potential_matrix(z: Complexes, r: Floats, order: int) -> Floats:
    """(k, k) potential of each round conductor per unit current in each, in mu0/2pi; surfaces at constant potential.

    Each conductor has -q ln(t) + sum a_m (r/t)^m around its centre; the a_m cancel what the others put on its surface.
    """
    k = len(z)
    d = z[:, None] - z[None, :]
    np.fill_diagonal(d, r)
    potential = -np.log(np.abs(d))
    if order == 0:
        return potential
    np.fill_diagonal(d, np.inf)
    n = np.arange(1, order + 1)
    toward = (r[:, None] / d)[None] ** n[:, None, None]  # (n, i, j): (r_i/d_ij)^n
    away = (r[None, :] / d)[None] ** n[:, None, None]  # (m, i, j): (r_j/d_ij)^m
    sign = (-1.0) ** n
    from_current = (sign / n)[:, None, None] * toward  # order n on i per unit current in j
    weights = sign[:, None] * binom(n[:, None] + n[None, :] - 1, n[:, None])
    from_poles = weights[:, None, :, None] * toward[:, :, None, :] * away.transpose(1, 0, 2)[None]
    # axes (n, i, m, j) -> one square matrix over (order, conductor)
    m = from_poles.reshape(order * k, order * k)
    c = from_current.reshape(order * k, k)
    eye = np.eye(order * k)
    system = np.block([[eye + m.real, -m.imag], [-m.imag, eye - m.real]])
    poles = np.linalg.solve(system, np.vstack([-c.real, c.imag]))
    a = poles[: order * k] + 1j * poles[order * k :]
    spread = away.transpose(1, 0, 2).reshape(k, order * k)
    return potential + (spread @ a).real


# --- closed forms --------------------------------------------------------------------------------------------------


def pair_inductance(height: ArrayLike, distance: ArrayLike, radius: ArrayLike) -> Floats:
    """Loop inductance of two equal vias between planes, H: (mu0 h/pi) acosh(s/2r). Exact, crowding included."""
    ratio = checked(
        "via distance over diameter", np.asarray(distance, dtype=float) / (2 * checked("radius", radius)), 1.0
    )
    return MU0 * checked("height", height) / np.pi * np.arccosh(ratio)


def square_inductance(spacing: ArrayLike) -> Floats:
    """Inductance of a square of plane pair fed along one edge and shorted at the opposite one, H: mu0 d. Exact."""
    return MU0 * checked("spacing", spacing)


def spreading_inductance(spacing: ArrayLike, radius: ArrayLike, reach: ArrayLike) -> Floats:
    """Inductance of a plane pair from a via's surface out to the circle `reach`, H: (mu0 d/2pi) ln(R/r). Exact."""
    ratio = checked(
        "reach over radius", np.asarray(reach, dtype=float) / checked("radius", radius), 1.0, open_low=False
    )
    return MU0 * checked("spacing", spacing) / (2 * np.pi) * np.log(ratio)


def strip_inductance(width: ArrayLike, height: ArrayLike) -> Floats:
    """Loop inductance of a flat strip over a plane, H/m.

    Hammerstad & Jensen, IEEE MTT-S 1980, air impedance over the speed of light; 0.01 % for w/h <= 1, 0.03 % to 1000.
    """
    u = checked("strip width over height", np.asarray(width, dtype=float) / checked("height", height), 0.01, 1000.0)
    f = 6 + (2 * np.pi - 6) * np.exp(-((30.666 / u) ** 0.7528))
    return MU0 / (2 * np.pi) * np.log(f / u + np.sqrt(1 + (2 / u) ** 2))


def capacitor_mounting(
    spacing: ArrayLike,
    radius: ArrayLike,
    depth: ArrayLike,
    plane_distance: ArrayLike = 0.0,
    *,
    pad_length: ArrayLike = 0.0,
    pad_width: ArrayLike | None = None,
) -> Floats:
    """Mounting inductance of a capacitor with one via on each side, H.

    spacing : between the two vias; radius : of each; depth : from the pads to the nearer plane
    plane_distance : between the two planes it joins: adds the spreading from the one via that crosses, out to the
    other via. Leave 0 where the plane pair is solved with the via as a port, which has that part.
    pad_length, pad_width : whole length of the way along the surface (pads, traces, the body) and its width: adds a
    strip over the nearer plane. Zero leaves the vias alone: (mu0 h/pi) acosh(s/2r).
    Vias exact for planes above and below; with a strip on top the corner is counted twice, up to 20 % high. Several
    capacitors or vias that share a field: solve them with `return_path`.
    """
    total = pair_inductance(depth, spacing, radius)
    between = checked("plane distance", plane_distance, open_low=False)
    if np.any(between > 0):
        total = total + between * spreading_inductance(1.0, radius, spacing)
    length = checked("pad length", pad_length, open_low=False)
    if np.any(length > 0):
        if pad_width is None:
            raise OutOfRange("a pad length without a pad width")
        total = total + length * strip_inductance(pad_width, depth)
    return total


def ground_via_inductance(height: ArrayLike, radius: ArrayLike) -> Floats:
    """Inductance of one via from a microstrip line to its ground plane, H.

    Goldfarb & Pucel, IEEE Microwave and Guided Wave Letters 1(6), 1991, 135-137:
    (mu0/2pi) [h ln((h + q)/r) + 1.5 (r - q)], q = sqrt(r^2 + h^2). Range: h/r 0.5 to 50; about 4 % (from memory).
    """
    h, r = np.asarray(height, dtype=float), checked("radius", radius)
    checked("height over radius", h / r, 0.5, 50.0, open_low=False)
    q = np.hypot(h, r)
    return MU0 / (2 * np.pi) * (h * np.log((h + q) / r) + 1.5 * (r - q))


def printed_via_rule(height: ArrayLike, diameter: ArrayLike) -> Floats:
    """The printed rule 5.08 h (ln(4h/d) + 1) nH, inches, as H: for cross-check only; it knows no return via.

    Johnson & Graham, High-Speed Digital Design (from memory).
    """
    h, d = checked("height", height), checked("diameter", diameter)
    checked("4 h/d", 4 * h / d, 1.0)
    return 5.08e-9 * h / INCH * (np.log(4 * h / d) + 1)


def printed_antipad_rule(er: ArrayLike, height: ArrayLike, pad: ArrayLike, antipad: ArrayLike) -> Floats:
    """The printed rule 1.41 er T D1/(D2 - D1) pF, inches, as F: capacitance of a via's pads to its planes.

    Johnson & Graham, High-Speed Digital Design (from memory). pad, antipad : diameters. For cross-check only.
    """
    p, a = checked("pad diameter", pad), np.asarray(antipad, dtype=float)
    ratio = p / checked("antipad diameter - pad diameter", a - p)
    return 1.41e-12 * checked("er", er, 1.0, open_low=False) * checked("height", height) / INCH * ratio


def radial_impedance(frequency: ArrayLike, radius: ArrayLike, spacing: ArrayLike, er: ArrayLike) -> Complexes:
    """Impedance of an infinite plane pair seen at a via of the given radius, ohm.

    (j eta0/sqrt(er)) d/(2 pi r) H0(kr)/H1(kr), Hankel functions of the second kind: the outgoing radial wave. Exact
    for spacings below a tenth of a wavelength; lossless. The return of a via without any return via, above the
    lowest resonances of a large plane pair.
    """
    e, r, d = checked("er", er, 1.0, open_low=False), checked("radius", radius), checked("spacing", spacing)
    kr = 2 * np.pi * checked("frequency", frequency) * np.sqrt(e) / C0 * r
    return 1j * ETA0 / np.sqrt(e) * d / (2 * np.pi * r) * hankel2(0, kr) / hankel2(1, kr)


def stub_resonance(length: ArrayLike, er: ArrayLike) -> Floats:
    """Quarter-wave notch of the unused end of a through via, Hz. An upper bound: pads and antipads lower it."""
    return quarter_wave(length, er)


def barrel_resistance(
    height: ArrayLike,
    hole: ArrayLike,
    plating: ArrayLike,
    conductivity: float = COPPER_CONDUCTIVITY,
    *,
    hole_is_finished: bool,
) -> Floats:
    """Direct-current resistance of a plated barrel, ohm.

    hole : diameter after plating (hole_is_finished) or as drilled; plating : wall thickness. Exact.
    """
    t, d = checked("plating", plating), checked("hole diameter", hole)
    inner = d if hole_is_finished else d - 2 * t
    checked("hole diameter inside the plating", inner, open_low=False)
    area = np.pi * t * (inner + t)
    return checked("height", height) / (checked("conductivity", conductivity) * area)
