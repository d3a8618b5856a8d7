"""Why one stretch of a line has another impedance than the rest: width, layer, reference, or copper beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.board.model import Ints
from quietcopper.electrical.profile import Profile, longest_piece, piece_lines
from quietcopper.electrical.view import View
from quietcopper.units import engineering

WIDTH, LAYER, REFERENCE, BESIDE = "width", "layer", "reference", "beside"
_SAME_WIDTH = 0.03  # share by which widths may differ and be one width
_SAME_GAP = 0.05


@dataclass(frozen=True)
class Difference:
    """kind : width, layer, reference or beside; words : "it is 0.15 mm wide there instead of 0.35 mm".

    key, title : of a cause, the key made of names only
    """

    kind: str
    words: str
    key: str
    title: str


def piece_places(view: View, profile: Profile, pieces: Ints) -> list[tuple[float, float]]:
    """The middle of each of some pieces of traces, m."""
    middle = shapely.line_interpolate_point(piece_lines(view, profile, pieces), 0.5, normalized=True)
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(middle)]


def nearest_piece(profile: Profile, reference: float, but: int) -> int:
    """The piece of a path whose impedance is nearest to `reference` (ohm), -1 for none besides those like `but`.

    Nearest to 2 %, and of those the longest.
    """
    z0 = profile.z0
    unlike = (profile.run != profile.run[but]) | (profile.section != profile.section[but])
    known = np.flatnonzero(np.isfinite(z0) & (profile.run >= 0) & unlike)
    if not len(known):
        return -1
    off = np.abs(z0[known] / reference - 1)
    return longest_piece(profile, known[off <= off.min() + 0.02].astype(np.int32))


def difference(view: View, profile: Profile, piece: int, other: int) -> Difference:
    """In what a solved piece of a path differs from another one of it, the plainest thing first."""
    runs, board = view.runs, view.board
    run, there_run = int(profile.run[piece]), int(profile.run[other])
    layer, there = int(profile.layer[piece]), int(profile.layer[other])
    name, label = board.layers[layer].name, board.layer_label(layer)
    width, usual = float(profile.width[piece]), float(profile.width[other])
    if abs(width / usual - 1) > _SAME_WIDTH:
        words = f"it is {engineering(width, 'm')} wide there instead of {engineering(usual, 'm')}"
        return Difference(WIDTH, words, f"width:{name}", f"Lines change their width on {label}")
    if layer != there:
        words = f"it runs on {label} there instead of {board.layer_label(there)}, as wide as before"
        ends = sorted({layer, there})
        key = "|".join(board.layers[i].name for i in ends)
        both = " and ".join(board.layer_label(i) for i in ends)
        return Difference(LAYER, words, f"layers:{key}", f"Lines of one width have different impedance on {both}")
    gaps = [(float(runs.above_gap[i]), float(runs.below_gap[i])) for i in (run, there_run)]
    if not all(a == b or abs(a / b - 1) <= _SAME_GAP for a, b in zip(*gaps, strict=True)):
        gap, usual = float(runs.reference_gap[run]), float(runs.reference_gap[there_run])
        words = "it has no reference there"
        if np.isfinite(gap):
            elsewhere = f"instead of {engineering(usual, 'm')}" if np.isfinite(usual) else "and elsewhere missing"
            words = f"its reference is {engineering(gap, 'm')} away there {elsewhere}"
        if gap == usual:
            words = "it has copper on one side only there" if not np.isfinite(gaps[0]).all() else "its planes change"
        return Difference(REFERENCE, words, f"reference:{name}", f"Lines on {label} lose their reference in places")
    near, far = (_beside(view, int(profile.section[i])) for i in (piece, other))
    if near != far and np.isfinite(min(near, far)):
        here = f"lies {engineering(near, 'm')} beside it" if np.isfinite(near) else "keeps away from it"
        usual_words = f"{engineering(far, 'm')} elsewhere" if np.isfinite(far) else "and elsewhere not"
        words = f"copper {here} there, {usual_words}"
        return Difference(BESIDE, words, f"beside:{name}", f"Copper beside lines on {label} comes and goes")
    sides, usually = (_sides(view, int(profile.section[i])) for i in (piece, other))
    if sides != usually:
        count = ("no side", "one side", "both sides")
        words = f"copper lies beside it on {count[sides]} there, elsewhere on {count[usually]}"
        return Difference(BESIDE, words, f"beside:{name}", f"Copper beside lines on {label} comes and goes")
    words = "the end of its plane lies near it there"
    return Difference(REFERENCE, words, f"reference:{name}", f"Lines on {label} lose their reference in places")


def _beside(view: View, index: int) -> float:
    """Distance to the nearest copper beside a line on its own layer in one of the solved sections, m, inf for none."""
    return round(min((gap for _, gap in _coplanar(view, index)), default=float("inf")), 7)


def _sides(view: View, index: int) -> int:
    """On how many sides copper lies within reach beside a line on its own layer."""
    return len({left for left, _ in _coplanar(view, index)})


def _coplanar(view: View, index: int) -> list[tuple[bool, float]]:
    """Copper beside a line on its own layer: whether on its left, and how far, m."""
    section = view.line_table.sections[index]
    line = section.lines[0]
    copper = [g for g in (*section.grounds, *section.lines[1:]) if abs(g.y - line.y) < 1e-7]
    return [(g.x < line.x, abs(g.x - line.x) - (g.width + line.width) / 2) for g in copper]
