"""Drawings through the board: its own stackup, a line's cross-section, a layer change. Sizes in pixels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from quietcopper.report.safe import Markup
from quietcopper.report.svg import BoardShapes, chart
from quietcopper.report.words import figure, number, shortened

STACK_WIDTH, FAN = 300, 46  # px of the cut, and of the lines that fan out from it to the rows beside
ROW = 34  # px of one layer's row
THINNEST = 2.0  # px that a copper layer is drawn at least
LAYER_TEXT = 20  # characters beside a layer of a drawing; what it carries where that is short enough, else its name


def layer_heights(stackup: Mapping[str, Any], layers: int, height: float) -> list[tuple[float, float]]:
    """(top, thickness) of each copper layer in px, true to scale over `height` where the thicknesses are known."""
    rows, sheets = stackup["layers"], stackup["dielectrics"]
    copper = [(row["thickness_um"] or 0.0) * 1e-3 for row in rows] if len(rows) == layers else [0.035] * layers
    between = [sheet["thickness_mm"] or 0.0 for sheet in sheets] if len(sheets) == layers - 1 else [0.2] * (layers - 1)
    total = sum(copper) + sum(between)
    if total <= 0:
        copper, between, total = [0.0] * layers, [1.0] * (layers - 1), float(max(layers - 1, 1))
    scale = (height - THINNEST) / total
    out, y = [], 0.0
    for thickness, sheet in zip(copper, [*between, 0.0], strict=True):
        out.append((y, max(THINNEST, thickness * scale)))
        y += (thickness + sheet) * scale
    return out


def copper_along(shapes: BoardShapes, layer: int, y: float) -> list[tuple[float, float]]:
    """Stretches (x from, x to; mm) of copper that a cut along y meets on one layer, merged and in order."""
    drawn = shapes.layers[layer]
    area_bounds, trace_bounds, pad_bounds = drawn.bounds
    box = shapes.box
    cut = shapely.LineString([(box.x0 - 1, y), (box.x1 + 1, y)])
    found: list[Any] = []
    for geometries, bounds in ((drawn.areas, area_bounds), (drawn.pads, pad_bounds)):
        rows = np.flatnonzero((bounds[:, 1] <= y) & (bounds[:, 3] >= y))
        if len(rows):
            found += shapely.get_parts(shapely.intersection(shapely.make_valid(geometries[rows]), cut)).tolist()
    rows = np.flatnonzero((trace_bounds[:, 1] <= y) & (trace_bounds[:, 3] >= y))
    if len(rows):
        lines = shapely.linestrings(
            [p for i in rows for p in drawn.layer.traces[i]], indices=_indices(drawn.layer.traces, rows)
        )
        width = np.array([drawn.layer.trace_widths[i] for i in rows])
        found += shapely.get_parts(shapely.intersection(shapely.buffer(lines, width / 2, quad_segs=4), cut)).tolist()
    spans = sorted((g.bounds[0], g.bounds[2]) for g in found if g.length > 0)
    merged: list[tuple[float, float]] = []
    for low, high in spans:
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _indices(traces: Sequence[Any], rows: np.ndarray[Any, Any]) -> list[int]:
    return [n for n, i in enumerate(rows) for _ in range(len(traces[i]))]


def best_cut(shapes: BoardShapes, candidates: Sequence[float]) -> float:
    """The y (mm) of the candidates, else of the board's middle, at which a cut meets copper on most layers."""
    box = shapes.box
    inside = [y for y in candidates if box.y0 <= y <= box.y1]
    tried = [*dict.fromkeys(inside), (box.y0 + box.y1) / 2]
    best, most = tried[0], -1
    for y in tried:
        met = sum(bool(copper_along(shapes, i, y)) for i in range(len(shapes.layers)))
        if met > most:
            best, most = y, met
        if met == len(shapes.layers):
            break
    return best


def stack_svg(document: Mapping[str, Any], shapes: BoardShapes, cut_y: float) -> Markup:
    """The board cut along y: copper as it is met, heights to scale, with lines that lead to the rows beside it."""
    layers = len(shapes.layers)
    height = ROW * layers - 14.0
    heights = layer_heights(document["stackup"], layers, height)
    box = shapes.box
    scale = STACK_WIDTH / box.width
    top = (ROW * layers - height) / 2
    items = [
        Markup('<rect class="laminate" x="0" y="{:.1f}" width="{}" height="{:.1f}"/>').format(
            top, STACK_WIDTH, heights[-1][0] + heights[-1][1]
        )
    ]
    for i, (y, thickness) in enumerate(heights):
        row = ROW * i + ROW / 2
        mid = top + y + thickness / 2
        spans = [
            (max(0.0, low - box.x0) * scale, max(0.7, (high - low) * scale))
            for low, high in copper_along(shapes, i, cut_y)
        ]
        d = "".join(f"M{x:.1f} {top + y:.1f}h{w:.1f}v{thickness:.1f}h-{w:.1f}z" for x, w in spans)
        items.append(
            Markup(
                '<g class="stack-layer" data-layer="{}"><path class="leader" d="M{} {:.1f}h8L{} {:.1f}h6"/>'
                '<path class="stack-copper" d="{}"/></g>'
            ).format(i, STACK_WIDTH, mid, STACK_WIDTH + FAN - 6, row, d)
        )
    return Markup(
        '<svg class="stack" viewBox="0 0 {0} {1}" width="{0}" height="{1}" preserveAspectRatio="none" role="img"'
        ' aria-label="Cross-section of the board, layers to scale in height">{2}</svg>'
    ).format(STACK_WIDTH + FAN, ROW * layers, Markup("").join(items))


def spread(positions: Sequence[float], least: float) -> list[float]:
    """Ascending positions moved apart to at least that distance, their middle kept."""
    moved: list[float] = []
    for y in positions:
        moved.append(max(y, moved[-1] + least) if moved else y)
    shift = (sum(moved) - sum(positions)) / max(len(moved), 1)
    return [y - shift for y in moved]


def _view(strips: Sequence[Mapping[str, Any]], total: float) -> tuple[float, float, float, float]:
    """Left, right, bottom and top (mm) of what is drawn of a section: its lines and as much beside them."""
    lines = [s for s in strips if s["role"] != "ground"] or list(strips)
    middle = (min(s["x_mm"] - s["width_mm"] / 2 for s in lines) + max(s["x_mm"] + s["width_mm"] / 2 for s in lines)) / 2
    reach = max(max(abs(s["x_mm"] - middle) + s["width_mm"] / 2 for s in lines) * 1.5, total * 1.6)
    above = max([s["y_mm"] + s["thickness_mm"] for s in strips] + [total])
    return middle - reach, middle + reach, min([0.0, *(s["y_mm"] for s in strips)]), above


def section_svg(section: Mapping[str, Any], width: int = 430) -> Markup:
    """A line's cross-section with its sheets, references and neighbours, equal scale both ways."""
    strips, sheets = section["strips"], section["sheets"]
    total = sum(s["thickness_mm"] for s in sheets)
    left, right, bottom, above = section.get("view_mm") or _view(strips, total)
    copper = min((s["thickness_mm"] for s in strips if s["thickness_mm"] > 0), default=0.035)
    plane = max(0.015 * (right - left), copper)
    room = width - 120
    scale = room / (right - left)
    tall = min(max((above - bottom) * scale, 50), 240)
    scale = min(scale, tall / (above - bottom))
    middle = (left + right) / 2
    pad_top = 26 + plane * scale
    height = (above - bottom) * scale + pad_top + plane * scale + 22

    def px(x: float) -> float:
        return room / 2 + (x - middle) * scale

    def py(y: float) -> float:
        return pad_top + (above - y) * scale

    items, y = [], 0.0
    for sheet in sheets:
        y_top = y + sheet["thickness_mm"]
        items.append(
            Markup('<rect class="sheet" x="0" y="{:.1f}" width="{}" height="{:.1f}"/>').format(
                py(y_top), width - 120, sheet["thickness_mm"] * scale
            )
        )
        items.append(
            Markup('<text class="small" x="{}" y="{:.1f}">{} · εr {}</text>').format(
                width - 112, py((y + y_top) / 2) + 4, figure(sheet["thickness_mm"], "mm"), number(sheet["er"])
            )
        )
        y = y_top
    for key, level, name in (("plane_below", 0.0, "plane_below_name"), ("plane_above", total, "plane_above_name")):
        if section.get(key):
            y_px = py(level) if key == "plane_below" else py(level) - plane * scale
            items.append(
                Markup('<rect class="plane" x="0" y="{:.1f}" width="{}" height="{:.1f}"/>').format(
                    y_px, width - 120, plane * scale
                )
            )
            label_y = y_px + plane * scale + 13 if key == "plane_below" else y_px - 4
            items.append(
                Markup('<text class="small" x="0" y="{:.1f}">{}</text>').format(label_y, section.get(name, ""))
            )
    for curves, css in ((section.get("equipotentials"), "equipotential"), (section.get("field_lines"), "field-line")):
        for curve in curves or ():
            d = "M" + "L".join(f"{px(x):.1f} {py(y):.1f}" for x, y in curve)
            items.append(Markup('<path class="{}" d="{}"/>').format(css, d))
    mask, drawn = section.get("mask_um"), bool(section.get("field_lines"))
    for strip in strips:
        half, thick = strip["width_mm"] / 2, max(strip["thickness_mm"] * scale, 1.5)
        back = strip.get("etch", 0.0) * strip["thickness_mm"] * scale
        bottom_cut, top_cut = (0.0, back) if strip.get("narrow_top", True) else (back, 0.0)
        x0, x1, y0 = px(strip["x_mm"] - half), px(strip["x_mm"] + half), py(strip["y_mm"])
        x0, x1 = max(x0, 0.0), min(x1, float(width - 120))
        if x1 <= x0:
            continue
        if mask:
            m = mask * 1e-3 * scale
            items.append(
                Markup('<rect class="mask" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
                    x0 - m, y0 - thick - m, x1 - x0 + 2 * m, thick + m
                )
            )
        items.append(
            Markup('<path class="strip {}" d="M{:.1f} {:.1f}H{:.1f}L{:.1f} {:.1f}H{:.1f}z"/>').format(
                strip["role"], x0 + bottom_cut, y0, x1 - bottom_cut, x1 - top_cut, y0 - thick, x0 + top_cut
            )
        )
        if strip["role"] == "line":
            text = f"{strip.get('name', '')} {figure(strip['width_mm'], 'mm')}".strip()
            above_line = (x0 + x1) / 2, (y0 - thick - 7 if not drawn else 14.0)  # field lines leave no room at it
            items.append(Markup('<text class="small middle" x="{:.1f}" y="{:.1f}">{}</text>').format(*above_line, text))
    return chart(width, height, "Cross-section of the line", items, "section")


def transition_svg(change: Mapping[str, Any], document: Mapping[str, Any], width: int = 430) -> Markup:
    """A layer change drawn through the board's own layers: the signal's way, its references, the nearest return."""
    names = document["board"]["layers"]
    heights = layer_heights(document["stackup"], len(names), max(80.0, 22.0 * len(names)))
    upper, lower = change["upper"], change["lower"]
    given = [change.get(key) for key in ("upper_reference", "lower_reference")]
    refs = {int(i) for i in given if i is not None and i >= 0}
    left, right, via, top = 8.0, width - 130.0, 110.0, 12.0
    items = []
    for i, (y, thickness) in enumerate(heights):
        y += top
        if i in (upper, lower):
            continue
        css = "plane" if i in refs else "other"
        items.append(
            Markup(
                '<rect class="{}" x="{}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>'
                '<rect class="opening" x="{:.1f}" y="{:.1f}" width="24" height="{:.1f}"/>'
            ).format(css, left, y, right - left, max(thickness, 3), via - 12, y - 0.5, max(thickness, 3) + 1)
        )
    named = sorted({upper, lower, *refs})
    middles = [top + heights[i][0] + heights[i][1] / 2 for i in named]
    for i, y in zip(named, spread(middles, 15.0), strict=True):
        carries = document["stackup"]["layers"][i]["carries"] if i < len(document["stackup"]["layers"]) else ""
        text = carries if 0 < len(carries) <= LAYER_TEXT else shortened(names[i], LAYER_TEXT)
        items.append(
            Markup('<text class="small" x="{}" y="{:.1f}">{}\u2002{}</text>').format(right + 8, y + 4, i + 1, text)
        )
    y0, y1 = (top + heights[i][0] + heights[i][1] / 2 for i in (upper, lower))
    items.append(Markup('<path class="way" d="M{} {:.1f}H{}V{:.1f}H{:.1f}"/>').format(left, y0, via, y1, right))
    distance = change.get("return_distance_mm")
    bottom = top + heights[-1][0] + heights[-1][1]
    if len(refs) == 2 and distance is not None:
        ra, rb = (top + heights[i][0] + heights[i][1] / 2 for i in sorted(refs))
        x = via + 130
        items.append(
            Markup(
                '<path class="return" d="M{:.1f} {:.1f}V{:.1f}"/><path class="reach" d="M{:.1f} {:.1f}H{:.1f}"/>'
                '<text class="small middle" x="{:.1f}" y="{:.1f}">{}: {}</text>'
            ).format(
                x,
                ra,
                rb,
                via,
                bottom + 14,
                x,
                (via + x) / 2,
                bottom + 28,
                change.get("return_what", "next return"),
                figure(distance, "mm"),
            )
        )
    height = bottom + 36
    return chart(width, height, "Layer change through the board", items, "transition")
