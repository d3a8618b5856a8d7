"""Time of the geometry on a synthetic board: 300 x 200 mm, 20 000 trace segments on four layers, two planes with 5000
antipads each, 5000 plated holes. Run with ``python -m benchmarks.geometry``."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely

from quietcopper.board import Areas, Board, Dielectric, Layer, Pads, Parts, Pins, Traces, Vias
from quietcopper.electrical.copper import connect, distance_to_area_edge, nearest_vias, vias_on_area
from quietcopper.electrical.neighbours import bundle, one_above_other, side_by_side
from quietcopper.electrical.pours import fingers, lone_copper

WIDTH, HEIGHT = 0.3, 0.2  # m
VIAS, SEGMENTS = 5000, 20_000


def synthetic_board(seed: int = 0) -> Board:
    """Four routed layers round two split planes; half of the traces run 0.35 mm beside another one."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(VIAS)))
    cell = np.array([WIDTH, HEIGHT]) / side  # one hole a cell, so that no two of them touch
    grid = np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2)[:VIAS]
    at = (grid + 0.5) * cell + rng.uniform(-0.5, 0.5, (VIAS, 2)) * (cell - 1.2e-3)
    nets = ("", "GND", "3V3", *(f"N{i}" for i in range(SEGMENTS // 2)))
    via_net = np.where(np.arange(VIAS) % 2, 1, rng.integers(3, len(nets), VIAS))

    half = SEGMENTS // 4
    start = rng.uniform([2e-3, 2e-3], [WIDTH - 20e-3, HEIGHT - 20e-3], (half * 2, 2))
    turn = rng.choice([0.0, 0.25, 0.5], half * 2) * np.pi
    way = np.stack([np.cos(turn), np.sin(turn)], -1)
    length = rng.uniform(1e-3, 15e-3, (half * 2, 1))
    aside = 0.35e-3 * np.stack([-way[:, 1], way[:, 0]], -1)
    first = np.concatenate([start, start + aside])
    last = np.concatenate([start + length * way, start + aside + length * way])
    n = len(first)
    layer = np.tile(rng.choice([0, 2, 3, 5], half * 2), 2)
    traces = Traces(
        net=np.arange(n) % (len(nets) - 3) + 3,
        layer=layer,
        x0=first[:, 0],
        y0=first[:, 1],
        x1=last[:, 0],
        y1=last[:, 1],
        xc=np.full(n, np.nan),
        yc=np.full(n, np.nan),
        turn=np.zeros(n),
        width=np.full(n, 0.15e-3),
    )
    pins = np.arange(0, VIAS, 5)  # every fifth hole is a pin
    parts = Parts(ref=["U1"], value=[""], package=[""], side=[0], x=[0.0], y=[0.0], rotation=[0.0])
    pin_of = np.full(VIAS, -1)
    pin_of[pins] = np.arange(len(pins))
    vias = Vias(
        net=via_net,
        x=at[:, 0],
        y=at[:, 1],
        x1=at[:, 0],
        y1=at[:, 1],
        drill=np.full(VIAS, 0.3e-3),
        first=np.zeros(VIAS),
        last=np.full(VIAS, 5),
        plated=np.ones(VIAS),
        antipad=np.full(VIAS, 0.9e-3),
        pin=pin_of,
    )
    pad_layer = np.repeat([0, 5], VIAS)
    pads = Pads(
        net=np.tile(via_net, 2),
        layer=pad_layer,
        x=np.tile(at[:, 0], 2),
        y=np.tile(at[:, 1], 2),
        shape=shapely.buffer(shapely.points(np.tile(at, (2, 1))), 0.25e-3),
        via=np.tile(np.arange(VIAS), 2),
        pin=np.tile(pin_of, 2),
    )
    cut = shapely.union_all(
        [
            *shapely.buffer(shapely.points(at[via_net != 1]), 0.45e-3, quad_segs=8),
            *(shapely.box(x, 0.02, x + 0.5e-3, 0.15) for x in (0.05, 0.13, 0.21)),
        ]
    )
    ground = shapely.get_parts(shapely.box(0, 0, WIDTH, HEIGHT).difference(cut))
    cut = shapely.union_all(shapely.buffer(shapely.points(at), 0.45e-3, quad_segs=8))
    cut = cut.union(shapely.box(0.1, 0, 0.1005, HEIGHT))
    supply = shapely.get_parts(shapely.box(0, 0, WIDTH, HEIGHT).difference(cut))
    areas = Areas(
        net=[1] * len(ground) + [2] * len(supply),
        layer=[1] * len(ground) + [4] * len(supply),
        shape=[*ground, *supply],
    )
    return Board(
        name="synthetic",
        source="benchmarks.geometry",
        layers=tuple(Layer(f"L{i + 1}", 35e-6) for i in range(6)),
        dielectrics=tuple(Dielectric(h, 4.2, 0.02) for h in (0.2e-3, 0.3e-3, 0.5e-3, 0.3e-3, 0.2e-3)),
        nets=nets,
        outline=shapely.box(0, 0, WIDTH, HEIGHT),
        traces=traces,
        vias=vias,
        pads=pads,
        areas=areas,
        parts=parts,
        pins=Pins(
            part=np.zeros(len(pins)),
            name=[str(i) for i in range(len(pins))],
            net=via_net[pins],
            x=at[pins, 0],
            y=at[pins, 1],
            layer=np.full(len(pins), -1),
        ),
    )


def timed(what: str, work: Callable[[], Any]) -> Any:
    start = time.perf_counter()
    result = work()
    print(f"{what:44s} {time.perf_counter() - start:7.2f} s")
    return result


def main() -> None:
    board = timed("build the board", synthetic_board)
    timed("centre lines", lambda: board.traces.lines)
    copper = timed("connect", lambda: connect(board))
    print(f"  {len(copper.pieces)} pieces, {len(copper.group_nets)} groups, {len(copper.contact_a)} contacts")
    found = timed("side by side", lambda: side_by_side(board))
    print(f"  {len(found)} stretches in {len(timed('bundle', lambda: bundle(board, found)))} bundles")
    print(f"  {len(timed('one above other', lambda: one_above_other(board)))} stretches")
    largest = int(np.argmax(shapely.area(board.areas.shape)))
    lines = board.traces.lines
    timed("distance of all traces to every edge", lambda: distance_to_area_edge(board, lines, largest))
    timed("  to edges without antipads", lambda: distance_to_area_edge(board, lines, largest, 2e-3))
    ground = np.flatnonzero(board.vias.net == 1)
    timed(
        "nearest ground hole to all trace ends", lambda: nearest_vias(board, board.traces.x1, board.traces.y1, ground)
    )
    timed("holes on the largest area", lambda: vias_on_area(copper, board, largest))
    timed("lone copper", lambda: lone_copper(board, copper))
    print(f"  {len(timed('fingers', lambda: fingers(board, copper)))} fingers")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
