"""Modes of a plane pair by second-order triangles of scikit-fem: the independent reference for the grid solver."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.sparse.linalg import eigsh
from scipy.spatial import Delaunay
from skfem import Basis, BilinearForm, ElementTriP2, MeshTri
from skfem.helpers import dot, grad


def mesh(shape: shapely.Polygon, size: float) -> MeshTri:
    """Delaunay triangles between points along all edges and a triangular lattice inside."""
    rim = []
    for ring in shapely.get_rings(shape):
        count = max(int(np.ceil(ring.length / size)), 12)
        c = shapely.get_coordinates(shapely.segmentize(ring, ring.length / count * 1.0001))
        rim.append(c[:-1])
    west, south, east, north = shape.bounds
    row = size * np.sqrt(3) / 2
    y = np.arange(south, north, row)
    x = np.arange(west, east, size)
    lattice = np.stack(np.meshgrid(x, y, indexing="ij"), -1)
    lattice[:, 1::2, 0] += size / 2
    lattice = lattice.reshape(-1, 2)
    inner = shape.buffer(-0.6 * size)
    lattice = lattice[shapely.contains_xy(inner, lattice)]
    points = np.vstack([*rim, lattice])
    triangles = Delaunay(points).simplices
    centre = points[triangles].mean(axis=1)
    triangles = triangles[shapely.contains_xy(shape, centre)]
    p = points[triangles]
    one, two = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    area = 0.5 * np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    assert abs(area.sum() / shape.area - 1) < 1e-9, "the triangles do not follow the edges"
    used, triangles = np.unique(triangles[area > 1e-6 * size**2], return_inverse=True)
    return MeshTri(points[used].T.copy(), triangles.reshape(-1, 3).T.copy())


@BilinearForm
def _stiffness(u, v, _):  # type: ignore[no-untyped-def]
    return dot(grad(u), grad(v))


@BilinearForm
def _mass(u, v, _):  # type: ignore[no-untyped-def]
    return u * v


def eigenvalues(shape: shapely.Polygon, size: float, count: int) -> np.ndarray:
    """The first `count` eigenvalues above zero, 1/m2, with triangles of about `size` m. Lengths are scaled to 1."""
    scale = np.sqrt(shape.area)
    unit = shapely.transform(shape, lambda c: c / scale)
    basis = Basis(mesh(unit, size / scale), ElementTriP2())
    k, m = _stiffness.assemble(basis), _mass.assemble(basis)
    found = eigsh(k.tocsc(), count + 1, M=m.tocsc(), sigma=-1.0, return_eigenvectors=False)
    return np.sort(found)[1:] / scale**2
