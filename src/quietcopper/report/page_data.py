"""What the page's script needs to move the board and find things on it, as short lists."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from quietcopper.report.pictures import place_box
from quietcopper.report.svg import UNITS_PER_MM, BoardShapes, Box, joined, units

if TYPE_CHECKING:
    from quietcopper.report.letter import Teller

FOCUS_MM = 12.0  # least side of the window that the board moves to for one place
LOOSE_FOCUS = 0.55  # of the board's larger side, for a place without a shape of its own (a pair of planes)


def _focus(box: Box, least: float = FOCUS_MM) -> list[int]:
    """The window that shows a place with its surroundings, in drawing units: x, y, width, height."""
    wide = box.grown(0.25 * max(box.width, box.height) + 1.5).at_least(least, least)
    return [int(v) for v in wide.view.split()]


def _net_windows(shapes: BoardShapes) -> list[list[Any]]:
    """[name, window, index] of every named net that has copper, by name."""
    nets = shapes.drawing.nets
    low, high = np.full((len(nets), 2), np.inf), np.full((len(nets), 2), -np.inf)
    for drawn in shapes.layers:
        layer = drawn.layer
        for bounds, owner in zip(drawn.bounds, (layer.area_nets, layer.trace_nets, layer.pad_nets), strict=True):
            solid = np.isfinite(bounds).all(axis=1)
            rows = np.asarray(owner, dtype=np.int64)[solid]
            np.minimum.at(low, rows, bounds[solid][:, :2])
            np.maximum.at(high, rows, bounds[solid][:, 2:])
    return [
        [name, _focus(Box(*low[i].tolist(), *high[i].tolist())), i]
        for i, name in sorted(enumerate(nets), key=lambda item: item[1])
        if name and np.isfinite(low[i]).all()
    ]


def _walks(shapes: BoardShapes) -> dict[str, list[Any]]:
    """By net its ways: [from, to, length in mm, stretches], a stretch as [kind, layer, length in mm, ohm, reference,
    its layer, lines]; lines in drawing units."""
    lines = [line for ways in shapes.drawing.walks.values() for way in ways for s in way.stretches for line in s.lines]
    values = units(np.concatenate(lines)).ravel().tolist() if lines else []
    ends = (2 * np.cumsum([len(line) for line in lines])).tolist()
    drawn = (values[begin:end] for begin, end in zip([0, *ends], ends, strict=False))
    return {
        net: [
            [
                way.start,
                way.end,
                round(way.length_mm, 3),
                [
                    [
                        *(s.kind, s.layer, round(s.length_mm, 3), None if s.z_ohm is None else round(s.z_ohm, 1)),
                        *(s.reference, s.reference_layer, [next(drawn) for _ in s.lines]),
                    ]
                    for s in way.stretches
                ],
            ]
            for way in ways
        ]
        for net, ways in shapes.drawing.walks.items()
    }


def page_data(document: Mapping[str, Any], teller: Teller) -> dict[str, Any]:
    """By name what the script reads; places and causes in the document's order."""
    places = []
    whole = teller.shapes.box
    loose = max(FOCUS_MM, LOOSE_FOCUS * max(whole.width, whole.height))
    for number, finding in enumerate(document["findings"], start=1):
        places.append(
            {
                "n": number,
                "id": teller.anchors[finding["id"]],
                "title": finding["title"],
                "grade": finding["grade"],
                "at": units([finding["at_mm"]])[0].tolist(),
                "window": _focus(place_box(finding), FOCUS_MM if finding["shape"] else loose),
                "layer": teller.layer_of(finding),
                "nets": [teller.shapes.net_index[n] for n in finding["nets"] if n in teller.shapes.net_index],
                "layers": sorted(teller.layers_of(finding)),
                "check": finding["check"],
                "finding": finding["id"],
                "excess": finding["excess_db"],
                "words": " ".join([*finding["nets"], *finding["parts"], finding["check"]]).lower(),
            }
        )
    causes = []
    for number, cause in enumerate(document["causes"], start=1):
        findings = [teller.findings[i] for i in cause["findings"]]
        window = joined([place_box(f) for f in findings])
        causes.append(
            {
                "id": f"cause-{number}",
                "window": _focus(window),
                "layer": teller.layer_of(findings[0]),
                "places": [teller.numbers[i] for i in cause["findings"]],
                "cause": cause["id"],
            }
        )
    parts = [
        [
            ref,
            [round((x - 6) * UNITS_PER_MM), round((-y - 6) * UNITS_PER_MM), 12 * UNITS_PER_MM, 12 * UNITS_PER_MM],
            side,
        ]
        for ref, x, y, side in sorted(teller.shapes.drawing.parts)
    ]
    return {
        "places": places,
        "causes": causes,
        "nets": _net_windows(teller.shapes),
        "parts": parts,
        "walks": _walks(teller.shapes),
        "names": [row["name"] for row in document["stackup"]["layers"]] or list(document["board"]["layers"]),
        "sheets": [sheet["thickness_mm"] for sheet in document["stackup"]["dielectrics"]],
        "layers": len(teller.shapes.layers),
        "size": teller.shapes.size,
    }
