"""Direct current in copper: sheet resistance, what a trace may carry, and the way current takes on a shape.

Lengths in m, temperatures and temperature rises in K. Copper foil and plated copper differ from annealed copper by some
per cent, and fabricated thickness by 10 to 20 %: print the assumption beside the figure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike

from quietcopper.errors import CallError
from quietcopper.fields import plane_pair_solver as solver
from quietcopper.fields.plane_grid import Grid, rasterise
from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import COPPER_CONDUCTIVITY, MIL

TEMPERATURE_COEFFICIENT = 0.00393  # 1/K at 20 degrees, annealed copper: International Annealed Copper Standard, 1913
OUTER, INNER = 0.048, 0.024  # IPC-2221, constants of the current formula for outer and inner layers


def sheet_resistance(
    thickness: ArrayLike, conductivity: float = COPPER_CONDUCTIVITY, warmer: ArrayLike = 0.0
) -> Floats:
    """Resistance of a square, ohm, `warmer` K above 20 degrees (linear coefficient, good for -60 to +100 K)."""
    factor = 1 + TEMPERATURE_COEFFICIENT * checked("temperature above 20 degrees", warmer, -60.0, 100.0, open_low=False)
    return factor / (checked("conductivity", conductivity) * checked("thickness", thickness))


def trace_resistance(
    length: ArrayLike,
    width: ArrayLike,
    thickness: ArrayLike,
    conductivity: float = COPPER_CONDUCTIVITY,
    warmer: ArrayLike = 0.0,
) -> Floats:
    """Resistance of a straight trace of rectangular section, ohm. Exact."""
    squares = checked("length", length, open_low=False) / checked("width", width)
    return squares * sheet_resistance(thickness, conductivity, warmer)


def current_capacity(width: ArrayLike, thickness: ArrayLike, rise: ArrayLike, *, inner: bool) -> Floats:
    """Current at which a long trace warms by `rise` K, A: I = k rise^0.44 A^0.725 with the section A in square mil.

    IPC-2221, generic standard on printed board design, k 0.048 outer, 0.024 inner. Range of its charts: rise 10 to
    100 K, up to 35 A and 700 square mil (extrapolated to 3000 here, said by the caller); 10 to 20 %. IPC-2152
    replaces the halving for inner layers by charts from measurement: an inner trace with a plane near carries more
    than this (from memory).
    """
    area = checked("width", width) * checked("thickness", thickness) / MIL**2
    checked("section in square mil", area, 0.0, 3000.0)
    k = INNER if inner else OUTER
    return k * checked("temperature rise", rise, 1.0, 100.0, open_low=False) ** 0.44 * area**0.725


def width_for_current(current: ArrayLike, thickness: ArrayLike, rise: ArrayLike, *, inner: bool) -> Floats:
    """Width at which a long trace carries `current` with `rise` K, m: the inverse of `current_capacity`."""
    k = INNER if inner else OUTER
    dt = checked("temperature rise", rise, 1.0, 100.0, open_low=False)
    area = (checked("current", current) / (k * dt**0.44)) ** (1 / 0.725)
    checked("section in square mil", area, 0.0, 3000.0)
    return area * MIL**2 / checked("thickness", thickness)


@dataclass(frozen=True, eq=False)
class Sheet:
    """How a shape of copper conducts between p points. squares : (p, p) potential at each point per current into each
    other, in sheet resistances, against the first point that takes all current back (its row and column are zero).

    grid, potential : (nx, ny, p) the same on the grid, not-a-number off the copper
    """

    squares: Floats
    grid: Grid
    potential: Floats

    def drop(self, current: ArrayLike) -> Floats:
        """(p,) potential of each point against the first, in sheet resistances times ampere, for currents (p,) into
        the points; the first takes whatever remains."""
        return self.squares @ np.asarray(current, dtype=float)

    def density(self, current: ArrayLike) -> Floats:
        """(nx, ny) size of the sheet current density, A/m, for currents (p,) into the points as in `drop`."""
        v = self.potential @ np.asarray(current, dtype=float)
        x = np.where(self.grid.right > 0, np.diff(v, axis=0) * self.grid.right, np.nan) / self.grid.dx
        y = np.where(self.grid.up > 0, np.diff(v, axis=1) * self.grid.up, np.nan) / self.grid.dy
        return np.where(np.isnan(v), np.nan, np.hypot(_mean_of_faces(x, 0), _mean_of_faces(y, 1)))


def conduct(shape: shapely.Polygon, points: ArrayLike, radius: ArrayLike, cell: float | None = None) -> Sheet:
    """Solve the sheet between two or more round contacts.

    points : (p, 2) m; radius : (p,) or one figure; cell : width of a cell, by itself 20 000 cells on the copper
    The grid and its treatment of points are those of `plane_pair_solver`. Error 1 % for contacts a diameter away from
    edges and holes. Raises CallError for fewer than two points or a shape of more than one piece, OutOfRange for
    points outside the copper or that touch.
    """
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    if len(xy) < 2:
        raise CallError("direct current needs two points at least")
    a = np.broadcast_to(checked("contact radius", radius), len(xy)).astype(float)
    shape = solver.filled(shape, xy)
    grid = rasterise(shape, solver.cell_size(shape, 0.0) if cell is None else float(checked("cell size", cell)))
    stiffness, _, index = solver.assemble(grid)
    spread = solver.sources(grid, index, xy)
    # Current into each point and out of the first; the cell of largest share of the first is held at zero.
    drive = spread - spread[:, :1]
    hold = int(np.argmax(spread[:, 0]))
    free = np.delete(np.arange(len(drive)), hold)
    field = np.zeros_like(drive)
    field[free] = solver.Inverse(stiffness[free][:, free].tocsc())(drive[free])
    near = solver.unresolved(grid, xy, a)
    squares = drive.T @ field + near - near[:1] - near[:, :1] + near[0, 0]
    potential = field - spread[:, 0] @ field
    return Sheet(squares, grid, np.where(index[..., None] >= 0, potential[index], np.nan))


def _mean_of_faces(flow: Floats, axis: int) -> Floats:
    """Flow through the middle of each cell from that through its faces, closed faces and edges counting as zero."""
    edge = np.zeros([1 if i == axis else n for i, n in enumerate(flow.shape)])
    whole = np.concatenate([edge, np.nan_to_num(flow), edge], axis=axis)
    return (np.delete(whole, 0, axis) + np.delete(whole, -1, axis)) / 2
