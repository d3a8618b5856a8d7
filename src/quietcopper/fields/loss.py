"""Losses of lines: skin effect with the solved current crowding, rough copper, dielectrics that disperse.

Conductor loss takes the current of a perfect conductor on every face (the charge of the same section without
dielectrics) and charges it the surface resistance: R_ij = Rs ∮ J_i J_j dl over lines, grounds and planes. Valid where
the skin depth is small against width and thickness; towards direct current it is joined to the resistance of the
copper's area by R = sqrt(Rdc² + Rac²).

Dielectrics: all materials follow one wideband Debye law, so that every permittivity is its stated value times
1 + tan_d·s with one complex s(f) for all. The capacitance as a function of s is solved at three real s and continued.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Complexes, Floats, checked
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_charges import Charges, field_at, solve_charges
from quietcopper.fields.section_edges import check
from quietcopper.fields.section_kernels import FREE, ONE_PLANE, TWO_PLANES, rule
from quietcopper.fields.section_mesh import lay_panels, nodes
from quietcopper.fields.section_solver import COARSE, FINE
from quietcopper.units import EPS0, MU0

DB_PER_NEPER = 20 / math.log(10)
_ORDER = 4  # of the panels; 1e-5 in the matrices, see the tests of section_solver
_QUICK_ORDER = 3  # of coarse panels in `loop`
_STEP = 0.02  # largest relative change of a permittivity in the three solutions
LOW_RELAXATION, HIGH_RELAXATION = 1e3, 1e12  # Hz; Svensson's model is insensitive to both inside them


def skin_depth(frequency: ArrayLike, conductivity: ArrayLike) -> Floats:
    """Depth at which the current has fallen to 1/e, m: 1/sqrt(π f mu0 σ). Exact for a flat conductor."""
    return 1 / np.sqrt(np.pi * checked("frequency", frequency) * MU0 * checked("conductivity", conductivity))


def surface_resistance(frequency: ArrayLike, conductivity: ArrayLike) -> Floats:
    """Resistance of a square, ohm: 1/(σ·depth). Exact for a flat conductor thicker than some skin depths."""
    return 1 / (np.asarray(conductivity, dtype=float) * skin_depth(frequency, conductivity))


def roughness_hammerstad(roughness: ArrayLike, depth: ArrayLike) -> Floats:
    """Loss on rough copper over that on smooth: 1 + (2/π) atan(1.4 (Rq/depth)²), at most 2.

    roughness : root mean square height Rq, m. Hammerstad and Jensen, MTT-S 1980 (from memory). Above some 5 GHz on
    very rough foil the loss is larger than this.
    """
    rq = checked("roughness", roughness, open_low=False)
    return 1 + 2 / np.pi * np.arctan(1.4 * (rq / checked("skin depth", depth)) ** 2)


def roughness_groiss(roughness: ArrayLike, depth: ArrayLike) -> Floats:
    """Loss on rough copper over that on smooth: 1 + exp(−(depth/2Rq)^1.6), at most 2; Groiss 1996 (from memory)."""
    rq = checked("roughness", roughness)
    return 1 + np.exp(-((checked("skin depth", depth) / (2 * rq)) ** 1.6))


@dataclass(frozen=True)
class WidebandDebye:
    """A dielectric whose loss tangent is nearly constant over decades: er = high + slope·ln((f2 + jf)/(f1 + jf)).

    Djordjevic, Biljic, Likar-Smiljanic and Sarkar, IEEE Trans. EMC 43(4), 2001. Fitted through one stated point.
    """

    high: float
    slope: float

    @classmethod
    def through(cls, er: float, tan_d: float, frequency: float) -> WidebandDebye:
        """The law that has this permittivity and loss tangent at `frequency` (Hz)."""
        shape = complex(_relaxation(checked("frequency", frequency)))
        slope = float(checked("er", er) * checked("loss tangent", tan_d, open_low=False)) / -shape.imag
        return cls(high=er - slope * shape.real, slope=slope)

    def permittivity(self, frequency: ArrayLike) -> Complexes:
        """Complex relative permittivity er' − j er''."""
        return self.high + self.slope * _relaxation(checked("frequency", frequency))


def _relaxation(frequency: ArrayLike) -> Complexes:
    f = np.asarray(frequency, dtype=float)
    return np.log((HIGH_RELAXATION + 1j * f) / (LOW_RELAXATION + 1j * f))


def _dispersion(frequency: ArrayLike, stated_at: float) -> Complexes:
    """s(f): relative change of a permittivity with loss tangent 1, against its real value at `stated_at`."""
    there = complex(_relaxation(stated_at))
    out: Complexes = (_relaxation(frequency) - there.real) / -there.imag
    return out


def dielectric_attenuation(frequency: ArrayLike, er: ArrayLike, tan_d: ArrayLike) -> Floats:
    """Attenuation of a wave wholly in one dielectric, Np/m: π f sqrt(er) tan_d / c. Exact for small tan_d."""
    f = checked("frequency", frequency)
    return np.pi * f * np.sqrt(checked("er", er, low=1, open_low=False) * EPS0 * MU0) * np.asarray(tan_d, dtype=float)


@dataclass(frozen=True, eq=False)
class LossyLines:
    """A cross-section prepared for any frequency.

    external_inductance : (n, n) H/m, current on the surface
    crowding : (n, n) 1/m, ∮ J_i J_j dl for 1 A on lines i and j: times the surface resistance, ohm/m
    plane_crowding : (n, n) 1/m, the part of it on unbroken planes
    direct : (n,) m², copper area of each line
    capacitance : (3, n, n) F/m, coefficients of s^0, s^1, s^2
    stated_at : Hz, the frequency at which the sheets' er and tan_d hold
    """

    section: CrossSection
    external_inductance: Floats
    crowding: Floats
    plane_crowding: Floats
    direct: Floats
    capacitance: Floats
    conductivity: float
    roughness: float
    stated_at: float
    roughness_factor: Callable[[ArrayLike, ArrayLike], Floats]

    def at(self, frequency: ArrayLike) -> LineConstants:
        """Resistance, inductance, conductance and capacitance at each frequency (Hz, above 0)."""
        f = np.atleast_1d(checked("frequency", frequency))[:, None, None]
        depth = skin_depth(f, self.conductivity)
        skin = self.crowding * surface_resistance(f, self.conductivity) * self.roughness_factor(self.roughness, depth)
        direct = np.diag(1 / (self.conductivity * self.direct))
        s = _dispersion(f, self.stated_at)
        c = self.capacitance[0] + s * (self.capacitance[1] + s * self.capacitance[2])
        omega = 2 * np.pi * f
        resistance = np.where(direct > 0, np.sqrt(direct**2 + skin**2), skin)
        return LineConstants(
            frequency=f[:, 0, 0],
            resistance=resistance,
            # the field inside the copper adds as much reactance as resistance, never more than it has at low frequency
            inductance=self.external_inductance + skin / omega * (skin / resistance),
            conductance=omega * np.abs(c.imag),  # the abs only turns −0 to 0
            capacitance=c.real,
        )


@dataclass(frozen=True, eq=False)
class LineConstants:
    """Per-unit-length matrices over frequency: (frequencies, n, n); ohm/m, H/m, S/m, F/m."""

    frequency: Floats
    resistance: Floats
    inductance: Floats
    conductance: Floats
    capacitance: Floats

    def propagation(self, line: int = 0) -> Complexes:
        """Attenuation + j phase of one line, the others quiet, 1/m, shape (frequencies,)."""
        series, shunt = self._immittances(line)
        return np.sqrt(series * shunt)

    def impedance(self, line: int = 0) -> Complexes:
        """Complex characteristic impedance of one line, the others quiet, ohm, shape (frequencies,)."""
        series, shunt = self._immittances(line)
        return np.sqrt(series / shunt)

    def attenuation(self, line: int = 0) -> tuple[Floats, Floats]:
        """Conductor and dielectric part, Np/m: R/2Z and G·Z/2 with the lossless Z (low-loss form)."""
        z = np.sqrt(self.inductance[:, line, line] / self.capacitance[:, line, line])
        return self.resistance[:, line, line] / (2 * z), self.conductance[:, line, line] * z / 2

    def _immittances(self, line: int) -> tuple[Complexes, Complexes]:
        jw = 2j * np.pi * self.frequency
        at = (slice(None), line, line)
        return self.resistance[at] + jw * self.inductance[at], self.conductance[at] + jw * self.capacitance[at]


def lossy(
    section: CrossSection,
    *,
    conductivity: float,
    roughness: float,
    stated_at: float,
    roughness_factor: Callable[[ArrayLike, ArrayLike], Floats] = roughness_hammerstad,
) -> LossyLines:
    """Solve a section for its losses.

    conductivity : S/m, of all copper; roughness : Rq, m, of all faces (0 for smooth)
    stated_at : Hz, where the sheets' permittivity and loss tangent hold
    roughness_factor : loss on rough over that on smooth copper, of roughness and skin depth
    Raises OutOfRange for conductors without thickness: their loss is not finite.
    """
    check(section)
    if any(strip.thickness == 0 for strip in section.lines + section.grounds):
        raise OutOfRange("conductor loss needs copper with a thickness")
    checked("conductivity", conductivity)
    checked("roughness", roughness, open_low=False)
    inductance, crowding, plane_crowding = _loops(_solved(_without_dielectrics(section)))
    return LossyLines(
        section=section,
        external_inductance=inductance,
        crowding=crowding,
        plane_crowding=plane_crowding,
        direct=np.array([s.thickness * (s.width - s.etch * s.thickness) for s in section.lines]),
        capacitance=_capacitance_series(section),
        conductivity=conductivity,
        roughness=roughness,
        stated_at=float(checked("frequency", stated_at)),
        roughness_factor=roughness_factor,
    )


def loop(section: CrossSection, line: int = 0) -> tuple[float, float]:
    """Inductance (H/m, current on the surface) and crowding (1/m; times the surface resistance, ohm/m) of one line's
    loop, the others open; dielectrics do not matter. Good to 1e-4, so that two sections that differ in a plane's edge
    may be subtracted. Kept by the section's content.

    Raises OutOfRange for conductors without thickness: their loss is not finite.
    """
    plain, lines = _without_dielectrics(section).canonical()
    inductance, crowding = _kept_loops(plain)
    own = lines.index(line)
    return float(inductance[own, own]), float(crowding[own, own])


@lru_cache(maxsize=1 << 12)
def _kept_loops(section: CrossSection) -> tuple[Floats, Floats]:
    check(section)
    if any(strip.thickness == 0 for strip in section.lines + section.grounds):
        raise OutOfRange("conductor loss needs copper with a thickness")
    mesh = nodes(lay_panels(section, COARSE.growth, COARSE.tip), _QUICK_ORDER)
    return _loops(solve_charges(mesh))[:2]


def _loops(bare: Charges) -> tuple[Floats, Floats, Floats]:
    """External inductance, H/m, and crowding, 1/m, of all copper and of the planes alone, (n, n) each."""
    copper, planes = _crowding(bare)
    c0 = (bare.bare_capacitance + bare.bare_capacitance.T) / 2
    # volts on the lines that put one unit of charge, so of current, on one of them
    per_ampere = np.asarray(np.linalg.inv(c0), dtype=np.float64)
    return MU0 * per_ampere, per_ampere @ (copper + planes) @ per_ampere, per_ampere @ planes @ per_ampere


def loss_tangent(section: CrossSection, line: int = 0) -> float:
    """Effective loss tangent of a line: each dielectric's own, weighted with the share of energy in it."""
    value, slope, _ = _capacitance_series(section)[:, line, line]
    return float(slope / value)


def _solved(section: CrossSection) -> Charges:
    return solve_charges(nodes(lay_panels(section, FINE.growth, FINE.tip), _ORDER))


def _without_dielectrics(section: CrossSection) -> CrossSection:
    sheets = tuple(replace(s, er=1.0, tan_d=0.0) for s in section.sheets)
    return replace(section, sheets=sheets, coat_above=None)


def _capacitance_series(section: CrossSection) -> Floats:
    """Capacitance (F/m) as a polynomial in s, all permittivities being er·(1 + tan_d·s): (3, n, n)."""
    coat = section.coat_above
    worst = max([s.tan_d for s in section.sheets] + ([coat.tan_d] if coat is not None else []), default=0.0)

    def at(s: float) -> Floats:
        sheets = tuple(replace(d, er=d.er * (1 + d.tan_d * s)) for d in section.sheets)
        changed = None if coat is None else replace(coat, er=coat.er * (1 + coat.tan_d * s))
        c = _solved(replace(section, sheets=sheets, coat_above=changed)).capacitance
        return EPS0 * (c + c.T) / 2

    if worst == 0:
        middle = at(0.0)
        return np.stack([middle, np.zeros_like(middle), np.zeros_like(middle)])
    step = _STEP / worst
    low, middle, high = at(-step), at(0.0), at(step)
    return np.stack([middle, (high - low) / (2 * step), (high + low - 2 * middle) / (2 * step**2)])


def _crowding(bare: Charges) -> tuple[Floats, Floats]:
    """∮ q_i q_j dl for one volt on lines i and j, 1/m: over all conductors, and over the planes; (lines, lines)."""
    mesh = bare.mesh
    panels = mesh.panels
    copper = np.zeros((panels.lines, panels.lines))
    # ∫ g² u^(1−k) du / (k L) on a panel with length L u^k; u = v^m with m = 1/(2 − k) takes the infinite weight away
    on_metal = np.flatnonzero(panels.conductor >= 0)
    v, weight = np.polynomial.legendre.leggauss(4 * mesh.order)
    v, weight = (v + 1) / 2, weight / 2
    _, _, _, legendre = rule(mesh.order)
    for k in np.unique(panels.power[on_metal]):
        members = on_metal[panels.power[on_metal] == k]
        m = 1 / (2 - k)
        basis = np.polynomial.legendre.legvander(2 * v**m - 1, mesh.order - 1) @ legendre
        at_nodes = bare.bare.reshape(-1, mesh.order, panels.lines)[members]
        there = np.einsum("vj,pjl->pvl", basis, at_nodes)
        scale = m / (k * np.abs(panels.step[members]))
        copper += np.einsum("p,v,pvi,pvj->ij", scale, weight, there, there)
    planes = np.zeros_like(copper)
    for height in {FREE: (), ONE_PLANE: (0.0,), TWO_PLANES: (0.0, panels.plane_distance)}[panels.kind]:
        points, w = _plane_points(bare, height)
        density = np.stack([field_at(mesh, points, _padded(bare, i)).imag for i in range(panels.lines)])
        planes += (density * w) @ density.T
    return copper / panels.unit, planes / panels.unit


def _padded(bare: Charges, line: int) -> Floats:
    out: Floats = np.zeros(len(bare.mesh.z))
    out[: bare.mesh.free_nodes] = bare.bare[:, line]
    return out


def _plane_points(bare: Charges, height: float) -> tuple[Complexes, Floats]:
    """Gauss points x + j·height and weights along a plane, on pieces that grow away from the corners above it."""
    panels = bare.mesh.panels
    z = panels.start[panels.conductor >= 0]
    gap = float(np.abs(z.imag - height).min())
    offsets = gap * np.concatenate([[0.0], 2.0 ** np.arange(-1, 9)])
    ends = np.unique(np.round(np.concatenate([z.real[:, None] + offsets, z.real[:, None] - offsets]).ravel(), 9))
    # ends of many panels lie close together where nothing happens on the plane: half the gap is fine enough
    kept = [ends[0]]
    for e in ends[1:]:
        if e - kept[-1] > 0.5 * gap:
            kept.append(e)
    ends = np.array(kept)
    t, w = np.polynomial.legendre.leggauss(8)
    half = np.diff(ends) / 2
    points = ((ends[:-1, None] + half[:, None] * (t + 1)).ravel() + 1j * height).astype(np.complex128)
    return points, (half[:, None] * w).ravel()
