"""A trace that runs along the edge of its reference, or beyond it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from quietcopper.electrical.choices import led_at_edge, supply_as_reference
from quietcopper.electrical.edge_loops import EdgeLoop, edge_loop
from quietcopper.electrical.edges import EdgeRuns, runs_near_edge
from quietcopper.electrical.emission import worst_field
from quietcopper.electrical.return_maps import Stretch, map_along
from quietcopper.electrical.tables import SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import plane_inductance
from quietcopper.fields.spectra import knee
from quietcopper.findings import (
    Allowance,
    CauseHint,
    Coverage,
    Finding,
    Limit,
    NotChecked,
    Place,
    Proposal,
    Remedy,
)
from quietcopper.units import engineering

NAME = "trace-off-plane"
QUESTION = "Does a trace run along the edge of the copper that carries its return, or beyond it?"
MECHANISM = """Near a plane's edge the return current crowds, and the plane's own inductance rises several times: the
voltage along the plane drives the board against its cables. Beyond the edge the return has to reach the trace from the
side, which adds loop."""
FORMULA = """Net inductance of a finite plane per metre (exact for a thin line over an isolated thin plane) times the
length near the edge, times the current at each frequency, gives a voltage along the plane; an attached cable is taken
as
a resonant antenna of 37 ohm, the field as 60·I/r. An upper bound for ranking: other planes and the cable's real
impedance
lower it. What the edge adds to the loop itself is the cross-section's inductance and resistance as they are, less those
over an endless plane, times the length (resistance at the
knee of the edge; below zero far beyond the edge, where the trace itself crowds less)."""
ALLOWANCES: Mapping[str, Limit] = {
    "heights": Limit(
        5.0,
        "heights",
        "Leone, IEEE Trans. EMC 43(4), 2001, 667-671 (from memory): the effect of the edge has died away",
        "Traces further inside the edge than this many times their height are not looked at.",
    ),
    "shortest_mm": Limit(3.0, "mm", "common practice, no source", "Shorter lengths near the edge are passed over."),
}
SOURCES = (
    "Leone, IEEE Trans. EMC 43(4), 2001, 667-671: net inductance of a finite plane (solved again by conformal mapping)",
    "Ott, Electromagnetic Compatibility Engineering: common-mode current on cables, 60·I/r at resonance (from memory)",
    "Loop along an edge: fields.loss on the solved cross-section, held to 1 % to the exact map of a finite plane, "
    "and that to 3 % to the return current on a sheet",
    "CISPR 32 and 47 CFR 15.109: the limits",
)


INSIDE = 3e-3  # m from the board's edge, from which on a plane's edge is one that the layer's nets made
ALONG = 0.7  # of the way to the edge that lies across a trace that counts as running along it
MAPS, WORTH = 3, -6.0  # findings whose return is drawn; dB from which on
MARGIN = 50e-6  # m, further inside than asked for, so that rounding decides nothing


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board, runs = view.board, view.runs
    heights = view.settings.allowance(f"{NAME}.heights", ALLOWANCES["heights"].default)
    shortest = view.settings.allowance(f"{NAME}.shortest_mm", ALLOWANCES["shortest_mm"].default) * 1e-3
    signal = np.array(
        [role.kind == SIGNAL and driver.swing > 0 for role, driver in zip(view.roles, view.drivers, strict=True)]
    )
    routed = np.unique(runs.net[signal[runs.net]])
    if not len(board.areas):
        if len(routed):
            yield NotChecked(NAME, "all signal nets", "the board has no filled copper to run along", len(routed))
        return
    near = runs_near_edge(view, heights)
    yield Coverage(NAME, len(routed), len(routed), "signal nets")
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row, (run, area) in enumerate(zip(near.run, near.area, strict=True)):
        if signal[runs.net[run]]:
            groups[int(runs.net[run]), int(area)].append(row)
    found: list[tuple[Finding, np.ndarray]] = []
    for (net, area), members in groups.items():
        rows = np.array(members)
        if runs.length[near.run[rows]].sum() >= shortest:
            for said in _price(view, near, rows, net, area, heights):
                if isinstance(said, Finding):
                    found.append((said, rows))
                else:
                    yield said
    found.sort(key=lambda f: (-round(f[0].excess_db, 6), f[0].subject))
    unsolved: dict[str, float] = defaultdict(float)
    for i, (finding, rows) in enumerate(found):
        net = int(runs.net[near.run[rows[0]]])
        frequency = float(knee(view.drivers[net].rise))
        loop = edge_loop(view, near, rows, frequency)
        for why, length in loop.unsolved.items():
            unsolved[why] += length
        more = _loop_evidence(loop, frequency)
        if view.pictures and i < MAPS and finding.excess_db >= WORTH:
            more |= _map(view, near, rows, frequency)
        yield replace(finding, evidence={**finding.evidence, **more})
    for why, length in sorted(unsolved.items()):
        yield NotChecked(NAME, f"what {engineering(length, 'm')} of lines at or beyond an edge add to their loops", why)


def _loop_evidence(loop: EdgeLoop, frequency: float) -> dict[str, Any]:
    if loop.length == 0:
        return {}
    return {
        "stretch_solved_mm": loop.length * 1e3,
        "excess_inductance_nh": loop.inductance * 1e9,
        "excess_inductance_error_nh": loop.error * 1e9,
        "excess_resistance_ohm": loop.resistance,
        "excess_at_hz": frequency,
    }


def _map(view: View, near: EdgeRuns, rows: np.ndarray, frequency: float) -> dict[str, Any]:
    """A map of the return current of the longest stretch of a finding, for drawing."""
    board, runs = view.board, view.runs
    index = near.run[rows]
    layers = int(runs.layer[index[0]]), int(board.areas.layer[near.area[rows[0]]])
    net, width, height = int(runs.net[index[0]]), float(runs.width[index].mean()), float(near.height[rows].mean())
    parts = shapely.get_parts(shapely.line_merge(shapely.union_all(runs.line[index])))
    line = max(parts.tolist(), key=lambda p: (round(p.length, 9), p.bounds))
    try:
        drawn = map_along(view, Stretch(net, line, *layers, width, height), frequency)
    except OutOfRange:  # a picture less; the figures stand
        return {}
    return {"mode": drawn.drawing(), "return_path": drawn.way()}


def _price(
    view: View, near: EdgeRuns, rows: np.ndarray, net: int, area: int, heights: float
) -> Iterator[Finding | NotChecked]:
    board, runs = view.board, view.runs
    index = near.run[rows]
    length, height, width, inside = runs.length[index], near.height[rows], near.plane_width[rows], near.inside[rows]
    z0 = view.impedance_of(net, int(runs.layer[index[0]]))
    if z0 is None:
        yield NotChecked(NAME, board.nets[net], "its impedance was not solved, so its current is not known")
        return
    inductance = float((plane_inductance(width, width / 2 - inside, height) * length).sum())
    # The same length moved inside to where the edge no longer matters.
    moved = float((plane_inductance(width, np.maximum(width / 2 - heights * height, 0), height) * length).sum())
    estimate = worst_field(view, net, z0, lambda f: 2 * np.pi * f * inductance)
    if estimate is None:
        return
    lines = shapely.union_all(runs.line[index])
    worst = int(index[np.argmin(inside)])
    at = shapely.line_interpolate_point(runs.line[worst], 0.5, normalized=True)
    layer, area_layer = int(runs.layer[worst]), int(board.areas.layer[area])
    name, plane = board.nets[net], board.nets[board.areas.net[area]] or "netless copper"
    choice = led_at_edge(view, net, layer)
    if view.roles[board.areas.net[area]].kind == SUPPLY and board.outline.boundary.distance(at) > INSIDE:
        choice = supply_as_reference(view, area_layer)  # an edge that is there because the supplies share the layer
    beyond = float(length[inside < 0].sum())
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    where = (
        f"{engineering(beyond, 'm')} of it beyond the edge"
        if beyond > 0
        else f"as near as {engineering(float(inside.min()), 'm')} to it"
    )
    yield Finding(
        check=NAME,
        subject=(name, board.layers[layer].name, plane),
        title=f"{name} runs {'beyond' if beyond > 0 else 'along'} the edge of {plane} on layer {area_layer + 1}",
        message=f"{name} runs {engineering(float(length.sum()), 'm')} at the edge of its reference, {where}: "
        f"{engineering(inductance, 'H')} of plane in the return, at most {estimate.words} with a cable attached.",
        place=Place((at.x, at.y), lines, (layer, area_layer), (name,)),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(choice.key, choice.title, Proposal(*choice.change) if choice.change[0] else None),
        remedies=(
            Remedy(_inward(view, near, rows, heights), allowance.excess_db(estimate.field * moved / inductance)),
        ),
        evidence={
            "length_mm": float(length.sum()) * 1e3,
            "edge_distance_mm": float(inside.min()) * 1e3,
            "height_mm": float(height.mean()) * 1e3,
            "plane_inductance_nh": inductance * 1e9,
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )


def _inward(view: View, near: EdgeRuns, rows: np.ndarray, heights: float) -> Proposal:
    """Each straight stretch that runs along the edge moved to `heights` heights inside it, the furthest one first."""
    board, runs = view.board, view.runs
    moves: dict[tuple[float, float], dict[str, Any]] = {}
    for row in sorted(rows.tolist(), key=lambda r: (round(float(near.inside[r]), 9), float(-runs.length[near.run[r]]))):
        run, trace = int(near.run[row]), int(runs.trace[near.run[row]])
        if board.traces.turn[trace] != 0:
            continue
        (x0, y0), (x1, y1) = runs.line[run].coords[0], runs.line[run].coords[-1]
        across = np.array([y0 - y1, x1 - x0]) / np.hypot(x1 - x0, y1 - y0)
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        edge = shapely.shortest_line(shapely.Point(middle), board.areas.shape[near.area[row]].exterior)
        inward = (np.asarray(edge.coords[-1]) - middle) * (1 if near.inside[row] < 0 else -1)
        side = float(np.dot(inward, across))
        if abs(side) < ALONG * float(np.hypot(*inward)):  # it runs towards the edge, not along it
            continue
        step = across * np.sign(side) * (heights * float(near.height[row]) - float(near.inside[row]) + MARGIN)
        line = (round(float(np.dot(middle, across)), 6), round(float(across[0]), 3))  # one move for one straight line
        moves.setdefault(line, {"at": tuple(middle.tolist()), "by": tuple(step.tolist())})
    run = int(near.run[rows[0]])
    name, layer = board.nets[runs.net[run]], int(runs.layer[run])
    text = f"move {name} at least {heights:g} heights inside the edge"
    changes: list[dict[str, Any]] = [
        {"kind": "shift-trace", "arguments": {"net": name, "layer": layer, **move}} for move in moves.values()
    ]
    if len(changes) == 1:
        return Proposal(text, "shift-trace", changes[0]["arguments"])
    return Proposal(text, "several" if changes else "", {"changes": changes} if changes else {})
