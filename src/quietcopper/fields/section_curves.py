"""Field lines and equipotentials of a solved cross-section as curves, for pictures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString, Polygon

from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_charges import Complexes, Floats
from quietcopper.fields.section_edges import corners, height
from quietcopper.fields.section_field import FieldPicture
from quietcopper.fields.section_kernels import rule

LINES = 26  # field lines in all
LEVELS = (0.1, 0.2, 0.3, 0.45, 0.6, 0.8)  # of the highest voltage
PARTS = 8  # of a panel, between which flux is counted
GRID = (60, 45)  # points across and upward at which the potential is taken
_STEPS = 160
_STRIDE = 0.3  # of the distance to the nearest copper or plane
_NEAREST = 2e-3  # of the window's height: a line that comes so close to copper has arrived


@dataclass(frozen=True)
class Window:
    """The part of a section that is drawn, m: from left to right, from bottom to top."""

    left: float
    right: float
    bottom: float
    top: float

    @classmethod
    def around(cls, section: CrossSection) -> Window:
        """What matters to a section's lines: as much beside and above them as they are high over the lowest sheet."""
        total = height(section)
        left = min(s.x - s.width / 2 for s in section.lines)
        right = max(s.x + s.width / 2 for s in section.lines)
        highest = max(s.y + s.thickness for s in section.lines)
        beside = max(1.2 * max(total, highest), 0.8 * (right - left))
        lowest = min([0.0, *(s.y for s in (*section.lines, *section.grounds))])
        top = total if section.plane_above else highest + 0.8 * max(total, highest - lowest)
        bottom = 0.0 if section.plane_below else lowest - 0.5 * (highest - lowest)
        return cls(left - beside, right + beside, bottom, top)

    def clipped(self, lines: list[Floats]) -> list[Floats]:
        """The parts of polylines within the window."""
        inside = [shapely.clip_by_rect(LineString(p), self.left, self.bottom, self.right, self.top) for p in lines]
        parts = shapely.get_parts(inside)
        return [shapely.get_coordinates(part) for part in parts if part.length > 0]


@dataclass(frozen=True)
class Curves:
    """Polylines in m, each (points, 2). field_lines run from the higher potential to the lower."""

    field_lines: tuple[Floats, ...]
    equipotentials: tuple[Floats, ...]


@lru_cache(maxsize=256)
def curves(section: CrossSection, voltages: tuple[float, ...]) -> Curves:
    """The field of a section at given voltages (V, one for each line), everything else at 0 V, within its window.

    Between neighbouring field lines lies the same flux per metre of line. Raises OutOfRange as the solver does.
    """
    picture = FieldPicture.of(section, voltages, fine=False)
    window = Window.around(section)
    return Curves(
        tuple(window.clipped(_field_lines(picture, window))), tuple(window.clipped(_equipotentials(picture, window)))
    )


def _field_lines(picture: FieldPicture, window: Window) -> list[Floats]:
    section = picture.section
    copper = [Polygon([(c.real, c.imag) for c in corners(s)]) for s in (*section.lines, *section.grounds)]
    planes = [y for y, there in ((0.0, section.plane_below), (height(section), section.plane_above)) if there]
    start, sign = _starts(picture)
    solid = shapely.union_all([p for p in copper if p.area > 0] + [LineString(p.exterior) for p in copper])
    shapely.prepare(solid)

    def clearance(z: Complexes) -> Floats:
        gap: Floats = shapely.distance(solid, shapely.points(z.real, z.imag))
        for y in planes:
            gap = np.minimum(gap, np.abs(z.imag - y))
        return gap

    tall = window.top - window.bottom
    least, most = _NEAREST * tall, tall / 14
    z = start.copy()
    way = [z.copy()]
    alive = np.ones(len(z), dtype=np.bool_)
    for step in range(_STEPS):
        gap = clearance(z[alive])
        stride = np.clip(_STRIDE * gap, least, most)
        first = _along(picture, z[alive]) * sign[alive]
        second = _along(picture, z[alive] + first * stride / 2) * sign[alive]
        move = np.zeros(len(z), dtype=complex)
        move[alive] = np.where(np.isfinite(second), second, first) * stride
        z = z + move
        way.append(np.where(alive, z, complex(np.nan, np.nan)))
        inside = (z.real > window.left) & (z.real < window.right) & (z.imag > window.bottom) & (z.imag < window.top)
        alive &= inside & np.isfinite(z)
        rows = np.flatnonzero(alive)
        if step > 2 and len(rows):
            alive[rows] = clearance(z[rows]) > least
        if not alive.any():
            break
    out = []
    for k, column in enumerate(np.stack(way, axis=1)):
        points = column[np.isfinite(column)]
        if len(points) > 2:
            points = points if sign[k] > 0 else points[::-1]
            out.append(_plain(np.stack([points.real, points.imag], axis=-1), tall))
    return out


def _along(picture: FieldPicture, z: Complexes) -> Complexes:
    field = picture.field(z)
    size = np.abs(field)
    return field / np.where(size > 0, size, 1.0)


def _part_weights(order: int) -> Floats:
    """What each node of a panel gives to the charge of each of its `PARTS` equal parts in u, shape (order, PARTS)."""
    t = np.linspace(-1.0, 1.0, PARTS + 1)
    power = np.arange(1, order + 1)[:, None]
    moments = np.diff(t**power) / (2 * power)
    out: Floats = rule(order)[2].T @ moments
    return out


def _starts(picture: FieldPicture) -> tuple[Complexes, Floats]:
    """Places just outside the driven lines between which the same flux leaves, and +1 where it leaves, -1 enters."""
    mesh, panels = picture.mesh, picture.mesh.panels
    mine = slice(0, mesh.free_nodes // mesh.order)  # the panels of conductors come first
    of_part = np.repeat(panels.conductor[mine], PARTS)
    each = picture.charge[: mesh.free_nodes].reshape(-1, mesh.order) @ _part_weights(mesh.order)
    flux = (each * panels.er_left[mine, None]).ravel()
    along = ((np.arange(PARTS) + 0.5) / PARTS) ** panels.power[mine, None]
    at = (panels.start[mine, None] + panels.step[mine, None] * along).ravel()
    normal = np.repeat(panels.left[mine], PARTS)
    turned = picture.section.plane_above and not picture.section.plane_below  # the mesh is then upside down
    driven = [k for k, volt in enumerate(picture.voltages) if volt != 0]
    whole = sum(abs(float(flux[of_part == k].sum())) for k in driven)
    places: list[Complexes] = []
    signs: list[Floats] = []
    for k in driven:
        rows = np.flatnonzero(of_part == k)
        middle = at[rows].mean()
        rows = rows[np.argsort(np.angle((at[rows] - middle) * 1j), kind="stable")]  # from below, once round
        size = np.abs(flux[rows])
        part = np.cumsum(size) - size / 2
        count = max(2, round(LINES * float(size.sum()) / max(whole, 1e-300)))
        wanted = (np.arange(count) + 0.5) / count * size.sum()
        after = np.clip(np.searchsorted(part, wanted), 1, len(rows) - 1)
        share = np.clip((wanted - part[after - 1]) / (part[after] - part[after - 1]), 0.0, 1.0)
        one, two = rows[after - 1], rows[after]
        same = np.abs(normal[one] - normal[two]) < 1e-6  # not round a corner, where the chord lies in the copper
        share = np.where(same, share, np.round(share))
        chosen = np.where(share < 0.5, one, two)
        width = picture.section.lines[k].width / panels.unit
        z = at[one] + (at[two] - at[one]) * share + 0.01 * width * normal[chosen]
        z = z * panels.unit + panels.middle
        places.append(z.conj() + 1j * height(picture.section) if turned else z)
        signs.append(np.sign(flux[chosen]))
    return np.concatenate(places), np.concatenate(signs)


def _equipotentials(picture: FieldPicture, window: Window) -> list[Floats]:
    x = np.linspace(window.left, window.right, GRID[0])
    y = np.linspace(window.bottom, window.top, GRID[1])
    potential = np.nan_to_num(picture.potential(x[None, :] + 1j * y[:, None]))
    highest = max((abs(v) for v in picture.voltages), default=0.0)
    signs = {np.sign(v) for v in picture.voltages if v}
    out: list[Floats] = []
    for level in [s * level * highest for s in sorted(signs) for level in LEVELS]:
        out += [_plain(line, window.top - window.bottom) for line in contour(x, y, potential, level)]
    return out


def contour(x: Floats, y: Floats, value: Floats, level: float) -> list[Floats]:
    """Curves of equal value on a grid, each (points, 2), by straight pieces through its triangles.

    x (m,), y (n,) ascending, value (n, m).
    """
    corner = np.stack(np.broadcast_arrays(x[None, :], y[:, None], value), axis=-1)
    a, b, c, d = corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]
    triangles = np.concatenate([np.stack(t, axis=2).reshape(-1, 3, 3) for t in ((a, b, c), (a, c, d))])
    above = triangles[:, :, 2] > level
    triangles, above = (rows[above.any(axis=1) & ~above.all(axis=1)] for rows in (triangles, above))
    if not len(triangles):
        return []
    alone = np.argmax(above == (above.sum(axis=1) == 1)[:, None], axis=1)  # the corner on its own side of the level
    tip, *others = (triangles[np.arange(len(triangles)), (alone + k) % 3] for k in range(3))
    ends = []
    for other in others:
        share = (level - tip[:, 2]) / (other[:, 2] - tip[:, 2])
        ends.append(np.round(tip[:, :2] + (other[:, :2] - tip[:, :2]) * share[:, None], 10))
    pieces = shapely.linestrings(np.stack(ends, axis=1))
    merged = shapely.line_merge(MultiLineString(pieces[shapely.length(pieces) > 0].tolist()))
    return [shapely.get_coordinates(line) for line in shapely.get_parts(merged)]


def _plain(points: NDArray[np.float64], tall: float) -> Floats:
    """A polyline without the points that a drawing does not show."""
    return shapely.get_coordinates(shapely.simplify(LineString(points), tall / 1500))
