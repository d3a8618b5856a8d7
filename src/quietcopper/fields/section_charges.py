"""The boundary element equations of a meshed cross-section: charges for one volt on each line, and their matrices.

Unknown is the total (free and polarisation) charge on every conductor face and dielectric boundary, over eps0. On a
conductor the potential is given; across a boundary the normal displacement is continuous:
    (er_left − er_right)·En + (er_left + er_right)/2·q = 0,  En the mean normal field.
Without dielectrics the conductors' rows and columns alone are the equations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgesv

from quietcopper.errors import OutOfRange
from quietcopper.fields import section_kernels as kernels
from quietcopper.fields.section_kernels import FREE, Complexes, Floats
from quietcopper.fields.section_mesh import Mesh


@dataclass(frozen=True, eq=False)
class Charges:
    """Charges at 1 V on one line after the other, all else at 0 V; columns are lines.

    loaded : (nodes, lines), total charge over eps0 per u at every node, with the dielectrics
    bare : (free_nodes, lines), the same without them
    offset : (lines,), constant part of the potential with the dielectrics; 0 unless there is no plane
    capacitance, bare_capacitance : (lines, lines), Maxwell form over eps0, as computed (not made symmetric)
    """

    mesh: Mesh
    loaded: Floats
    bare: Floats
    offset: Floats
    capacitance: Floats
    bare_capacitance: Floats


def solve_charges(mesh: Mesh) -> Charges:
    """Raises OutOfRange when the equations are singular."""
    panels = mesh.panels
    n, nc = len(mesh.z), mesh.free_nodes
    free = int(panels.kind == FREE)
    left, right = mesh.per_node(panels.er_left), mesh.per_node(panels.er_right)
    conductor = mesh.per_node(panels.conductor)[:nc]
    thin = ~np.isnan(right[:nc])
    shared = np.flatnonzero(thin & (left[:nc] != right[:nc]))
    rows = np.concatenate([np.arange(nc, n), shared])
    normal_field = _field_matrix(mesh, mesh.z[rows], mesh.normal[rows], mesh.panel[rows])
    a = np.zeros((n + free, n + free), order="F")
    a[:nc, :n] = _potential_matrix(mesh, mesh.z[:nc], mesh.panel[:nc])
    jump = (left[nc:] - right[nc:]) / (left[nc:] + right[nc:])
    np.multiply(jump[:, None], normal_field[: n - nc], out=a[nc:n, :n])
    a[np.arange(nc, n), np.arange(nc, n)] += 0.5
    gather = np.zeros((panels.conductors, n))  # free charge of each conductor from all total charges
    outside = np.where(thin, (left[:nc] + np.where(thin, right[:nc], 0)) / 2, left[:nc])
    gather[conductor, np.arange(nc)] = outside * mesh.weight[:nc]
    for k, i in enumerate(shared):  # a thin strip between two media: its two faces share the charge unequally
        gather[conductor[i]] += mesh.weight[i] * (left[i] - right[i]) * normal_field[n - nc + k]
    potentials = (conductor[:, None] == np.arange(panels.lines)).astype(float)
    b = np.zeros((n + free, panels.lines), order="F")
    b[:nc] = potentials
    if n > nc or len(shared):
        bare = np.zeros((nc + free, nc + free), order="F")
        bare[:nc, :nc] = a[:nc, :nc]
        b_bare = np.zeros((nc + free, panels.lines), order="F")
        b_bare[:nc] = potentials
        if free:
            bare[:nc, nc] = 1.0
            bare[nc, :nc] = mesh.weight[:nc]
        charge_bare = _linear_solve(bare, b_bare)[:nc]
    if free:  # no plane: the potential has an unknown constant, and the conductors' charges sum to nothing
        a[:nc, n] = 1.0
        a[n, :n] = gather.sum(axis=0)
    loaded = _linear_solve(a, b)
    if n == nc and not len(shared):  # one dielectric everywhere puts the same charges, total and free in one ratio
        charge_bare = loaded[:nc]
    return Charges(
        mesh=mesh,
        loaded=loaded[:n],
        bare=charge_bare,
        offset=loaded[n] if free else np.zeros(panels.lines),
        capacitance=gather[: panels.lines] @ loaded[:n],
        bare_capacitance=(potentials.T * mesh.weight[:nc]) @ charge_bare,
    )


def potential_at(mesh: Mesh, points: Complexes, charge: Floats) -> Floats:
    """Potential, V, of a charge at the nodes (nodes,) at points in the mesh's own unit and origin, shape of points."""
    nowhere = np.full(points.size, -1)
    out: Floats = _potential_matrix(mesh, points.ravel(), nowhere) @ charge
    return out.reshape(points.shape)


def field_at(mesh: Mesh, points: Complexes, charge: Floats) -> Complexes:
    """Ex + jEy, V per mesh unit, of a charge at the nodes (nodes,) at points in the mesh's own unit and origin."""
    flat = points.ravel()
    nowhere = np.full(flat.size, -1)
    ones = np.ones(flat.size, dtype=complex)
    along = [_field_matrix(mesh, flat, direction * ones, nowhere) @ charge for direction in (1, 1j)]
    out: Complexes = (along[0] + 1j * along[1]).reshape(points.shape)
    return out


def _potential_matrix(mesh: Mesh, targets: Complexes, panel_of: NDArray[np.int64]) -> Floats:
    """Potential at the targets from a unit charge per u at every node, shape (targets, nodes).

    panel_of : the panel that the target is a node of, nodes in order; -1 for places off all panels
    """
    panels, order = mesh.panels, mesh.order
    u, w, powers, legendre = kernels.rule(order)
    weight = np.ones((len(panels.power), order))
    weight[panels.power == 0] = u**2  # leaves out what is infinite for all targets alike
    out = kernels.far_ratios(panels.kind, _scale(mesh), targets, mesh.z, weight.ravel())
    np.log(out, out=out)
    out *= mesh.weight * (-0.25 / math.pi)
    distinct, row = np.unique(panels.power, return_inverse=True)
    blank = np.zeros((order, order))
    own = np.stack([kernels.self_potential(float(k), order) if k > 0 else blank for k in distinct])
    kernels.near_potentials(
        panels.kind, _scale(mesh), targets, panel_of, panels.start, panels.step, panels.power,
        mesh.z, w, powers, legendre, *kernels.PIECE, out, own, row, u, np.empty((2, order)),
    )  # fmt: skip
    return out


def _field_matrix(mesh: Mesh, targets: Complexes, direction: Complexes, panel_of: NDArray[np.int64]) -> Floats:
    """Field along `direction` (its length included) at the targets from a unit charge per u at every node; on a
    target's own panel the mean of both sides. Shape (targets, nodes)."""
    panels = mesh.panels
    _, w, powers, legendre = kernels.rule(mesh.order)
    out = kernels.far_fields(panels.kind, _scale(mesh), targets, direction, mesh.z, mesh.weight)
    kernels.near_fields(
        panels.kind, _scale(mesh), targets, panel_of, panels.start, panels.step, panels.power,
        mesh.z, w, powers, legendre, *kernels.PIECE, out, direction, np.empty((3, mesh.order), dtype=complex),
    )  # fmt: skip
    return out


def _scale(mesh: Mesh) -> float:
    panels = mesh.panels
    return math.pi / panels.plane_distance if panels.kind == kernels.TWO_PLANES else 0.0


def _linear_solve(a: Floats, b: Floats) -> Floats:
    _, _, x, info = dgesv(a, b, overwrite_a=1, overwrite_b=1)
    if info != 0:
        raise OutOfRange("the equations of a cross-section are singular")
    out: Floats = x
    return out
