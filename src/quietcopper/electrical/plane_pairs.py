"""Plane pairs of a board as they are solved: shape, materials, ties, the capacitors on them, impedance at pins.

For whoever wants the impedance of a supply (stable interface):

    plane_pairs(view)                                   every pair, largest capacitance first; kept in view.plane_pairs
    impedance_at_pins(view, pins, frequency, without=…) what pins of one supply net see of their planes: PinImpedance
    PinImpedance.alone, .together                       ohm over frequency, each pin by itself, all of them in parallel
    PinImpedance.capacitors                             the capacitors that were counted, with their mounting
    PlanePair.capacitors, .ties, .material, .shape      the parts of it
    pair_modes(view, pair)                              resonances with ties and capacitors: frequency, quality, shape
    as_ground(view, pair)                               the same pair were its supply side ground and tied throughout

A pair is one connected piece of two facing areas. Its edges are open, so what passes over the gap of a split plane, or
round the outer edge to another pair, is left out; so are other pairs in parallel with it (both leave the impedance
high). Regulators and the parts' own capacitance are left out as well.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from quietcopper.board import Board
from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.laminate import sheets_between
from quietcopper.electrical.legs import Mounted, leg_of, loop_inductance, mounted_capacitors
from quietcopper.electrical.tables import GROUND
from quietcopper.errors import OutOfRange
from quietcopper.fields import plane_pair_solver as solver
from quietcopper.fields.cavity import Expansion, Pair, with_admittances
from quietcopper.fields.limits import upper_frequency
from quietcopper.units import EPS0, MM, MU0

if TYPE_CHECKING:
    from quietcopper.electrical.view import View

Complexes = NDArray[np.complex128]

SMALLEST = 10e-6  # m2; smaller pieces are the rims of openings and the copper beside pads
CELLS = 5000  # on a piece: modes to 1 %, less than what is known of a laminate
LEAST_WAY = 0.25  # wavelengths; copper whose edge is shorter than twice this has no mode
DRAWN = 64  # cells along the longer side of a mode's picture


@dataclass(frozen=True, eq=False)
class PlanePair:
    """One connected piece of two facing areas.

    upper, lower : rows in board.areas; upper_layer, lower_layer; facing : row in view.facing
    shape : facing copper, m, openings of either side as holes; area : m2; material : spacing, er, losses
    ties : rows in board.vias of the holes that join both areas within the piece
    capacitors : that join the two areas here; added : (n, 3) x, y, radius in m, of ties that do not exist yet
    """

    upper: int
    lower: int
    upper_layer: int
    lower_layer: int
    facing: int
    shape: shapely.Polygon
    area: float
    material: Pair
    ties: Ints
    capacitors: tuple[Mounted, ...]
    added: Floats = field(default_factory=lambda: np.empty((0, 3)))

    def places(self, board: Board) -> Floats:
        """(t, 3) x, y, radius of all ties, m; of holes that overlap one stands for all."""
        vias = board.vias
        real = np.stack([vias.x[self.ties], vias.y[self.ties], vias.drill[self.ties] / 2], -1)
        every = np.vstack([real, self.added])
        reach = 2 * float(every[:, 2].max(initial=0.0))
        close = cKDTree(every[:, :2]).query_pairs(reach, output_type="ndarray") if len(every) else np.empty((0, 2), int)
        one, two = close[np.lexsort((close[:, 1], close[:, 0]))].T
        touch = np.hypot(*(every[one, :2] - every[two, :2]).T) < every[one, 2] + every[two, 2]
        kept = np.ones(len(every), dtype=np.bool_)
        for first, second in zip(one[touch].tolist(), two[touch].tolist(), strict=True):
            if kept[first]:
                kept[second] = False
        return every[kept]

    @property
    def capacitance(self) -> float:
        """F, without fringes."""
        return float(self.material.capacitance(self.area))

    def holds(self, x: float, y: float) -> bool:
        """Whether a place lies within the outer edge (the openings count as inside)."""
        return bool(shapely.intersects_xy(self.whole, x, y))

    @cached_property
    def whole(self) -> shapely.Polygon:
        """The shape without its openings, prepared."""
        whole = shapely.Polygon(self.shape.exterior)
        shapely.prepare(whole)
        return whole


def plane_pairs(view: View) -> tuple[PlanePair, ...]:
    """Every plane pair of at least `SMALLEST`, largest capacitance first. Nothing is solved yet."""
    board, facing = view.board, view.facing
    out = []
    for row in np.flatnonzero(facing.area >= SMALLEST).tolist():
        upper, lower = int(facing.upper[row]), int(facing.lower[row])
        parts = [p for p in shapely.get_parts(facing.shape(row)).tolist() if p.area >= SMALLEST]
        if not parts:
            continue
        material = _material(board, int(facing.upper_layer[row]), int(facing.lower_layer[row]))
        both = np.intersect1d(view.vias_on(upper), view.vias_on(lower))
        capacitors = mounted_capacitors(view, upper, lower)
        for part in parts:
            whole = shapely.Polygon(part.exterior)
            shapely.prepare(whole)
            inside = shapely.intersects_xy(whole, board.vias.x[both], board.vias.y[both])
            here = tuple(c for c in capacitors if shapely.intersects_xy(whole, c.x, c.y))
            ends = int(facing.upper_layer[row]), int(facing.lower_layer[row])
            out.append(PlanePair(upper, lower, *ends, row, part, part.area, material, both[inside], here))
    return tuple(sorted(out, key=lambda p: (-round(p.capacitance, 15), p.upper, p.lower, p.shape.bounds)))


def _material(board: Board, upper: int, lower: int) -> Pair:
    """The sheets between two layers in series; the thinner and the worse of the two coppers stands for both."""
    sheets = sheets_between(board, upper, lower)
    share = np.array([sheet.thickness / sheet.er for sheet in sheets])
    distance = board.distance(upper, lower)
    loss = float(np.dot(share, [sheet.tan_d for sheet in sheets]) / share.sum())
    layers = board.layers[upper], board.layers[lower]
    return Pair(
        distance,
        distance / float(share.sum()),
        loss,
        min(layer.conductivity for layer in layers),
        min(layer.thickness for layer in layers),
    )


@dataclass(frozen=True, eq=False)
class PinImpedance:
    """What pins of one net see of their plane pair.

    frequency : (f,) Hz; pins : (p,) rows in board.pins; z : (f, p, p) ohm between the places where the pins' current
    enters the pair; connection : (p,) H, of the loop between pin and planes, not in z
    capacitors : counted in z
    """

    pair: PlanePair
    frequency: Floats
    pins: Ints
    z: Complexes
    connection: Floats
    capacitors: tuple[Mounted, ...]

    @property
    def whole(self) -> Complexes:
        """(f, p, p) ohm at the pins: z with the connections."""
        series = 2j * np.pi * self.frequency[:, None] * self.connection
        return self.z + series[:, :, None] * np.eye(len(self.pins))

    @property
    def alone(self) -> Complexes:
        """(f, p) ohm seen at each pin, no current in the others."""
        return np.einsum("fii->fi", self.whole)

    @property
    def together(self) -> Complexes:
        """(f,) ohm seen at all pins joined in parallel."""
        return 1 / np.linalg.inv(self.whole).sum((1, 2))


def impedance_at_pins(
    view: View, pins: Sequence[int], frequency: Floats, *, without: Collection[int] = ()
) -> PinImpedance:
    """What pins (rows in board.pins) of one supply net see of the net's planes against ground, at frequencies in Hz.

    The pair is the one with ground at the smallest distance that most of the pins reach. Pins that do not reach it are
    left out of the result (`PinImpedance.pins`). without : rows in board.parts of capacitors to be taken off the board.
    Raises OutOfRange, one sentence, where the net has no copper facing ground, or no pin reaches it.
    """
    board = view.board
    net = int(board.pins.net[pins[0]])
    best: tuple[tuple[int, float], PlanePair, list[Port]] | None = None
    for pair in view.plane_pairs:
        side = [int(board.areas.net[a]) for a in (pair.upper, pair.lower)]
        if net not in side or view.roles[side[1 - side.index(net)]].kind != GROUND:
            continue
        ports = [port for pin in pins if (port := port_of(view, pair, int(pin), side.index(net))) is not None]
        rank = (len(ports), -pair.material.spacing)
        if ports and (best is None or rank > best[0]):
            best = rank, pair, ports
    if best is None:
        raise OutOfRange(f"no plane of {board.nets[net]} that faces ground is reached from these pins")
    _, pair, ports = best
    capacitors = tuple(c for c in pair.capacitors if c.part not in set(without))
    frequency = np.atleast_1d(np.asarray(frequency, dtype=float))
    z = pair_impedance(view, pair, [(p.x, p.y, p.radius) for p in ports], frequency, capacitors)
    rows = np.array([p.pin for p in ports], dtype=np.int32)
    return PinImpedance(pair, frequency, rows, z, np.array([p.inductance for p in ports]), capacitors)


def pair_impedance(
    view: View,
    pair: PlanePair,
    ports: Sequence[tuple[float, float, float]],
    frequency: Floats,
    capacitors: Sequence[Mounted] | None = None,
) -> Complexes:
    """Impedance matrix (f, p, p) between ports (x, y, radius; m) of a pair with its ties and capacitors, ohm.

    capacitors : None for those of the pair. Ports and capacitors that touch count as one place. Raises OutOfRange where
    a port lies off the pair or on one of its ties.
    """
    capacitors = pair.capacitors if capacitors is None else capacitors
    ties = pair.places(view.board)
    wanted = np.array([*ports, *((c.x, c.y, c.radius) for c in capacitors)], dtype=float).reshape(-1, 3)
    places, index = _places(wanted, ties)
    if np.any(index[: len(ports)] < 0):
        raise OutOfRange("a port stands on a via that joins the two planes")
    solved = solve(pair.material, pair.shape, float(np.max(frequency)), places, ties)
    omega = 2 * np.pi * np.asarray(frequency, dtype=float)
    admittance = np.zeros((len(frequency), len(places)), dtype=complex)
    for c, at in zip(capacitors, index[len(ports) :].tolist(), strict=True):
        if at >= 0:
            admittance[:, at] += 1 / (c.resistance + 1j * (omega * c.inductance - 1 / (omega * c.capacitance)))
    return with_admittances(pair.material, solved.expansion, frequency, index[: len(ports)], admittance)


def _places(wanted: Floats, ties: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Distinct places (n, 3) among (x, y, radius), and which of them stands for each; -1 on a tie."""
    kept: list[Floats] = []
    index = np.full(len(wanted), -1, dtype=np.intp)
    for i, (x, y, radius) in enumerate(wanted):
        if len(ties) and np.any(np.hypot(ties[:, 0] - x, ties[:, 1] - y) < radius + ties[:, 2]):
            continue
        near = [k for k, p in enumerate(kept) if np.hypot(p[0] - x, p[1] - y) < 1.01 * (p[2] + radius)]
        if not near:
            kept.append(wanted[i])
        index[i] = near[0] if near else len(kept) - 1
    return np.array(kept).reshape(-1, 3), index


def solve(
    material: Pair, shape: shapely.Polygon, highest: float, places: Floats, ties: Floats, cells: int = CELLS
) -> solver.PlanePair:
    """A piece solved, kept by content: places, ties (n, 3) x, y, radius in m."""
    return _solve(material, shape, highest, _bytes(places), _bytes(ties), cells)


def _bytes(values: Floats) -> bytes:
    return np.ascontiguousarray(values, dtype=float).tobytes()


@lru_cache(maxsize=128)
def _solve(
    material: Pair, shape: shapely.Polygon, highest: float, places: bytes, ties: bytes, cells: int
) -> solver.PlanePair:
    at = np.frombuffer(places).reshape(-1, 3)
    shorts = np.frombuffer(ties).reshape(-1, 3)
    return solver.solve(
        material, shape, highest, at[:, :2], at[:, 2], ties=shorts[:, :2], tie_radius=shorts[:, 2], cells=cells
    )


def highest_frequency(view: View) -> float:
    """Up to which resonances are looked for: the upper frequency of the standard's measurement, Hz."""
    return upper_frequency(view.settings.standard, view.highest_rate)


@dataclass(frozen=True, eq=False)
class PairModes:
    """Resonances of a pair with its ties and capacitors, lowest first.

    frequency : (n,) Hz, without losses; quality : (n,) of dielectric, copper and the capacitors' resistance, without
    radiation; expansion : of the whole, over the capacitors' places and the ports asked for
    ports : (p,) point of the expansion for each port, -1 for one that stands on a tie
    """

    pair: PlanePair
    frequency: Floats
    quality: Floats
    solved: solver.PlanePair
    expansion: Expansion
    index: NDArray[np.intp]
    ports: NDArray[np.intp]

    def level(self, mode: int) -> Floats:
        """(nx, ny) voltage of a mode on the solver's grid, largest size 1; nan without copper."""
        return self.solved.shape(self.expansion, int(self.index[mode]))

    def loudest(self, mode: int) -> tuple[float, float]:
        """Where the voltage of a mode is largest, m."""
        level, grid = self.level(mode), self.solved.grid
        i, j = np.unravel_index(int(np.nanargmax(np.abs(level))), level.shape)
        return float(grid.centre[i, j, 0]), float(grid.centre[i, j, 1])

    def picture(self, mode: int) -> dict[str, Any]:
        """The mode as a map for drawing, see the `mode` evidence of a report."""
        level, grid = self.level(mode), self.solved.grid
        words = {"what": "Voltage between the planes", "frequency_hz": float(self.frequency[mode]), "signed": True}
        i, j = np.nonzero(np.isfinite(level))
        points = np.stack([grid.x0 + (i + 0.5) * grid.dx, grid.y0 + (j + 0.5) * grid.dy], -1)
        return map_picture(points, level[i, j], max(grid.dx, grid.dy), words)


def map_picture(points: Floats, values: Floats, step: float, words: dict[str, Any]) -> dict[str, Any]:
    """Values at points (n, 2) of a grid of width `step` (m) as a map for drawing, coarse enough for a page."""
    low = points.min(axis=0)
    size = points.max(axis=0) - low
    wide = max(step, float(size.max()) / DRAWN)
    count = np.maximum(np.round(size / wide).astype(int) + 1, 2)
    at = np.minimum(np.round((points - low) / wide).astype(int), count - 1)
    level = np.full(tuple(count), np.nan)
    level[tuple(at.T)] = values  # of several in one cell the last: neighbours differ little
    rows = [[round(float(v), 3) if np.isfinite(v) else None for v in row] for row in level.T]
    x, y = (np.round((low[i] + np.arange(count[i]) * wide) / MM, 3).tolist() for i in (0, 1))
    return {"x_mm": x, "y_mm": y, "level": rows, **words}


def pair_modes(
    view: View,
    pair: PlanePair,
    highest: float | None = None,
    ports: Sequence[tuple[float, float, float]] = (),
    cells: int = CELLS,
) -> PairModes:
    """Resonances of a pair up to `highest` Hz (by itself `highest_frequency`), on about so many cells.

    The lowest may be that of the pair's whole capacitance with its capacitors' inductance. A capacitor counts as what
    it is at the first resonance without capacitors (its inductance, nearly always). ports : (x, y, radius), m
    """
    top = highest_frequency(view) if highest is None else highest
    material, ties = pair.material, pair.places(view.board)
    wanted = np.array([*ports, *((c.x, c.y, c.radius) for c in pair.capacitors)], dtype=float).reshape(-1, 3)
    places, index = _places(wanted, ties)
    solved = solve(material, pair.shape, top, places, ties, cells)
    bare = solved.expansion
    first = bare.resonances()
    omega = 2 * np.pi * (float(material.frequency(bare.eigenvalues[first[0]])) if len(first) else top)
    counted = [(c, i) for c, i in zip(pair.capacitors, index[len(ports) :].tolist(), strict=True) if i >= 0]
    inductance = np.array([c.inductance - 1 / (omega**2 * c.capacitance) for c, _ in counted])
    inductance = np.where(np.abs(inductance) < 1e-12, 1e-12, inductance)
    at = np.array([i for _, i in counted], dtype=np.intp)
    whole = bare.with_inductors(at, MU0 * material.spacing / inductance)
    found = whole.resonances()
    frequency = material.frequency(whole.eigenvalues[found])
    loss = 1 / material.quality(frequency) if len(found) else np.empty(0)
    resistance = np.array([c.resistance for c, _ in counted])
    if len(counted) and len(found):
        # Power in the resistances over the energy between the planes: V = phi, I = V/(j omega L).
        w = 2 * np.pi * frequency
        power = (resistance / inductance**2) @ whole.shapes[found][:, at].T ** 2
        loss = loss + power * material.spacing / (EPS0 * material.er * w**3)
    return PairModes(pair, frequency, 1 / loss, solved, whole, found, index[: len(ports)])


def can_ring(pair: PlanePair, highest: float) -> bool:
    """Whether a pair can have a resonance below `highest` Hz at all: by its size, or with its capacitors."""
    wave = 2 * np.pi / np.sqrt(float(pair.material.eigenvalue(highest)))
    return bool(pair.capacitors) or pair.shape.exterior.length / 2 >= LEAST_WAY * wave


def as_ground(view: View, pair: PlanePair) -> PlanePair:
    """The pair were its supply side ground: no capacitors, and every hole of the ground net that passes both layers
    within the piece ties them. The pair itself where no side is ground or both are."""
    board, nets = view.board, [int(view.board.areas.net[area]) for area in (pair.upper, pair.lower)]
    ground = [net for net in nets if view.roles[net].kind == GROUND]
    if len(ground) != 1:
        return pair
    vias = board.vias
    through = (vias.net == ground[0]) & vias.plated & (vias.first <= pair.upper_layer) & (vias.last >= pair.lower_layer)
    rows = np.flatnonzero(through)
    rows = rows[shapely.intersects_xy(pair.whole, vias.x[rows], vias.y[rows])]
    return replace(pair, ties=rows.astype(np.int32), capacitors=())


@dataclass(frozen=True)
class Port:
    """Where a pin's current enters a pair: place and radius of the hole, m; inductance : of the loop up to there, H."""

    pin: int
    x: float
    y: float
    radius: float
    inductance: float


def port_of(view: View, pair: PlanePair, pin: int, side: int) -> Port | None:
    """Where a pin's current enters a pair of which its net is the upper (0) or lower (1) side; None where it does
    not reach it."""
    board = view.board
    own, other = (pair.upper, pair.lower) if side == 0 else (pair.lower, pair.upper)
    mine = leg_of(view, pin, own)
    if mine is None:
        return None
    back = leg_of(view, pin, other)
    mounted_below = bool(board.parts.side[board.pins.part[pin]])
    # From above, what crosses the pair is the way to the lower plane.
    crossing = mine if (side == 1) != mounted_below else back
    if crossing is None or not pair.holds(crossing.x, crossing.y):
        return None
    inductance = loop_inductance(view, pair.upper_layer, pair.lower_layer, mounted_below, mine, back)
    return Port(pin, crossing.x, crossing.y, crossing.radius, inductance)
