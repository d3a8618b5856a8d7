"""A clock or a switched node so close to a connector that its field reaches the cable's pins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.board.model import Floats
from quietcopper.electrical.border import PIN_LENGTH, PIN_RADIUS, CabledConnector, cabled
from quietcopper.electrical.border_currents import current_estimate, sent
from quietcopper.electrical.cables import if_cabled, is_assumed, title_if_cabled
from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
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
from quietcopper.units import EPS0, engineering

NAME = "clock-beside-connector"
QUESTION = "Does a clock source or a switched node stand so close to a connector that its field reaches the cable?"
MECHANISM = """Copper at a clock's voltage on an outer layer is an electric dipole over its plane. Its field ends on
whatever stands up beside it, and a connector's contacts hand the current on to the cable past every filter."""
FORMULA = """Potential of the copper's double layer, V·A·H/(2·pi·(d² + H²)^1.5) at the tip of a contact H = 8 mm tall
at distance d (exact for a small patch at voltage V and area A in a plane), times the contact's capacitance
2·pi·eps0·H/ln(2H/a), as a current at each frequency into the cable, all signal and supply contacts together.
Housings and shields of the connector are not seen: an upper bound for ranking."""
ALLOWANCES: Mapping[str, Limit] = {
    "reach_mm": Limit(40.0, "mm", "common practice, no source", "Copper further away is not looked at."),
}
SOURCES = (
    "Patch at a voltage in a grounded plane: Jackson, Classical Electrodynamics, chapter 2 (from memory)",
    "Thin vertical wire over a plane: textbook",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
FURTHER = 2.0  # times the distance, of the change that is proposed


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    reach = 1e-3 * view.settings.allowance(f"{NAME}.reach_mm", ALLOWANCES["reach_mm"].default)
    clocks = [n for n, d in enumerate(view.drivers) if d.kind == "clock" and d.swing > 0 and d.rate > 0]
    connectors = [c for c in cabled(view) if not c.shielded and (c.lines or c.supply)]
    yield Coverage(NAME, len(clocks), len(clocks), "clocks and switched nodes")
    for net in clocks:
        patches = _patches(view, net)
        for connector in connectors:
            if any(net in line.nets for line in connector.lines):
                continue  # it leaves by this connector: another check prices that
            finding = _price(view, connector, net, patches, reach)
            if finding is not None:
                yield finding


def _patches(view: View, net: int) -> tuple[Floats, Floats, Floats]:
    """Copper of a net on the outer layers, cut into places: x, y (m) and area (m2)."""
    board = view.board
    last = len(board.layers) - 1
    x, y, area = [], [], []
    for table, shapes in ((board.traces, None), (board.pads, board.pads.shape), (board.areas, board.areas.shape)):
        rows = np.flatnonzero((table.net == net) & np.isin(table.layer, (0, last)))
        if not len(rows):
            continue
        if shapes is None:
            at = shapely.line_interpolate_point(board.traces.lines[rows], 0.5, normalized=True)
            area.append(board.traces.length[rows] * board.traces.width[rows])
        else:
            at = shapely.centroid(shapes[rows])
            area.append(shapely.area(shapes[rows]))
        x.append(shapely.get_x(at))
        y.append(shapely.get_y(at))
    if not x:
        return np.empty(0), np.empty(0), np.empty(0)
    return np.concatenate(x), np.concatenate(y), np.concatenate(area)


def _price(
    view: View, connector: CabledConnector, net: int, patches: tuple[Floats, Floats, Floats], reach: float
) -> Finding | None:
    board = view.board
    pins = np.array([*(line.pin for line in connector.lines), *connector.supply], dtype=np.intp)
    x, y, area = patches
    distance = np.hypot(board.pins.x[pins][:, None] - x, board.pins.y[pins][:, None] - y)
    near = distance < reach
    if not near.any():
        return None
    height, wire = PIN_LENGTH, 2 * np.pi * EPS0 * PIN_LENGTH / np.log(2 * PIN_LENGTH / PIN_RADIUS)

    def transfer(factor: float) -> float:
        """F from the copper to all contacts, at `factor` times the distance."""
        share = area * height / (2 * np.pi * ((factor * distance) ** 2 + height**2) ** 1.5)
        return float(wire * np.where(near, share, 0.0).sum())

    capacitance = transfer(1.0)

    def law(driver: Driver) -> tuple[Floats, Floats]:
        frequency, level = sent(view, driver)
        return frequency, 2 * np.pi * frequency * capacitance * level

    estimate = current_estimate(view, connector.ref, view.drivers[net], law)
    if estimate is None:
        return None
    pin, patch = np.unravel_index(int(np.argmin(np.where(area > 0, distance, np.inf))), distance.shape)
    name, ref = board.nets[net], connector.ref
    at = float(x[patch]), float(y[patch])
    closest = float(distance[pin, patch])
    allowance = Allowance(estimate.limit, "A", estimate.source, "review.standard")
    away = f"move {name} to {engineering(FURTHER * closest, 'm')} from {ref}, or to an inner layer"
    change = Proposal(if_cabled(view, ref, away))
    return Finding(
        check=NAME,
        subject=(ref, name),
        title=f"{name} stands beside {ref}",
        message=f"{name} comes within {engineering(closest, 'm')} of {ref} on an outer layer: "
        f"{engineering(capacitance, 'F')} to its contacts, at most {engineering(estimate.field, 'A')} of common mode "
        f"at {estimate.frequency / 1e6:.0f} MHz (allowed {engineering(estimate.limit, 'A')}), {CAUTION}.",
        place=Place(at, shapely.Point(at), (), (name,), (ref,)),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(
            f"beside connector:{ref}",
            title_if_cabled(view, ref, f"clocks or switched nodes stand beside {ref}"),
            change,
            supposed=is_assumed(view, ref),
        ),
        remedies=(Remedy(change, allowance.excess_db(estimate.field * transfer(FURTHER) / capacitance)),),
        evidence={
            "transfer_ff": capacitance * 1e15,
            "worst_frequency_hz": estimate.frequency,
            "reach": {
                "from_mm": [at[0] * 1e3, at[1] * 1e3],
                "to_mm": [float(board.pins.x[pins[pin]]) * 1e3, float(board.pins.y[pins[pin]]) * 1e3],
                "distance_mm": closest * 1e3,
                "what": f"contact of {ref}",
            },
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )
