"""The two matrices of a meshed cross-section: potential and normal field at its nodes from charge at its nodes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from quietcopper.fields import section_kernels as kernels
from quietcopper.fields.section_mesh import Mesh


def potential_matrix(mesh: Mesh) -> kernels.Floats:
    """Potential on the conductors' nodes (rows) from a unit charge per u at every node, shape (free_nodes, nodes)."""
    n, order = len(mesh.z), mesh.order
    u, w, powers, legendre = kernels.rule(order)
    weight = np.ones(n)
    infinite = mesh.power == 0
    weight.reshape(-1, order)[infinite] = u**2  # leaves out what is infinite for all targets alike
    targets = mesh.z[: mesh.free_nodes]
    out = kernels.far_ratios(mesh.kind, _scale(mesh), targets, mesh.z, weight)
    np.log(out, out=out)
    out *= mesh.weight * (-0.25 / math.pi)
    distinct, row = np.unique(mesh.power, return_inverse=True)
    blank = np.zeros((order, order))
    own = np.stack([kernels.self_potential(float(k), order) if k > 0 else blank for k in distinct])
    kernels.near_potentials(
        mesh.kind, _scale(mesh), targets, mesh.panel, mesh.start, mesh.step, mesh.power, mesh.centre, mesh.radius,
        own, row, mesh.z, u, w, powers, legendre, *kernels.PIECE, out,
    )  # fmt: skip
    return out


def field_matrix(mesh: Mesh, rows: NDArray[np.int64]) -> kernels.Floats:
    """Mean normal field, times the length per u, at the nodes `rows` from a unit charge per u at every node."""
    _, w, powers, legendre = kernels.rule(mesh.order)
    targets, normal = mesh.z[rows], mesh.normal[rows]
    out = kernels.far_fields(mesh.kind, _scale(mesh), targets, normal, mesh.z, mesh.weight)
    kernels.near_fields(
        mesh.kind, _scale(mesh), targets, normal, mesh.panel[rows], mesh.start, mesh.step, mesh.power, mesh.centre,
        mesh.radius, mesh.z, w, powers, legendre, *kernels.PIECE, out,
    )  # fmt: skip
    return out


def _scale(mesh: Mesh) -> float:
    return math.pi / mesh.plane_distance if mesh.kind == kernels.TWO_PLANES else 0.0
