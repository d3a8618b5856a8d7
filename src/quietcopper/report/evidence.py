"""The evidence that a page can draw, by key of ``Finding.evidence``.

A check puts plain data (numbers, strings, booleans, lists, dicts; numpy arrays are accepted and become lists) into
``evidence``. Evidence goes into the result document as it is, so every key that holds a number ends in its unit:
``_mm``, ``_um``, ``_mm2``, ``_hz``, ``_mhz``, ``_ohm``, ``_v``, ``_mv``, ``_h``, ``_nh``, ``_f``, ``_pf``, ``_s``,
``_ps``, ``_db``, ``_percent``; a bare name is a pure number, a count or text. Lengths and coordinates are millimetres
on the board's own axes (x right, y up, seen from layer 1); layers are counted from 0 as in the tables. Any key may be
left out; a key with another form than described here is listed in words and never drawn.

Scalars (number, text, true/false) at the top level are listed as a small table, in the order given, the name made
readable: ``slot_mm: 23.1`` becomes "slot 23.1 mm". Keep them to the handful that a designer would want to check.

Drawings, each a dict under its own key ("?" marks optional keys; x and y lists have equal lengths):

``section`` : the cross-section through the place, looking along the line, y upward from the lowest sheet's lower face::

    {"strips": [{"x_mm", "y_mm", "width_mm", "thickness_mm",      # centre, lower face, wider face, copper
                 "role": "line" | "neighbour" | "ground",          # line: the conductor judged; ground: any reference
                 "name"?: "CLK", "etch"?: 0.25, "narrow_top"?: True}],
     "sheets": [{"thickness_mm", "er", "name"?}],                   # bottom to top
     "plane_below": True, "plane_above": False,
     "plane_below_name"?: "layer 2, GND", "plane_above_name"?: "layer 4, GND",
     "mask_um"?: 20.0,
     "view_mm"?: [left, right, bottom, top],                        # what is drawn; else chosen from the strips
     "field_lines"?: [[[x, y], ...], ...],                          # mm; electric field, the same flux between them
     "equipotentials"?: [[[x, y], ...], ...]}                       # mm

``impedance`` : one figure against its target::

    {"found_ohm": 61.2, "target_ohm": 50.0, "tolerance_percent"?: 10.0, "name"?: "CLK on layer 1"}

``impedance_profile`` : what an edge meets along the path::

    {"distance_mm": [...], "found_ohm": [...], "target_ohm"?: 50.0}

``spectrum`` : level against limit over a logarithmic frequency axis; any one of the units dbuv_m, dbuv, dbua, v, ohm::

    {"frequency_hz": [...], "level_dbuv_m": [...], "limit_dbuv_m"?: [...] | number, "limit_name"?: "CISPR 32 class B"}

``waveform`` : noise or signal in time, with the figure it may reach::

    {"time_ps": [...], "level_mv": [...], "allowed_mv"?: 150.0, "name"?: "victim, far end"}

``return_path`` : a plan of the place: the signal's way, the way its return must take, what is in between. Drawn beside
the text, and on the board when the finding is chosen::

    {"signal_mm": [[x, y], ...], "return_mm": [[x, y], ...], "opening_mm"?: [[x, y], ...]}

``reach`` : a distance in the plane, drawn on the board as a dimension line (via to the nearest return via, trace edge
to plane edge, trace to trace)::

    {"from_mm": [x, y], "to_mm": [x, y], "distance_mm": 4.2, "allowed_mm"?: 1.0, "what": "nearest ground via"}

``transition`` : a layer change drawn through the board's own stackup::

    {"upper": 0, "lower": 3, "upper_reference"?: 1, "lower_reference"?: 2,   # layer indices; leave out where none
     "return_distance_mm"?: 4.2, "return_what"?: "ground via" | "capacitor C12"}   # else taken from reach

``contributions`` : a sum and its parts, one bar each, all in one unit (SI)::

    [{"what": "gap inductance", "value": 0.041, "unit": "V"}, ...]

``standing_wave`` : a finger or bar of copper with its quarter- or half-wave frequency::

    {"length_mm": 31.0, "frequency_hz": 1.1e9, "ends": "one tied" | "both open" | "both tied"}

``mode`` : a map over the board: the voltage of a plane-pair mode, a return-current density, a distance to the nearest
tie. Cell centres on a regular grid; null where there is no copper::

    {"x_mm": [...], "y_mm": [...], "level": [[...], ...],           # one row per y
     "what": "mode voltage", "unit"?: "", "frequency_hz"?: 7.4e8, "signed"?: True,
     "signal_mm"?: [[x, y], ...], "return_mm"?: [[[x, y], ...], ...],   # drawn over it: a line, and ways of its return
     "edges_mm"?: [[[x, y], ...], ...]}                                 # and outlines of the copper

``tie_map`` : a second map of the same form, the distance to the nearest tie
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from quietcopper.report.charts import Curve, bars, plot, target_bar
from quietcopper.report.safe import Markup
from quietcopper.report.sections import section_svg, transition_svg
from quietcopper.report.svg import chart
from quietcopper.report.words import count_word, figure, number, scalar, sign

Data = Mapping[str, Any]


@dataclass(frozen=True)
class Picture:
    """One drawing of evidence with its caption."""

    svg: Markup
    caption: str


def _frequency(value: float) -> str:
    return figure(value, "Hz")


def _section(data: Data, document: Data) -> Picture:
    caption = "The cross-section that was solved, to scale"
    if data.get("field_lines"):
        caption += ", with its electric field and (dashed) lines of equal voltage"
    return Picture(section_svg(data), caption)


def _impedance(data: Data, document: Data) -> Picture:
    label = data.get("name", "Impedance")
    svg = target_bar(data["found_ohm"], data["target_ohm"], data.get("tolerance_percent"), "ohm", label)
    return Picture(svg, f"{label}: found against target")


def _impedance_profile(data: Data, document: Data) -> Picture:
    x = data["distance_mm"]
    curves = [Curve(x, data["found_ohm"], "level")]
    if data.get("target_ohm"):
        curves.insert(0, Curve([x[0], x[-1]], [data["target_ohm"]] * 2, "limit", "target"))
    svg = plot(curves, label="Impedance along the path", x_text=lambda v: f"{number(v)} mm", y_unit="Ω")
    return Picture(svg, "The impedance that an edge meets along the path")


_LEVELS = {"dbuv_m": "dBµV/m", "dbuv": "dBµV", "dbua": "dBµA", "v": "V", "ohm": "ohm"}


def _spectrum(data: Data, document: Data) -> Picture:
    unit = next(key.removeprefix("level_") for key in data if key.startswith("level_"))
    frequency, level, limit = data["frequency_hz"], data[f"level_{unit}"], data.get(f"limit_{unit}")
    lines = len(frequency) <= 120 and all(a < b for a, b in pairwise(frequency))
    curves = [Curve(frequency, level, "comb" if lines and unit.startswith("db") else "level")]
    name = data.get("limit_name", "limit")
    if isinstance(limit, int | float):
        limit = [limit] * len(frequency)
    if limit:
        curves.insert(0, Curve(frequency, limit, "limit", name))
    ohms = unit == "ohm"
    what = "Impedance" if ohms else "Spectrum"
    label, of = f"{what} against {'the ' if ohms else ''}{name}", sign(_LEVELS[unit])
    svg = plot(curves, label=label, x_text=_frequency, y_unit=of, log_x=True, log_y=ohms)
    return Picture(svg, f"The {label[0].lower()}{label[1:]}" if limit else f"The {what.lower()}")


def _waveform(data: Data, document: Data) -> Picture:
    time, level = data["time_ps"], data["level_mv"]
    curves = [Curve(time, level, "level")]
    if data.get("allowed_mv"):
        curves.insert(0, Curve([time[0], time[-1]], [data["allowed_mv"]] * 2, "limit", "allowed"))
    name = data.get("name", "Waveform")
    svg = plot(curves, label=name, x_text=lambda v: figure(v * 1e-12, "s"), y_unit="mV")
    return Picture(svg, name)


def _transition(data: Data, document: Data) -> Picture:
    return Picture(transition_svg(data, document), "The layer change, through the board's own layers")


def _contributions(data: Any, document: Data) -> Picture:
    rows = [(str(row["what"]), float(row["value"]), str(row["unit"])) for row in data]
    return Picture(bars(rows, "Parts of the sum"), f"What adds up to it: {count_word(len(rows))} parts")


_STANDING = {"one tied": 0.25, "both open": 0.5, "both tied": 0.5}  # wavelengths on the copper


def _standing_wave(data: Data, document: Data) -> Picture:
    turns = _STANDING[data["ends"]]
    left, length, y, high = 20.0, 300.0, 52.0, 34.0
    start = math.pi / 2 if data["ends"] == "both open" else 0.0  # voltage: zero where tied, largest where open
    points = [
        (left + length * i / 48, y - 6 - high * abs(math.sin(start + 2 * math.pi * turns * i / 48))) for i in range(49)
    ]
    tied = {"one tied": (left,), "both tied": (left, left + length), "both open": ()}[data["ends"]]
    line = "L".join(f"{x:.1f} {v:.1f}" for x, v in points)
    text = f"{figure(data['length_mm'], 'mm')} · {figure(data['frequency_hz'], 'Hz')}"
    items = [
        Markup('<path class="curve level" d="M{}"/>').format(line),
        Markup('<rect class="strip line" x="{}" y="{}" width="{}" height="6"/>').format(left, y, length),
        *(Markup('<path class="zero" d="M{} {}v18m-6 0h12"/>').format(x, y + 3) for x in tied),
        Markup('<text class="small middle" x="{}" y="88">{}</text>').format(left + length / 2, text),
    ]
    svg = chart(340, 96, "Standing wave", items)
    return Picture(svg, "Voltage along the copper at its first resonance")


MODE_STEPS = 4  # tints of a map, on either side of zero where it is signed


def drawn_map(data: Data, width: float) -> tuple[Markup, float, float]:
    """The body of a map `width` px wide, the width that it shows (mm), its height (px)."""
    xs, ys, level = data["x_mm"], data["y_mm"], data["level"]
    dx, dy = abs(xs[1] - xs[0]), abs(ys[1] - ys[0])
    x0, y1 = min(xs) - dx / 2, max(ys) + dy / 2
    shown = max(xs) - min(xs) + dx
    scale = width / shown
    top = _top(level)
    cells: dict[str, list[str]] = {}
    for y, row in zip(ys, level, strict=True):
        for x, value in zip(xs, row, strict=True):
            if value is None:
                continue
            step = min(MODE_STEPS, math.floor(abs(value) / top * MODE_STEPS + 0.5))
            css = f"{'m' if data.get('signed') and value < 0 else 'p'}{step}"
            cells.setdefault(css, []).append(
                f"M{(x - dx / 2 - x0) * scale:.1f} {(y1 - y - dy / 2) * scale:.1f}"
                f"h{dx * scale:.1f}v{dy * scale:.1f}h-{dx * scale:.1f}z"
            )
    body = [Markup('<path class="map {}" d="{}"/>').format(c, "".join(d)) for c, d in sorted(cells.items())]
    lines = [(ring, "leader") for ring in data.get("edges_mm", ())]
    lines += [(data.get("signal_mm"), "way"), *((way, "return") for way in data.get("return_mm", ()))]
    for points, css in lines:
        if points:
            d = "L".join(f"{(x - x0) * scale:.1f} {(y1 - y) * scale:.1f}" for x, y in points)
            body.append(Markup('<path class="{}" d="M{}"/>').format(css, d))
    return Markup("").join(body), shown, (max(ys) - min(ys) + dy) * scale


def _top(level: Any) -> float:
    return max((abs(v) for row in level for v in row if v is not None), default=0.0) or 1.0


def _mode(data: Data, document: Data) -> Picture:
    body, _, height = drawn_map(data, 320)
    what = data["what"] + (f" at {_frequency(data['frequency_hz'])}" if "frequency_hz" in data else "")
    svg = chart(320, height, what, [body])
    top = _top(data["level"])
    if data.get("unit"):
        what += f", darkest: {figure(top, data['unit'])}"
    elif data.get("signed"):
        what += ", most where darkest; the two tints swing against each other"
    return Picture(svg, what)


_DRAWN: Mapping[str, Callable[[Any, Data], Picture]] = {
    "section": _section,
    "transition": _transition,
    "impedance": _impedance,
    "impedance_profile": _impedance_profile,
    "waveform": _waveform,
    "spectrum": _spectrum,
    "contributions": _contributions,
    "standing_wave": _standing_wave,
    "mode": _mode,
    "tie_map": _mode,
}
_ON_THE_BOARD = {"return_path", "reach"}  # drawn by quietcopper.report.pictures


def _with_reach(transition: Any, reach: Any) -> Any:
    """A transition that leaves its return out takes the distance from the finding's reach."""
    if not isinstance(transition, dict) or not isinstance(reach, dict) or "return_distance_mm" in transition:
        return transition
    distance, what = reach.get("distance_mm"), reach.get("what", "next return")
    return {**transition, "return_distance_mm": distance, "return_what": what}


def pictures(evidence: Data, document: Data) -> tuple[list[Picture], list[str]]:
    """(drawings, keys that have another form than this module describes), in the order of `_DRAWN`."""
    drawn, odd = [], []
    for key, draw in _DRAWN.items():
        if key not in evidence:
            continue
        try:
            data = evidence[key]
            if key == "transition":
                data = _with_reach(data, evidence.get("reach"))
            drawn.append(draw(data, document))
        except (KeyError, TypeError, ValueError, IndexError, AttributeError, StopIteration, ZeroDivisionError):
            odd.append(key)
    return drawn, odd


def _short_list(value: Any) -> bool:
    return isinstance(value, list) and 0 < len(value) <= 6 and all(isinstance(v, str | int | float) for v in value)


def scalars(evidence: Data) -> list[tuple[str, str]]:
    """The plain entries as (name, figure), in their order; short lists of numbers or words count as plain."""
    rows = []
    for key, value in evidence.items():
        if key not in _DRAWN and (value is None or isinstance(value, str | bool | int | float)):
            rows.append(scalar(key, value))
        elif key not in _DRAWN and key not in _ON_THE_BOARD and _short_list(value):
            texts = [scalar(key, item) for item in value]
            rows.append((texts[0][0], ", ".join(text for _, text in texts)))
    reach = evidence.get("reach")
    if isinstance(reach, dict) and isinstance(reach.get("distance_mm"), int | float):
        rows.append((str(reach.get("what", "distance")), figure(reach["distance_mm"], "mm")))
    return rows
