"""Copper too narrow for the direct current that it carries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from quietcopper.electrical.supply_drop import PLATING, Drop, necks
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.copper_dc import current_capacity, width_for_current
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "neck-over-its-current"
QUESTION = "Is the copper of each supply wide enough, at its narrowest, for the current that goes through it?"
MECHANISM = """A trace, hole or neck that carries too much current warms until what it loses to the board balances what
it takes in. Warm copper has more resistance, ages its laminate and may open."""
FORMULA = """Currents from the solution of the supply's copper. Capacity by IPC-2221, I = k dT^0.44 A^0.725 (A in square
mil, k 0.048 outside, 0.024 inside), a hole by the section of its wall, for long traces alone on the board. IPC-2152
replaces the halving for inner layers by charts from measurement: with a plane near, copper carries more than this."""
ALLOWANCES: Mapping[str, Limit] = {
    "rise_k": Limit(
        20.0,
        "K",
        "10 to 20 K are usual (IPC-2221; IPC-2152 asks for the board's own figure; from memory)",
        "Warming that the current of a supply may cause in its narrowest copper.",
    ),
}
SOURCES = (
    "IPC-2221: current and cross-section",
    "IPC-2152: short necks beside wide copper stay cooler (from memory)",
)
BESIDE = 2e-3  # m from a hole, where others are added; common practice, no source
WIDEST = 50e-3  # m; the formula's range in square mil ends here for common foil


@dataclass(frozen=True)
class _Narrow:
    """One narrow place: what, layer, where, width (m), its current and what it may carry (A)."""

    what: str
    layer: int
    shape: BaseGeometry
    width: float
    current: float
    capacity: float
    many: int = 1

    @property
    def ratio(self) -> float:
        return self.current / self.capacity


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    rise = view.settings.allowance(f"{NAME}.rise_k", ALLOWANCES["rise_k"].default)
    looked = outside = 0
    for drop in view.supply_drops.values():
        if isinstance(drop, str):
            continue
        places, beyond = _places(view, drop, rise)
        outside += beyond
        looked += bool(places)
        if places:
            yield _finding(view, drop, sorted(places, key=lambda p: (-round(p.ratio, 9), p.what, p.layer)), rise)
    yield Coverage(NAME, looked, len(view.supply_drops), "supplies with parts that draw from them")
    if outside:
        yield NotChecked(NAME, "places", "wider than the formula's range", outside)


def _places(view: View, drop: Drop, rise: float) -> tuple[list[_Narrow], int]:
    board = view.board
    last = len(board.layers) - 1
    out: list[_Narrow] = []
    beyond = 0

    def add(what: str, layer: int, shape: BaseGeometry, width: float, current: float, thickness: float, n: int) -> None:
        nonlocal beyond
        try:
            capacity = float(current_capacity(width, thickness, rise, inner=0 < layer < last))
        except OutOfRange:
            beyond += 1
            return
        out.append(_Narrow(what, layer, shape, width, current, capacity, n))

    for row, current in drop.traces:
        layer = int(board.traces.layer[row])
        shape = board.traces.lines[row]
        add("trace", layer, shape, float(board.traces.width[row]), current, board.layers[layer].thickness, 1)
    for row, current in drop.holes:
        wall = np.pi * (max(float(board.vias.drill[row]), 0.05e-3) + PLATING)
        at = shapely.Point(board.vias.x[row], board.vias.y[row])
        add("hole", int(board.vias.first[row]), at, wall, current, PLATING, 1)
    for flow in drop.areas:
        layer = int(board.areas.layer[flow.area])
        through = float(np.abs(flow.into).sum() / 2)
        thickness = board.layers[layer].thickness
        if through < 0.3 * float(current_capacity(0.2e-3, thickness, rise, inner=0 < layer < last)):
            continue
        shape = max(shapely.get_parts(board.areas.shape[flow.area]).tolist(), key=lambda s: s.area)
        for neck in necks(shape, flow):
            add("neck", layer, neck.shape, neck.width, neck.current, thickness, neck.beside + 1)
    return out, beyond


def _finding(view: View, drop: Drop, places: list[_Narrow], rise: float) -> Finding:
    board, worst = view.board, places[0]
    net = board.nets[drop.supply.net]
    last = len(board.layers) - 1
    allowance = Allowance(worst.capacity, "A", f"IPC-2221 for {rise:g} K", f"{NAME}.rise_k")
    flat = isinstance(worst.shape, shapely.LineString)
    point = worst.shape.interpolate(0.5, normalized=True) if flat else worst.shape.representative_point()
    at = (float(point.x), float(point.y))
    over = sum(p.ratio >= 1 for p in places)
    where = board.layer_label(worst.layer)
    kind, arguments = "", dict[str, Any]()
    if worst.what == "hole":
        extra = int(np.ceil(worst.ratio))
        text = f"{extra + 1} holes where {net} has one"
        via = {"net": net, "at": at, "within": BESIDE}
        kind, arguments = "several", {"changes": [{"kind": "add-via", "arguments": via}] * extra}
        size = f"a hole of {engineering(worst.width / np.pi - PLATING, 'm')}"
    else:
        thickness = board.layers[worst.layer].thickness
        try:
            wide = float(width_for_current(worst.current, thickness, rise, inner=0 < worst.layer < last))
        except OutOfRange:
            wide = WIDEST
        text = f"{net} at least {engineering(max(wide, worst.width), 'm', 2)} wide there"
        if worst.what == "trace":
            text = f"traces of {net} on {where} at least {engineering(max(wide, worst.width), 'm', 2)} wide"
            kind, arguments = "widen-traces", {"net": net, "layer": worst.layer, "width": max(wide, worst.width)}
        size = f"a {worst.what} of {engineering(worst.width, 'm')}"
    change = Proposal(text, kind, arguments)
    return Finding(
        check=NAME,
        subject=(net,),
        title=f"{net} passes {engineering(worst.current, 'A')} through {size} on {where}",
        message=f"{engineering(worst.current, 'A')} of {net}, coming from {board.parts.ref[drop.source]}, pass through "
        f"{size} on {where}, which carries "
        f"{engineering(worst.capacity, 'A')} with {rise:g} K of warming"
        + (f"; {over} places are over that." if over > 1 else "."),
        place=Place(at, worst.shape, (worst.layer,), (net,)),
        predicted=worst.current,
        allowance=allowance,
        cause=CauseHint(f"supply copper:{net}", f"{net} has too little copper for its current", change),
        remedies=(Remedy(change, None, "not solved"),),
        evidence={
            "width_mm": worst.width * 1e3,
            "places_over": over,
            "necks_in_parallel": worst.many,
            "currents": "as set" if all(c.given for c in drop.supply.consumers) else "assumed",
            "layer": "inner, where IPC-2152 allows more beside a plane" if 0 < worst.layer < last else "outer",
        },
    )
