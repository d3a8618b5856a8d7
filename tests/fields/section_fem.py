"""The same cross-sections by finite elements (scikit-fem, P2 triangles on a graded grid in a grounded box).

Independent of the boundary elements in method, code and mesh: the oracle of test_section_fem.py and of the benchmark.
One plane below, equal trapezoids narrowed at the top, no mask; or rectangles with a mask of one thickness. The energy
of a conforming solution is never too low, so the capacitances come out too high, and the box adds to that.
"""

from __future__ import annotations

import itertools

import numpy as np
from skfem import Basis, ElementTriP2, MeshTri, condense, solve
from skfem.assembly import BilinearForm
from skfem.helpers import dot, grad

from quietcopper.fields.section import CrossSection
from quietcopper.units import EPS0

FAR = 400.0  # walls of the box, in trace heights


def graded(stops: list[float], finest: float, ratio: float) -> np.ndarray:
    """A grid through all stops, `finest` at each of them, growing by `ratio` away from them."""
    out = [stops[0]]
    for a, b in itertools.pairwise(stops):
        half, steps = (b - a) / 2, []
        size, reached = finest, 0.0
        while reached < half:
            steps.append(size)
            reached += size
            size *= ratio
        one = np.cumsum(steps) * (half / reached)
        out += list(a + one) + list(b - one[-2::-1]) + [b]
    return np.array(out)


def capacitance(section: CrossSection, *, finest: float, ratio: float) -> tuple[np.ndarray, np.ndarray, int]:
    """Maxwell capacitance (F/m) with and without the dielectrics, and the number of unknowns.

    finest : size of the elements at corners, m; ratio : their growth
    """
    lines, coat = section.lines, section.coat_above
    height = sum(s.thickness for s in section.sheets)
    low, high = lines[0].y, lines[0].y + lines[0].thickness
    assert section.plane_below
    assert not section.plane_above
    assert not section.grounds
    xs = sorted(s.x + sign * s.width / 2 for s in lines for sign in (-1, 1))
    ys = [low, high]
    if coat is not None:
        assert coat.over_copper == coat.over_laminate
        assert all(s.etch == 0 for s in lines)
        around = [s.x + sign * (s.width / 2 + coat.over_copper) for s in lines for sign in (-1, 1)]
        xs, ys = sorted([*xs, *around]), [low, low + coat.over_laminate, high, high + coat.over_copper]
    wall = FAR * height
    mesh = MeshTri.init_tensor(
        graded([xs[0] - wall, *xs, xs[-1] + wall], finest, ratio), graded([0.0, *sorted(ys), wall], finest, ratio)
    )
    x0, y0 = mesh.p
    basis_points = mesh.p[:, mesh.t].mean(axis=1)
    er = np.ones(mesh.t.shape[1])
    if coat is not None:
        x, y = basis_points
        masked = y < low + coat.over_laminate
        for s in lines:
            masked |= (np.abs(x - s.x) < s.width / 2 + coat.over_copper) & (y < high + coat.over_copper)
        er[masked] = coat.er
    bottom = 0.0
    for sheet in section.sheets:
        inside = (basis_points[1] > bottom) & (basis_points[1] < bottom + sheet.thickness)
        er[inside] = sheet.er
        bottom += sheet.thickness
    etch = lines[0].etch
    if etch:  # lean the sides: x moves at them, in proportion to the height above the trace's foot, and fades away
        rise = np.interp(y0, [low, high, high + 4 * (high - low)], [0.0, etch * (high - low), 0.0])
        knots, shift = [xs[0] - wall], [0.0]
        for s in sorted(lines, key=lambda s: s.x):
            knots += [s.x - s.width / 2, s.x + s.width / 2]
            shift += [1.0, -1.0]
        mesh = MeshTri(np.stack([x0 + rise * np.interp(x0, [*knots, xs[-1] + wall], [*shift, 0.0]), y0]), mesh.t)
    basis = Basis(mesh, ElementTriP2())
    held = [np.flatnonzero(_inside(basis.doflocs, s)) for s in lines]
    walls = basis.get_dofs().all()
    fixed = np.unique(np.concatenate([walls, *held]))
    out = []
    for permittivity in (er, np.ones_like(er)):

        @BilinearForm
        def energy(u, v, w, permittivity=permittivity):
            return permittivity[:, None] * dot(grad(u), grad(v))

        matrix = energy.assemble(basis)
        potentials = []
        for dofs in held:
            start = np.zeros(basis.N)
            start[dofs] = 1.0
            potentials.append(solve(*condense(matrix, x=start, D=fixed)))
        v = np.stack(potentials)
        out.append(EPS0 * (v @ (matrix @ v.T)))
    return out[0], out[1], int(basis.N)


def _inside(p: np.ndarray, strip) -> np.ndarray:
    lean = strip.etch * np.clip(p[1] - strip.y, 0, strip.thickness)
    within = np.abs(p[0] - strip.x) <= strip.width / 2 - lean + 1e-12
    return within & (p[1] >= strip.y - 1e-12) & (p[1] <= strip.y + strip.thickness + 1e-12)
