"""The plain tables of a result: board, settings, stackup judged, lines, plane pairs. Keys as in the JSON Schema."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.electrical.plane_noise import excited
from quietcopper.electrical.plane_pairs import can_ring, highest_frequency
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.units import MICRON, MM, listed

FAR_REFERENCE = 0.25e-3  # m; Ott, Electromagnetic Compatibility Engineering (from memory): signal next to its plane
MOST_MODES = 10  # of one pair of nets that are listed
LEAST_PAIR = 0.05  # of the largest facing area; what is smaller is no plane
FAR_SUPPLY = 0.2e-3  # m; Novak; Archambeault, PCB Design for Real-World EMI Control (from memory)


def board_summary(view: View) -> dict[str, Any]:
    """Name, size and counts."""
    board = view.board
    x0, y0, x1, y1 = board.outline.bounds if not board.outline.is_empty else (0.0, 0.0, 0.0, 0.0)
    return {
        "name": board.name,
        "source": Path(board.source).name,
        "outline_mm": [(x1 - x0) / MM, (y1 - y0) / MM],
        "layers": [layer.name for layer in board.layers],
        "nets": len(board.nets) - 1,
        "parts": len(board.parts),
        "pins": len(board.pins),
        "traces": len(board.traces),
        "vias": len(board.vias),
        "areas": len(board.areas),
    }


def settings_summary(settings: Settings) -> dict[str, Any]:
    """What the review was told, for the record."""
    return {
        "title": settings.title,
        "reviewer": settings.reviewer,
        "recipient": settings.recipient,
        "standard": settings.standard,
        "distance_m": settings.distance,
        "min_width_mm": settings.min_width / MM,
        "min_spacing_mm": settings.min_spacing / MM,
        "etch": settings.etch,
        "nets": sorted(settings.nets),
        "patterns": sorted(settings.patterns),
        "connectors": sorted(settings.connectors),
        "allowances": dict(sorted(settings.allowances.items())),
    }


def _carries(view: View, layer: int) -> str:
    """What the copper on a layer is, in words: the roles of its areas, then whether it is routed."""
    board = view.board
    rows = np.flatnonzero(board.areas.layer == layer)
    by_net: dict[int, float] = defaultdict(float)
    for net, area in zip(board.areas.net[rows], shapely.area(board.areas.shape[rows]), strict=True):
        by_net[int(net)] += float(area)
    whole = sum(by_net.values())
    big = [net for net, area in sorted(by_net.items(), key=lambda item: (-item[1], item[0])) if area > 0.05 * whole]
    words = []
    if any(view.roles[net].kind == GROUND for net in big):
        words.append("ground")
    supplies = [board.nets[net] for net in big if view.roles[net].kind == SUPPLY]
    if len(supplies) == 1:
        words.append(f"supply {supplies[0]}")
    elif supplies:
        words.append(f"supplies {', '.join(supplies[:4])}{' …' if len(supplies) > 4 else ''}")
    traces = board.traces
    routed = sum(
        length
        for net, length in zip(traces.net[traces.layer == layer], traces.length[traces.layer == layer], strict=True)
        if view.roles[net].kind == SIGNAL
    )
    if routed > 0:
        words.append("signals")
    return ", ".join(words) or "no copper in use"


def _reference(view: View, layer: int) -> dict[str, Any] | None:
    """What carries most of the return current of a layer's signal traces; None without traces or references."""
    runs, board = view.runs, view.board
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    mine = np.flatnonzero((runs.layer == layer) & signal[runs.net] & (runs.reference >= 0))
    if not len(mine):
        return None
    length, areas = runs.length[mine], runs.reference[mine]
    layers = board.areas.layer[areas]
    main = int(np.argmax(np.bincount(layers, weights=length, minlength=len(board.layers))))
    on = layers == main
    nets = board.areas.net[areas[on]]
    kinds = {view.roles[net].kind for net in nets}
    carried = np.bincount(nets, weights=length[on], minlength=len(board.nets))
    order = sorted(np.unique(nets).tolist(), key=lambda net: (-round(float(carried[net]), 9), board.nets[net]))
    return {
        "layer": board.layers[main].name,
        "distance_mm": float(np.median(runs.reference_gap[mine][on])) / MM,
        "net": board.nets[order[0]] if len(order) == 1 else "",
        "nets": [board.nets[net] for net in order],
        "kind": kinds.pop() if len(kinds) == 1 else "mixed",
    }


def stackup_summary(view: View) -> dict[str, Any]:
    """The stackup with what each layer carries and refers to, and sentences that judge it."""
    board = view.board
    whole = board.outline.area
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    layers = []
    for index, layer in enumerate(board.layers):
        shapes = board.areas.shape[board.areas.layer == index]
        mine = (board.traces.layer == index) & signal[board.traces.net]
        layers.append(
            {
                "name": layer.name,
                "thickness_um": layer.thickness / MICRON,
                "function": layer.function,
                "carries": _carries(view, index),
                "trace_mm": float(board.traces.length[mine].sum()) / MM,
                "copper_percent": min(100.0, 100 * float(shapely.area(shapes).sum()) / whole) if whole > 0 else None,
                "reference": _reference(view, index),
            }
        )
    return {
        "thickness_mm": board.thickness / MM,
        "layers": layers,
        "dielectrics": [
            {"thickness_mm": d.thickness / MM, "er": d.er, "tan_d": d.tan_d, "material": d.material}
            for d in board.dielectrics
        ],
        "judgement": _judgement(view, layers),
    }


def _label(board: Board, layer: str) -> str:
    return board.layer_label(board.layer_index[layer])


def _named(nets: list[str]) -> str:
    """'GND, 3V3 and 2 more nets', those that carry most first."""
    return listed([net or "copper of no net" for net in nets], 3) + (" nets" if len(nets) > 3 else "")


def _judgement(view: View, layers: list[dict[str, Any]]) -> list[str]:
    """What there is to say of the stackup, one sentence each."""
    board = view.board
    out = []
    if not len(board.areas):
        out.append(
            "There is no filled copper: every line's return is whatever trace lies nearest, and is not controlled."
        )
    for index, row in enumerate(layers):
        reference, label = row["reference"], board.layer_label(index)
        if row["trace_mm"] == 0:
            continue
        if reference is None:
            out.append(f"The signals on {label} have no copper area to return in.")
            continue
        far = reference["distance_mm"] * MM > FAR_REFERENCE
        words = f"{_named(reference['nets'])} on {_label(board, reference['layer'])}"
        out.append(
            f"The signals on {label} return in {words}, {reference['distance_mm']:.3g} mm away"
            + (", which is far" if far else "")
            + ("." if reference["kind"] == GROUND else f": that is {reference['kind']} copper, not ground alone.")
        )
    pairs = pair_rows(view, of_kinds=(GROUND, SUPPLY))
    for pair in [p for p in pairs if p["area_mm2"] >= LEAST_PAIR * pairs[0]["area_mm2"]][:3]:
        far = pair["distance_mm"] * MM > FAR_SUPPLY
        density = pair["capacitance_f"] * 1e12 / (pair["area_mm2"] / 100)
        out.append(
            f"{pair['upper_net']} on {_label(board, pair['upper'])} and {pair['lower_net']} on "
            f"{_label(board, pair['lower'])} face each other at {pair['distance_mm']:.3g} mm: {density:.3g} pF/cm²"
            + (", little because they are far apart." if far else ".")
        )
    if not pairs and any(role.kind == SUPPLY for role in view.roles):
        out.append("No ground and supply areas face each other: the supply has no plane capacitance.")
    return out


def pair_rows(view: View, of_kinds: tuple[str, str] | None = None) -> tuple[dict[str, Any], ...]:
    """Facing areas of different layers by their nets, largest capacitance first.

    of_kinds : only pairs with one side of each of these two roles
    """
    board, facing = view.board, view.facing
    merged: dict[tuple[int, int, int, int], list[int]] = defaultdict(list)
    for row, (a, b) in enumerate(zip(facing.upper, facing.lower, strict=True)):
        key = (board.areas.layer[a], board.areas.layer[b], board.areas.net[a], board.areas.net[b])
        merged[key[0], key[1], key[2], key[3]].append(row)
    ringing = {} if of_kinds else _ringing(view)
    out = []
    for (upper, lower, upper_net, lower_net), rows in merged.items():
        if of_kinds and {view.roles[upper_net].kind, view.roles[lower_net].kind} != set(of_kinds):
            continue
        out.append(
            {
                "upper": board.layers[upper].name,
                "lower": board.layers[lower].name,
                "upper_net": board.nets[upper_net],
                "lower_net": board.nets[lower_net],
                "distance_mm": float(facing.distance[rows[0]]) / MM,
                "area_mm2": float(facing.area[rows].sum()) * 1e6,
                "capacitance_f": float(facing.capacitance[rows].sum()),
                "modes_hz": [],
                **_modes([ringing[row] for row in rows if row in ringing]),
            }
        )
    return tuple(sorted(out, key=lambda p: (-float(p["capacitance_f"]), str(p["upper"]), str(p["upper_net"]))))


def _ringing(view: View) -> dict[int, list[tuple[float, float, str]]]:
    """Resonances of the pieces of each row of view.facing: frequency, quality, what excites the piece most."""
    out: dict[int, list[tuple[float, float, str]]] = defaultdict(list)
    highest = highest_frequency(view)
    for pair in view.plane_pairs:
        if not can_ring(pair, highest):
            continue
        try:
            modes, source = excited(view, pair)
        except OutOfRange:  # told by the check that looks for it
            continue
        by = source.exciter.what if source is not None else ""
        out[pair.facing] += [(float(f), float(q), by) for f, q in zip(modes.frequency, modes.quality, strict=True)]
    return out


def _modes(pieces: list[list[tuple[float, float, str]]]) -> dict[str, Any]:
    """The lowest resonances of some pieces together; nothing where none rings."""
    modes = sorted(mode for piece in pieces for mode in piece)[:MOST_MODES]
    if not modes:
        return {}
    by = next((by for *_, by in modes if by), "")
    return {"modes_hz": [f for f, *_ in modes], "quality": [q for _, q, _ in modes], "excited_by": by}


def line_rows(view: View) -> tuple[dict[str, Any], ...]:
    """Signal lines by net, layer and width: length, and the length-weighted impedance and delay as solved."""
    board, runs, lines = view.board, view.runs, view.line_table
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    groups: dict[tuple[int, int, float], list[int]] = defaultdict(list)
    for row in np.flatnonzero(signal[runs.net]):
        groups[int(runs.net[row]), int(runs.layer[row]), round(float(runs.width[row]), 7)].append(int(row))
    out = []
    for (net, layer, width), rows in groups.items():
        index = np.array(rows)
        length = runs.length[index]
        solved = np.isfinite(lines.z0[index])
        weight = length[solved]
        known = weight.sum() > 0

        def mean(values: np.ndarray, weight: np.ndarray = weight, known: bool = bool(known)) -> float | None:
            return float(np.average(values, weights=weight)) if known else None

        delay = mean(lines.delay[index][solved])
        out.append(
            {
                "net": board.nets[net],
                "layer": board.layers[layer].name,
                "width_mm": width / MM,
                "length_mm": float(length.sum()) / MM,
                "z_ohm": mean(lines.z0[index][solved]),
                "er_effective": mean(lines.er_effective[index][solved]),
                "delay_ps": None if delay is None else delay * float(length.sum()) * 1e12,
                "delay_ps_per_mm": None if delay is None else delay * 1e9,
            }
        )
    return tuple(sorted(out, key=lambda r: (str(r["net"]), str(r["layer"]), float(r["width_mm"]))))
