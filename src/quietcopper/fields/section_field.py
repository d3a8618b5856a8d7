"""Potential and electric field in a solved cross-section, for pictures: equipotentials and field lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_charges import Complexes, Floats, field_at, potential_at, solve_charges
from quietcopper.fields.section_edges import check, height
from quietcopper.fields.section_mesh import Mesh, lay_panels, nodes
from quietcopper.fields.section_solver import COARSE, FINE

_ORDER = 4
_ASIDE = 1e-9 * (0.6 + 0.8j)  # mesh units; moves points off the ends of panels, where the integrals are infinite


@dataclass(frozen=True, eq=False)
class FieldPicture:
    """The field of a section at given voltages on its lines, everything else at 0 V.

    section, voltages : what was solved; charge (nodes,), offset : the solution in the mesh's own units
    """

    section: CrossSection
    voltages: tuple[float, ...]
    mesh: Mesh
    charge: Floats
    offset: float

    @classmethod
    def of(cls, section: CrossSection, voltages: ArrayLike, *, fine: bool = True) -> FieldPicture:
        """Solve a section for its field. Raises OutOfRange as the solver does.

        voltages : V, one for each line;  fine : for figures, else for curves that are looked at
        """
        volts = np.atleast_1d(np.asarray(voltages, dtype=float))
        if volts.shape != (len(section.lines),):
            raise OutOfRange(f"{len(section.lines)} lines need as many voltages, got {volts.size}")
        check(section)
        how = FINE if fine else COARSE
        mesh = nodes(lay_panels(section, how.growth, how.tip), _ORDER)
        charges = solve_charges(mesh)
        return cls(section, tuple(volts.tolist()), mesh, charges.loaded @ volts, float(charges.offset @ volts))

    def at(self, points: ArrayLike) -> tuple[Floats, Complexes]:
        """Potential (V) and field Ex + jEy (V/m) at points x + jy (m), any shape; nan beyond the planes.

        Inside a conductor the potential is that of its surface and the field all but 0; on a surface the field is the
        mean of both sides.
        """
        return self.potential(points), self.field(points)

    def potential(self, points: ArrayLike) -> Floats:
        """The potential alone, see `at`."""
        own, inside, _ = self._in_mesh(points)
        potential = potential_at(self.mesh, own, self.charge) + self.offset
        return np.where(inside, potential, np.nan)

    def field(self, points: ArrayLike) -> Complexes:
        """The field alone, see `at`."""
        own, inside, turned = self._in_mesh(points)
        field = field_at(self.mesh, own, self.charge) / self.mesh.panels.unit
        if turned:
            field = field.conj()
        return np.where(inside, field, complex(np.nan, np.nan))

    def _in_mesh(self, points: ArrayLike) -> tuple[Complexes, NDArray[np.bool_], bool]:
        """Points in the mesh's own unit and origin, which of them lie between the planes, and whether the mesh is
        upside down."""
        places = np.asarray(points, dtype=complex)
        panels, section = self.mesh.panels, self.section
        top = height(section)
        turned = section.plane_above and not section.plane_below
        inside = np.ones(places.shape, dtype=bool)
        if section.plane_below:
            inside &= places.imag >= 0
        if section.plane_above:
            inside &= places.imag <= top
        upright = places.conj() + 1j * top if turned else places
        return np.where(inside, (upright - panels.middle) / panels.unit, 0.5j) + _ASIDE, inside, turned
