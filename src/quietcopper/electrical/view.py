"""One board with everything its geometry means, computed once and on demand: what a check looks at."""

from __future__ import annotations

import time
from collections.abc import Callable, MutableMapping
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import STRtree

from quietcopper.board import Board, Dielectric
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import (
    GROUND,
    SIGNAL,
    Driver,
    Gaps,
    LayerChanges,
    Neighbours,
    Pair,
    Path,
    Pieces,
    Role,
    Runs,
)
from quietcopper.errors import OutOfRange

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from quietcopper.board.model import Bools, Floats, Ints
    from quietcopper.electrical.copper import Copper
    from quietcopper.electrical.crossings import Crossings
    from quietcopper.electrical.facing import Facing
    from quietcopper.electrical.parts import PartKind
    from quietcopper.electrical.plane_pairs import PlanePair
    from quietcopper.electrical.profile import Profiles
    from quietcopper.electrical.sections import LineTable
    from quietcopper.electrical.supplies import Supply
    from quietcopper.electrical.supply_drop import Drop
    from quietcopper.electrical.supply_impedance import SupplyNetwork
    from quietcopper.electrical.supply_ways import NetWays
    from quietcopper.electrical.ways import Capacitors
    from quietcopper.fields.section_solver import SectionCache


SAME_DISTANCE = 1e-7  # m; distances that differ by less are equal
PLANE = 0.25  # share of the board from which on a layer's ground copper counts as a plane; common practice, no source
FLAKE = 10e-6  # m2; untied copper smaller than this holds a few picofarads to what lies round it: no conductor
PATCH = 0.1  # share of the board below which a signal's area is no plane; common practice, no source
TYPICAL_DELAY = 6.5e-9  # s/m, for a net of which no run was solved; lines in laminate have 5.5 to 7.2 ns/m


class View:
    """A board under given settings. Every property is computed at its first use and kept.

    sections, kept as solved_before : cross-sections solved before, of this board or another; those solved now are added
    pictures : whether checks work out what only who reads a finding wants: pictures, the range that what was assumed
               spans, what a remedy would leave. A trial does not
    """

    def __init__(
        self,
        board: Board,
        settings: Settings | None = None,
        *,
        sections: SectionCache | None = None,
        pictures: bool = True,
    ) -> None:
        self.pictures = pictures
        self.settings = settings if settings is not None else Settings()
        self.solved_before = sections
        self.board = self.settings.correct(board)
        self._vias_on: dict[int, Ints] = {}
        self.kept_ground_ways: dict[int, NetWays] = {}

    def prepare(
        self,
        seconds: MutableMapping[str, float],
        progress: Callable[[str], None] = lambda stage: None,
        *,
        lightly: bool = False,
    ) -> View:
        """Work out what needs no solver, so that whoever is sent the view has it.

        seconds : by stage, added to;  progress : told each stage as it begins
        lightly : only what can be had before scipy is loaded
        """
        for stage, work in LIGHT_STAGES if lightly else FIRST_STAGES:
            progress(stage)
            began = time.perf_counter()
            work(self)
            seconds[stage] = seconds.get(stage, 0.0) + time.perf_counter() - began
        return self

    @cached_property
    def sections(self) -> SectionCache:
        """Solved cross-sections."""
        from quietcopper.fields.section_solver import SectionCache

        known = SectionCache() if self.solved_before is None else self.solved_before
        return known.at(self.settings.accuracy)

    @cached_property
    def roles(self) -> tuple[Role, ...]:
        """Role of every net, by net index."""
        from quietcopper.electrical.roles import net_roles

        return net_roles(self.board, self.settings)

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        from quietcopper.electrical.roles import differential_pairs

        return differential_pairs(self.board, self.roles, self.settings)

    @cached_property
    def partner_of(self) -> dict[int, int]:
        """The other line of each line of a differential pair, by net."""
        both = [(pair.positive, pair.negative) for pair in self.pairs]
        return dict([*both, *((b, a) for a, b in both)])

    @cached_property
    def drivers(self) -> tuple[Driver, ...]:
        """Driver of every net, by net index (a supply or ground has kind 'none' and a swing of 0)."""
        from quietcopper.electrical.drivers import net_drivers

        return net_drivers(self.board, self.roles, self.settings, self.pairs)

    @cached_property
    def copper(self) -> Copper:
        """Connected copper: pieces, groups, which object belongs to which piece."""
        from quietcopper.electrical.copper import connect

        return connect(self.board)

    @property
    def pieces(self) -> Pieces:
        return self.copper.pieces

    @cached_property
    def runs(self) -> Runs:
        from quietcopper.electrical.references import cut_runs

        return cut_runs(self.board, self.patches)

    @cached_property
    def gaps(self) -> Gaps:
        from quietcopper.electrical.references import find_gaps

        return find_gaps(self.board, self.runs, self.patches)

    @cached_property
    def patches(self) -> Ints:
        """Rows in board.areas of filled copper that carries no other line's return: that of signals (touch pads, wide
        traces, heat spreaders), and flakes that nothing ties to anything, left by a pour between the pins of a part.
        What is larger than `PATCH` counts as a plane of unknown use."""
        areas, board = self.board.areas, self.board
        signal = np.array([role.kind == SIGNAL for role in self.roles], dtype=bool)[areas.net]
        small = shapely.area(areas.shape) < PATCH * board.outline.area
        pieces, copper = self.pieces, self.copper
        alone = (pieces.ties == 0) & (pieces.area < FLAKE)
        alone[copper.piece_of_trace] = alone[copper.piece_of_pad] = False
        flake = alone[copper.piece_of_area]
        return np.flatnonzero(signal & small | flake).astype(np.int32)

    @cached_property
    def crossings(self) -> Crossings:
        """The openings that lines cross, solved."""
        from quietcopper.electrical.crossings import Crossings

        return Crossings(self)

    @cached_property
    def layer_changes(self) -> LayerChanges:
        from quietcopper.electrical.transitions import layer_changes

        return layer_changes(self.board, self.runs)

    @cached_property
    def neighbours(self) -> Neighbours:
        from quietcopper.electrical.neighbours import side_by_side

        return side_by_side(self.board)

    @cached_property
    def part_kinds(self) -> tuple[PartKind, ...]:
        """What every part is, by row in board.parts."""
        from quietcopper.electrical.parts import part_kinds

        return part_kinds(self.board)

    @cached_property
    def capacitors(self) -> Capacitors:
        """Two-pin capacitors by the nets they join."""
        from quietcopper.electrical.ways import find_capacitors

        return find_capacitors(self)

    @cached_property
    def idle_pins(self) -> Bools:
        """Pins on supplies that draw nothing from them, by row in board.pins."""
        from quietcopper.electrical.idle_pins import idle_pins

        return idle_pins(self)

    @cached_property
    def supplies(self) -> dict[int, Supply]:
        """Supply nets with what feeds them and what draws from them, by net."""
        from quietcopper.electrical.supplies import find_supplies

        return find_supplies(self)

    @cached_property
    def supply_networks(self) -> dict[int, SupplyNetwork]:
        """Each supply's capacitors and the ways to them, by net."""
        from quietcopper.electrical.supply_impedance import SupplyNetwork

        return {net: SupplyNetwork(self, supply) for net, supply in self.supplies.items()}

    @cached_property
    def supply_drops(self) -> dict[int, Drop | str]:
        """Direct currents of each supply on its copper, by net, or why they were not solved."""
        from quietcopper.electrical.supply_drop import solve_drops

        return solve_drops(self)

    @cached_property
    def facing(self) -> Facing:
        """Areas of neighbouring area-bearing layers that face each other."""
        from quietcopper.electrical.facing import facing_areas

        return facing_areas(self.board)

    @cached_property
    def plane_pairs(self) -> tuple[PlanePair, ...]:
        """Connected pieces of facing areas, largest capacitance first, with their ties and capacitors."""
        from quietcopper.electrical.plane_pairs import plane_pairs

        return plane_pairs(self)

    @cached_property
    def line_table(self) -> LineTable:
        """Impedance and delay of every run, solved on its cross-section as cut from the board."""
        from quietcopper.electrical.sections import line_table

        return line_table(self)

    def paths(self, net: int) -> tuple[Path, ...]:
        """Ways from pin to pin of a net (from the likely driver, else the first pin, to each other pin)."""
        from quietcopper.electrical.paths import net_paths

        return net_paths(self.board, self.copper, net, kinds=self.part_kinds)

    @cached_property
    def profiles(self) -> Profiles:
        """What a wave meets from pin to pin, by net."""
        from quietcopper.electrical.profile import Profiles

        return Profiles(self)

    @cached_property
    def _facing_capacitance(self) -> dict[tuple[int, int], float]:
        rows = zip(self.facing.upper.tolist(), self.facing.lower.tolist(), self.facing.capacitance, strict=True)
        return {(a, b): float(c) for a, b, c in rows}

    def capacitance_between(self, a: int, b: int) -> float:
        """Capacitance between two facing areas, F, 0 where they do not face each other."""
        known = self._facing_capacitance
        return known.get((a, b), known.get((b, a), 0.0))

    @cached_property
    def plane_network(self) -> tuple[dict[int, int], Ints, Floats]:
        """The capacitors that facing areas form: number of each area, part of the network it belongs to, shape (n,),
        and the pseudo-inverse of the network's Laplacian, 1/F, shape (n, n)."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        pairs = self._facing_capacitance
        nodes = {area: i for i, area in enumerate(sorted({area for pair in pairs for area in pair}))}
        laplacian = np.zeros((len(nodes), len(nodes)))
        for (a, b), c in pairs.items():
            i, j = nodes[a], nodes[b]
            laplacian[[i, j], [i, j]] += c
            laplacian[[i, j], [j, i]] -= c
        _, part = connected_components(coo_array(laplacian), directed=False)
        inverse = np.zeros_like(laplacian)
        for number in range(int(part.max(initial=-1)) + 1):
            mine = np.flatnonzero(part == number)
            inverse[np.ix_(mine, mine)] = np.linalg.pinv(laplacian[np.ix_(mine, mine)], hermitian=True)
        return nodes, part, inverse

    def facing_of(self, area: int) -> set[int]:
        """Rows in board.areas that face an area."""
        facing = self.facing
        return {*facing.lower[facing.upper == area].tolist(), *facing.upper[facing.lower == area].tolist()}

    def vias_on(self, area: int) -> Ints:
        """Rows in board.vias that tie to an area, kept once asked for."""
        if area not in self._vias_on:
            from quietcopper.electrical.copper import vias_on_area

            self._vias_on[area] = vias_on_area(self.copper, self.board, area)
        return self._vias_on[area]

    @cached_property
    def _impedances(self) -> dict[int, dict[int, float]]:
        """Length-weighted impedance as solved, ohm, by net and layer."""
        runs, z0 = self.runs, self.line_table.z0
        rows = np.flatnonzero(np.isfinite(z0))
        key, of = np.unique(np.stack([runs.net[rows], runs.layer[rows]], -1), axis=0, return_inverse=True)
        length = np.bincount(of, runs.length[rows], len(key))
        whole = np.bincount(of, runs.length[rows] * z0[rows], len(key))
        out: dict[int, dict[int, float]] = {}
        for i in np.flatnonzero(length > 0).tolist():
            out.setdefault(int(key[i, 0]), {})[int(key[i, 1])] = float(whole[i] / length[i])
        return out

    def impedance_of(self, net: int, layer: int | None = None) -> float | None:
        """Length-weighted impedance of a net's runs on a layer as solved, or the mean over its layers, ohm; None where
        none was solved."""
        known = self._impedances.get(net, {})
        if layer is not None:
            return known.get(layer)
        return sum(known.values()) / len(known) if known else None

    def dielectric_beside(self, layer: int) -> Dielectric:
        """The thinner of the dielectrics that touch a copper layer: the one that carries most of its field.

        Raises OutOfRange on a board with one copper layer, whose laminate is not part of the model.
        """
        sheets = self.board.dielectrics[max(layer - 1, 0) : layer + 1]
        if not sheets:
            raise OutOfRange("the board has one copper layer, and its data name no laminate")
        return min(sheets, key=lambda sheet: sheet.thickness)

    @cached_property
    def ground_name(self) -> str:
        """Name of the ground net with the largest filled copper, "" on a board without ground."""
        size = np.bincount(self.board.areas.net, shapely.area(self.board.areas.shape), minlength=len(self.roles))
        grounds = [net for net, role in enumerate(self.roles) if role.kind == GROUND]
        return self.board.nets[max(grounds, key=lambda net: (size[net], -net))] if grounds else ""

    @cached_property
    def ground_planes(self) -> tuple[int, ...]:
        """Layers whose ground copper covers a good part of the board."""
        areas, outline = self.board.areas, self.board.outline.area
        ground = np.array([role.kind == GROUND for role in self.roles])[areas.net]
        size = np.bincount(areas.layer, ground * shapely.area(areas.shape), minlength=len(self.board.layers))
        return tuple(np.flatnonzero(size >= PLANE * outline).tolist()) if outline > 0 and len(areas) else ()

    @cached_property
    def _delays(self) -> Floats:
        runs, delay = self.runs, self.line_table.delay
        solved = np.isfinite(delay)
        known, length, whole = (np.zeros(len(self.roles)) for _ in range(3))
        np.add.at(known, runs.net[solved], delay[solved] * runs.length[solved])
        np.add.at(length, runs.net[solved], runs.length[solved])
        np.add.at(whole, runs.net, runs.length)
        return np.divide(known, length, out=np.full(len(known), TYPICAL_DELAY), where=length > 0) * whole

    def delay_of(self, net: int) -> float:
        """Delay along the whole trace length of a net, s; unsolved runs count with the mean."""
        return float(self._delays[net])

    @cached_property
    def cabled_connectors(self) -> tuple[str, ...]:
        """References of the connectors that carry a cable, as set or as assumed (`cables.cabled_connectors`)."""
        from quietcopper.electrical.cables import cabled_connectors

        return cabled_connectors(self)[0]

    def target_of(self, net: int) -> float | None:
        """Target impedance of a net, ohm: from the settings, else from the file; None where neither names one."""
        name = self.board.nets[net]
        said = self.settings.for_net(name).target
        return said if said is not None else self.board.impedances.get(name)

    def differential_target_of(self, pair: Pair) -> float | None:
        """Target differential impedance of a pair, ohm, where the settings name one at either of its lines."""
        said = (self.settings.for_net(self.board.nets[net]).differential for net in (pair.positive, pair.negative))
        return next((target for target in said if target is not None), None)

    @cached_property
    def highest_rate(self) -> float:
        """Highest clock frequency or half bit rate on the board, Hz, at least 1: decides how far up limits are
        applied."""
        return max((driver.rate for driver in self.drivers), default=0.0) or 1.0

    @cached_property
    def trace_tree(self) -> STRtree:
        """Spatial index over the centre lines of board.traces."""
        return STRtree(self.board.traces.lines)

    @cached_property
    def _pin_tree(self) -> cKDTree | None:
        from scipy.spatial import cKDTree

        pins = self.board.pins
        return cKDTree(np.stack([pins.x, pins.y], -1)) if len(pins) else None

    def near(self, x: float, y: float) -> str:
        """Label of the pin nearest to a place ('U3.14'), or '' on a board without parts.

        Of pins equally near the first by label, so that the name does not hang on rounding.
        """
        if self._pin_tree is None:
            return ""
        distance, rows = self._pin_tree.query((x, y), k=min(4, self._pin_tree.n))
        rows, distance = np.atleast_1d(rows), np.atleast_1d(distance)
        return min(self.board.pin_label(int(row)) for row in rows[distance <= distance[0] + SAME_DISTANCE])


LIGHT_STAGES: tuple[tuple[str, Callable[[View], object]], ...] = (
    ("net roles", lambda view: (view.roles, view.pairs, view.drivers)),
    ("neighbours", lambda view: view.neighbours),
)
FIRST_STAGES: tuple[tuple[str, Callable[[View], object]], ...] = (
    *LIGHT_STAGES,
    ("connected copper", lambda view: view.copper),
    ("references", lambda view: view.runs),
)
