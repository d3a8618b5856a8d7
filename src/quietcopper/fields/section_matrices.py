"""The two matrices of a meshed cross-section: potential and normal field at its nodes from charge at its nodes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from quietcopper.fields import section_kernels as kernels
from quietcopper.fields.section_mesh import Mesh


def potential_matrix(mesh: Mesh) -> kernels.Floats:
    """Potential on the conductors' nodes (rows) from a unit charge per u at every node, shape (free_nodes, nodes)."""
    panels, order = mesh.panels, mesh.order
    u, w, powers, legendre = kernels.rule(order)
    weight = np.ones((len(panels.power), order))
    weight[panels.power == 0] = u**2  # leaves out what is infinite for all targets alike
    targets = mesh.z[: mesh.free_nodes]
    out = kernels.far_ratios(panels.kind, _scale(mesh), targets, mesh.z, weight.ravel())
    np.log(out, out=out)
    out *= mesh.weight * (-0.25 / math.pi)
    distinct, row = np.unique(panels.power, return_inverse=True)
    blank = np.zeros((order, order))
    own = np.stack([kernels.self_potential(float(k), order) if k > 0 else blank for k in distinct])
    kernels.near_potentials(
        panels.kind, _scale(mesh), targets, mesh.panel, panels.start, panels.step, panels.power, own, row,
        mesh.z, u, w, powers, legendre, *kernels.PIECE, out,
    )  # fmt: skip
    return out


def field_matrix(mesh: Mesh, rows: NDArray[np.int64]) -> kernels.Floats:
    """Mean normal field, times the length per u, at the nodes `rows` from a unit charge per u at every node."""
    panels = mesh.panels
    _, w, powers, legendre = kernels.rule(mesh.order)
    targets, normal = mesh.z[rows], mesh.normal[rows]
    out = kernels.far_fields(panels.kind, _scale(mesh), targets, normal, mesh.z, mesh.weight)
    kernels.near_fields(
        panels.kind, _scale(mesh), targets, normal, mesh.panel[rows], panels.start, panels.step, panels.power,
        mesh.z, w, powers, legendre, *kernels.PIECE, out,
    )  # fmt: skip
    return out


def _scale(mesh: Mesh) -> float:
    panels = mesh.panels
    return math.pi / panels.plane_distance if panels.kind == kernels.TWO_PLANES else 0.0
