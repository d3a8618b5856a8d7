"""What every plane pair has in common: its materials, its expansion into modes, and what loads do to it.

The voltage between two planes that lie close together obeys div grad V = Zs Y V with Zs ohm per square and Y siemens
per square metre, V's normal derivative zero at an open edge. With the eigenvalues l_n (1/m2) and orthonormal shapes
phi_n of that shape, the impedance between two ports is Zs times

    G(k2) = sum phi_n phi_n / (l_n - k2),    k2 = -Zs Y.

The lowest modes are kept. What all the others add is known at one k2 with its slope, and is represented by one
pseudo-mode a port that has both (the ports' static fields as further trial functions), so that everything stays a sum
over modes. Formulation: modal expansion with static correction and Rayleigh-Ritz, as in structural dynamics (Craig &
Bampton, AIAA Journal 6(7), 1968, from memory); the series for a rectangle is that of Lei, Techentin & Gilbert, IEEE
Trans. MTT 47(5), 1999 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh, qr

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.blas import one_thread
from quietcopper.fields.ranges import Complexes, Floats, checked
from quietcopper.units import C0, COPPER_CONDUCTIVITY, EPS0, MU0


@dataclass(frozen=True)
class Pair:
    """What two facing planes are made of.

    spacing : dielectric thickness, m; er, tan_d : of the dielectric, taken constant over frequency
    conductivity : of both planes, S/m; thickness : of each plane, m, infinite for one thick against the skin depth
    Holds while the spacing is below a tenth of a wavelength and small against the planes.
    """

    spacing: float
    er: float
    tan_d: float = 0.0
    conductivity: float = COPPER_CONDUCTIVITY
    thickness: float = np.inf

    def __post_init__(self) -> None:
        checked("plane spacing", self.spacing)
        checked("er", self.er, 1.0, open_low=False)
        checked("loss tangent", self.tan_d, 0.0, 1.0, open_low=False)
        checked("conductivity", self.conductivity, infinite=True)
        checked("plane thickness", self.thickness, infinite=True)

    def series(self, frequency: ArrayLike) -> Complexes:
        """Zs, ohm per square: j omega mu0 d + twice the surface impedance (1+j)/(sigma delta) coth((1+j) t/delta).

        The skin loss stands in Zs alone; put into k2 with a lossless numerator it would also spoil the capacitance's
        loss at low frequency.
        """
        omega = 2 * np.pi * checked("frequency", frequency)
        ideal = 1j * omega * MU0 * self.spacing
        if np.isinf(self.conductivity):
            return ideal
        inverse_depth = np.sqrt(omega * MU0 * self.conductivity / 2)  # 1/delta
        surface = (1 + 1j) * inverse_depth / self.conductivity
        if np.isfinite(self.thickness):
            surface = surface / np.tanh((1 + 1j) * np.minimum(self.thickness * inverse_depth, 50.0))
        return ideal + 2 * surface

    def shunt(self, frequency: ArrayLike) -> Complexes:
        """Y, siemens per square metre: j omega eps0 er (1 - j tan d)/d."""
        omega = 2 * np.pi * checked("frequency", frequency)
        return 1j * omega * EPS0 * self.er * (1 - 1j * self.tan_d) / self.spacing

    def capacitance(self, area: ArrayLike) -> Floats:
        """Capacitance of a facing area, F, without fringes."""
        return EPS0 * self.er * checked("area", area) / self.spacing

    def eigenvalue(self, frequency: ArrayLike) -> Floats:
        """(2 pi f)^2 er/c^2, 1/m2: the lossless k2."""
        return (2 * np.pi * np.asarray(frequency, dtype=float) / C0) ** 2 * self.er

    def frequency(self, eigenvalue: ArrayLike) -> Floats:
        """Lossless resonance of an eigenvalue, Hz."""
        return C0 * np.sqrt(np.asarray(eigenvalue, dtype=float) / self.er) / (2 * np.pi)

    def quality(self, frequency: ArrayLike) -> Floats:
        """Quality factor of a resonance at `frequency`: 1/(tan d + delta/d). Without radiation, so an upper figure.

        For planes thicker than the skin depth (as Pair.series otherwise).
        """
        f = checked("frequency", frequency)
        loss = self.tan_d * np.ones_like(f)
        if np.isfinite(self.conductivity):
            loss = loss + 1 / np.sqrt(np.pi * f * MU0 * self.conductivity) / self.spacing
        with np.errstate(divide="ignore"):
            return 1 / loss


@dataclass(frozen=True, eq=False)
class Loads:
    """Series R-L-C between the planes at some points of an expansion.

    index : (n,) points; capacitance : (n,) F, infinite for a via; resistance : (n,) ohm; inductance : (n,) H, of the
    mounting above the planes (the spreading inside the pair belongs to the point's radius)
    """

    index: NDArray[np.intp]
    capacitance: Floats
    resistance: Floats
    inductance: Floats

    def __post_init__(self) -> None:
        size = len(self.index)
        if not len(self.capacitance) == len(self.resistance) == len(self.inductance) == size:
            raise CallError("the four columns of loads differ in length")
        if len(np.unique(self.index)) != size:
            raise CallError("two loads at one point")
        checked("load capacitance", self.capacitance, infinite=True)
        checked("load resistance", self.resistance, open_low=False)
        checked("load inductance", self.inductance, open_low=False)

    def impedance(self, frequency: float) -> Complexes:
        """(n,) ohm at one frequency."""
        omega = 2 * np.pi * frequency
        return self.resistance + 1j * (omega * self.inductance - 1 / (omega * self.capacitance))


def vias(index: ArrayLike) -> Loads:
    """Loads that are plain vias joining both planes, at the given points."""
    where = np.atleast_1d(np.asarray(index, dtype=np.intp))
    zero = np.zeros(len(where))
    return Loads(where, zero + np.inf, zero, zero)


@dataclass(frozen=True, eq=False)
class Expansion:
    """G(k2) between p points of a plane pair as a sum over n modes and pseudo-modes.

    eigenvalues : (n,) 1/m2, rising; shapes : (n, p) 1/m at the points, mean square over the area 1/area
    mixture : (n, t) each mode over the trial functions of whoever made the expansion, for drawing its shape
    `limit` : k2 up to which the error stays below about 0.3 %; modes above it are pseudo-modes or inexact.
    """

    eigenvalues: Floats
    shapes: Floats
    mixture: Floats
    limit: float

    @classmethod
    def build(
        cls, eigenvalues: Floats, shapes: Floats, static: Floats, slope: Floats, shift: float, limit: float
    ) -> Expansion:
        """From kept modes (n,), (n, p) and what the others add: `static` + (k2 - shift) `slope` near k2 = shift.

        The rest is static (static - (k2 - shift) slope)^-1 static, which has this value and slope. Trial functions of
        `mixture`: the n modes, then for each point what its static field has beyond them. Raises OutOfRange where two
        points are the same or too close to tell apart.
        """
        n, p = shapes.shape
        try:
            inverse, vectors = eigh((slope + slope.T) / 2, (static + static.T) / 2)
        except np.linalg.LinAlgError:
            raise OutOfRange("two ports or loads stand at the same place") from None
        inverse = np.maximum(inverse, 1e-9 * inverse[-1:])[::-1]
        vectors = vectors[:, ::-1] / np.sqrt(inverse)
        mixture = np.zeros((n + p, n + p))
        mixture[:n, :n] = np.eye(n)
        mixture[n:, n:] = vectors.T
        return cls(
            np.append(eigenvalues, shift + 1 / inverse), np.vstack([shapes, (static @ vectors).T]), mixture, limit
        )

    def transfer(self, k2: ArrayLike) -> Complexes:
        """G, (f, p, p) for k2 (f,)."""
        k = np.atleast_1d(np.asarray(k2, dtype=complex))
        out = np.empty((len(k), self.shapes.shape[1], self.shapes.shape[1]), dtype=complex)
        for row, value in enumerate(k):
            weighted = self.shapes / (self.eigenvalues - value)[:, None]
            out[row].real = self.shapes.T @ weighted.real
            out[row].imag = self.shapes.T @ weighted.imag
        return out

    def keep(self, index: ArrayLike) -> Expansion:
        """The same plane pair seen at fewer points, or in another order."""
        return replace(self, shapes=self.shapes[:, np.asarray(index, dtype=np.intp)])

    def shorted(self, index: ArrayLike) -> Expansion:
        """The pair with plain vias at the points `index`: a new expansion over the other points, in their order.

        The voltage at each via is zero: the modes within that constraint (Rayleigh-Ritz, so from above). Exact within
        the expansion. Raises OutOfRange where the vias outnumber what the expansion can tell apart.
        """
        short = np.unique(np.asarray(index, dtype=np.intp))
        other = np.setdiff1d(np.arange(self.shapes.shape[1]), short)
        if len(short) == 0:
            return self
        if len(short) >= len(self.eigenvalues):
            raise OutOfRange(f"{len(short)} vias and only {len(self.eigenvalues)} modes")
        with one_thread():  # small matrices: more threads only wait for each other
            free = qr(self.shapes[:, short] / np.linalg.norm(self.shapes[:, short], axis=0))[0][:, len(short) :]
            found, vectors = eigh((free * self.eigenvalues[:, None]).T @ free)
            mix = (free @ vectors).T
        return Expansion(found, mix @ self.shapes[:, other], mix @ self.mixture, self.limit)

    def with_inductors(self, index: ArrayLike, strength: ArrayLike) -> Expansion:
        """The pair with an inductor L between the planes at each of the points `index`: modes of the whole.

        strength : (m,) mu0 d/L, dimensionless: the inductor's admittance over that of a square of the pair. A capacitor
        above its series resonance is such an inductor; below it the strength is negative. Exact within the expansion.
        """
        at = np.atleast_1d(np.asarray(index, dtype=np.intp))
        if len(at) == 0:
            return self
        loads = self.shapes[:, at] * np.sqrt(np.abs(strength))
        with one_thread():
            found, vectors = eigh(np.diag(self.eigenvalues) + (loads * np.sign(strength)) @ loads.T)
        return Expansion(found, vectors.T @ self.shapes, vectors.T @ self.mixture, self.limit)

    def resonances(self) -> NDArray[np.intp]:
        """Indices of the true resonances: above rounding (the capacitance mode of an unshorted pair) to `limit`."""
        return np.flatnonzero((self.eigenvalues > 1e-9 * self.limit) & (self.eigenvalues <= self.limit))


def target_impedance(voltage: ArrayLike, ripple: ArrayLike, step: ArrayLike) -> Floats:
    """Impedance a supply must stay below, ohm: voltage times the allowed ripple share over the current step.

    The target-impedance method (Smith, Anderson and others, IEEE Trans. Advanced Packaging 22(3), 1999, from memory).
    """
    share = checked("ripple share", ripple, 0.0, 1.0)
    return checked("voltage", voltage) * share / checked("current step", step)


def impedance(
    pair: Pair, expansion: Expansion, frequency: ArrayLike, ports: ArrayLike, loads: Loads | None = None
) -> Complexes:
    """Impedance matrix (f, o, o) in ohm at the points `ports`, with the loads attached.

    Plain vias are folded into the modes once; whatever has resistance, inductance or capacitance is a
    low-rank update at each frequency. Raises CallError where a port is also a load.
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=float))
    seen = np.atleast_1d(np.asarray(ports, dtype=np.intp))
    zs, k2 = pair.series(f), -pair.series(f) * pair.shunt(f)
    if loads is None or len(loads.index) == 0:
        return zs[:, None, None] * expansion.keep(seen).transfer(k2)
    if np.intersect1d(seen, loads.index).size:
        raise CallError("a port stands where a load is")
    plain = np.isinf(loads.capacitance) & (loads.resistance == 0) & (loads.inductance == 0)
    rest = np.flatnonzero(~plain)
    points = np.concatenate([seen, loads.index[rest], loads.index[plain]])
    count = len(seen) + len(rest)
    small = expansion.keep(points)
    small = small.shorted(np.arange(count, len(points)))
    if len(rest) == 0:
        return zs[:, None, None] * small.transfer(k2)
    attached = Loads(np.arange(len(rest)), loads.capacitance[rest], loads.resistance[rest], loads.inductance[rest])
    return np.array(list(_loaded(small, zs, k2, f, len(seen), attached)))


def _loaded(
    expansion: Expansion, zs: Complexes, k2: Complexes, f: Floats, ports: int, loads: Loads
) -> Iterator[Complexes]:
    """Z_oo - Z_ol (Z_ll + Z_load)^-1 Z_lo at each frequency; the first `ports` points are seen, the others loaded."""
    for row, frequency in enumerate(f):
        z = zs[row] * expansion.transfer(k2[row])[0]
        inner = z[ports:, ports:] + np.diag(loads.impedance(float(frequency)))
        yield z[:ports, :ports] - z[:ports, ports:] @ np.linalg.solve(inner, z[ports:, :ports])


def with_admittances(
    pair: Pair, expansion: Expansion, frequency: ArrayLike, ports: ArrayLike, admittance: Complexes
) -> Complexes:
    """Impedance matrix (f, o, o) in ohm at the points `ports` of an expansion over p points.

    admittance : (f, p) siemens of what hangs between the planes at each point, zero for nothing; ports may carry some
    and may be named twice.
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=float))
    seen = np.atleast_1d(np.asarray(ports, dtype=np.intp))
    zs, k2 = pair.series(f), -pair.series(f) * pair.shunt(f)
    out = np.empty((len(f), len(seen), len(seen)), dtype=complex)
    loaded = np.flatnonzero(np.any(admittance != 0, axis=0))
    one = np.eye(len(loaded))
    with one_thread():
        for row in range(len(f)):
            z = zs[row] * expansion.transfer(k2[row])[0]
            out[row] = z[np.ix_(seen, seen)]
            if len(loaded):
                y = admittance[row, loaded]
                inner = one + y[:, None] * z[np.ix_(loaded, loaded)]
                out[row] -= z[np.ix_(seen, loaded)] @ np.linalg.solve(inner, y[:, None] * z[np.ix_(loaded, seen)])
    return out
