"""Where the return current of a net flows on its planes: solved by stretches, told in words, drawn as one file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.electrical.return_maps import map_of, stretches
from quietcopper.errors import CallError, OutOfRange
from quietcopper.files import write_whole
from quietcopper.report.inline import maps_picture
from quietcopper.units import MM, engineering

if TYPE_CHECKING:
    from quietcopper.electrical.profile import Profile
    from quietcopper.electrical.view import View

SHORTEST = 1e-3  # m; shorter stretches are pads and necks of a way, not drawn
DRAWN = 240  # cells along the longer side of a picture
BAND = 3  # heights on either side of the line, in which most of the current should be


def solved_returns(view: View, net: int, chosen: list[Profile], frequency: float) -> list[dict[str, Any]]:
    """Each stretch of the ways over one plane: where its return flows, solved, or why that could not be."""
    board = view.board
    traces = {row for p in chosen for kind, row, _ in p.path.steps if kind == "trace"}
    out: list[dict[str, Any]] = []
    for stretch in stretches(view, net, traces):
        if stretch.line.length < SHORTEST:
            continue
        row: dict[str, Any] = {
            "layer": board.layers[stretch.layer].name,
            "reference": board.layers[stretch.reference].name,
            "length_mm": stretch.line.length / MM,
        }
        try:
            found = map_of(view, stretch, frequency)
        except OutOfRange as problem:
            out.append({**row, "why": str(problem)})
            continue
        known = found.inductance == found.inductance
        row |= {
            "share_within_3_heights": found.flow.share_within(stretch.line.buffer(BAND * stretch.height)),
            "resistance_mohm": found.flow.resistance * 1e3,
            "excess_inductance_nh": found.inductance * 1e9 if known else None,
            "excess_resistance_mohm": found.resistance * 1e3 if known else None,
        }
        out.append({**row, "map": {**found.drawing(DRAWN), "edges_mm": found.edges()}})
    return out


def return_words(row: dict[str, Any]) -> tuple[str, list[str]]:
    """Title and lines of text of one stretch."""
    title = f"{row['length_mm']:.1f} mm on {row['layer']}, return on {row['reference']}"
    if "why" in row:
        return title, [row["why"]]
    near = f"{100 * row['share_within_3_heights']:.0f} % of the current within {BAND} heights of the line"
    lines = [f"{near}; {row['resistance_mohm']:.3g} mohm of the way back"]
    if row["excess_inductance_nh"] is None:
        return title, [*lines, "too long for figures at this height: a picture only"]
    more = f"{row['excess_inductance_nh']:.3g} nH and {row['excess_resistance_mohm']:.3g} mohm"
    return title, [*lines, f"more than over an unbroken plane: {more}"]


def draw_returns(path: Path, net: str, found: list[dict[str, Any]], frequency: float) -> None:
    """All solved stretches in one SVG file, whole or not at all. Raises CallError where none was solved."""
    drawn = [(*return_words(row), row["map"]) for row in found if "map" in row]
    if not drawn:
        why = f": {found[0]['why']}" if found else ""
        raise CallError(f"{net}: no stretch of it has a return current that could be solved{why}")
    title, lines, first = drawn[0]
    head = f"{net} at {engineering(frequency, 'Hz')}: its return current, tinted by the root of its density"
    write_whole(path, maps_picture([(head, [title, *lines], first), *drawn[1:]]).encode("utf-8"))
