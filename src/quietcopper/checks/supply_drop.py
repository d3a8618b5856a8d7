"""A supply that loses too much of its voltage on its own copper."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from shapely import Point

from quietcopper.electrical.supply_drop import AreaCurrent, Drop
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "supply-drop"
QUESTION = "How much of a supply's voltage is lost in copper on the way to the parts that draw from it?"
MECHANISM = """Direct current through traces, holes and narrow copper takes a voltage that the part at the end of the
way lacks, and that adds to whatever its quick currents take. It grows with temperature, 0.4 % a kelvin."""
FORMULA = """Traces as resistors of their length and width, holes as plated barrels of 20 um wall, each area solved as a
sheet between the places where something meets it (finite volumes, 1 %). Copper at 20 degrees; the ground's own drop is
left out."""
ALLOWANCES: Mapping[str, Limit] = {
    "share": Limit(
        0.02,
        "1",
        "2 to 3 % of the supply is a usual share of a tolerance of 5 % (common practice, no source)",
        "Share of a supply's voltage that its copper may take.",
    ),
}
SOURCES = (
    "Resistance of a sheet: exact; grid held to four-point measurements that are exact (van der Pauw, Philips Research "
    "Reports 13, 1958)",
    "IPC-6012: plating of holes (from memory)",
)
MORE = 1.1  # times as wide as the drop alone wants, for what does not lie in the traces
WIDEST = 5e-3  # m; more is no trace any more (common practice, no source)
MAP = 60  # cells along a drawn map's longer side


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share = view.settings.allowance(f"{NAME}.share", ALLOWANCES["share"].default)
    looked = 0
    reasons: dict[str, int] = defaultdict(int)
    unreached = 0
    for net, drop in view.supply_drops.items():
        voltage = view.supplies[net].voltage
        if isinstance(drop, str):
            reasons[drop] += 1
        elif voltage is None or voltage == 0:
            reasons["their voltage is unknown; settings: nets.NAME.voltage_v"] += 1
        elif drop.worst is None:
            reasons["no copper leads from what feeds them to what draws"] += 1
        else:
            looked += 1
            unreached += len(drop.unreached)
            yield _finding(view, drop, share * abs(voltage))
    yield Coverage(NAME, looked, len(view.supply_drops), "supplies with parts that draw from them")
    for why, count in sorted(reasons.items()):
        yield NotChecked(NAME, "supplies", why, count)
    if unreached:
        yield NotChecked(NAME, "parts", "no copper leads to them from what feeds their supply", unreached)


def _finding(view: View, drop: Drop, allowed: float) -> Finding:
    board, supply, worst = view.board, drop.supply, drop.worst
    assert worst is not None
    net, ref, source = board.nets[supply.net], str(board.parts.ref[worst.part]), str(board.parts.ref[drop.source])
    lost = drop.drops[worst.part]
    allowance = Allowance(allowed, "V", ALLOWANCES["share"].source, f"{NAME}.share")
    at = (float(board.pins.x[worst.pins[0]]), float(board.pins.y[worst.pins[0]]))
    names = ("traces", "holes", "areas")
    total = supply.current
    change = Proposal(f"more copper in the {names[int(np.argmax(drop.power))]} of {net}")
    evidence: dict[str, Any] = {
        "current_a": total,
        "currents": "as set" if all(c.given for c in supply.consumers) else "assumed",
        "others": [
            f"{board.parts.ref[part]} {engineering(v, 'V')}"
            for part, v in sorted(drop.drops.items(), key=lambda d: -d[1])[1:4]
        ]
        or "none",
        "contributions": [
            {"what": what, "value": power / total, "unit": "V"}
            for what, power in zip(names, drop.power, strict=True)
            if power > 0
        ],
    }
    layers = [int(max(board.pins.layer[worst.pins[0]], 0))]
    if drop.areas:
        main = max(drop.areas, key=lambda a: (round(float(np.abs(a.into).sum()), 6), -a.area))
        evidence["mode"] = density_map(main, engineering(float(np.abs(main.into).sum() / 2), "A"))
        layers.append(int(board.areas.layer[main.area]))
    return Finding(
        check=NAME,
        subject=(net,),
        title=f"{net} loses {engineering(lost, 'V')} on its way from {source} to {ref}",
        message=f"{engineering(total, 'A')} of {net} from {source}; {ref} at the end of the way lacks "
        f"{engineering(lost, 'V')}.",
        place=Place(at, Point(at), tuple(dict.fromkeys(layers)), (net,), (source, ref)),
        predicted=lost,
        allowance=allowance,
        cause=CauseHint(f"supply copper:{net}", f"{net} has too little copper for its current", change),
        remedies=tuple(Remedy(c, None, "not solved") for c in (*_wider(view, drop, lost / allowed), change)),
        evidence=evidence,
    )


def _wider(view: View, drop: Drop, factor: float) -> list[Proposal]:
    """The traces of the layer where most is lost in traces, as much wider as the drop is too large, where traces lose
    more than holes and areas."""
    traces, net = view.board.traces, view.board.nets[drop.supply.net]
    if factor < 1 or not drop.traces or int(np.argmax(drop.power)) != 0:
        return []
    rows = np.array([row for row, _ in drop.traces])
    current = np.array([current for _, current in drop.traces])
    loss = current**2 * traces.length[rows] / traces.width[rows]
    by_layer = np.bincount(traces.layer[rows], weights=loss)
    layer = int(np.argmax(np.round(by_layer, 12)))
    worst = rows[traces.layer[rows] == layer]
    narrow = float(np.average(traces.width[worst], weights=loss[traces.layer[rows] == layer]))
    width = min(MORE * factor * narrow, WIDEST)
    where = view.board.layer_label(layer)
    text = f"widen the traces of {net} on {where} to {engineering(width, 'm', 2)} where there is room"
    return [Proposal(text, "widen-traces", {"net": net, "layer": layer, "width": width})]


def density_map(flow: AreaCurrent, what: str) -> dict[str, Any]:
    """Density of the current on an area as a map that the page draws, A/mm, the highest of several cells."""
    density = flow.sheet.density(flow.into) * 1e-3
    nx, ny = density.shape
    step = max(1, int(np.ceil(max(nx, ny) / MAP)))
    padded = np.full((-(-nx // step) * step, -(-ny // step) * step), -1.0)
    padded[:nx, :ny] = np.where(np.isnan(density), -1.0, density)
    coarse = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step).max(axis=(1, 3))
    grid = flow.sheet.grid
    xs = (grid.x0 + (np.arange(coarse.shape[0]) + 0.5) * step * grid.dx) * 1e3
    ys = (grid.y0 + (np.arange(coarse.shape[1]) + 0.5) * step * grid.dy) * 1e3
    top = float(np.quantile(coarse[coarse > 0], 0.98)) if (coarse > 0).any() else 0.0  # the rest crowds at contacts
    level = [[None if v < 0 else float(f"{min(v, top):.3g}") for v in row] for row in coarse.T]
    return {
        "x_mm": np.round(xs, 3).tolist(),
        "y_mm": np.round(ys, 3).tolist(),
        "level": level,
        "what": f"Density of {what} of direct current",
        "unit": "A/mm",
    }
