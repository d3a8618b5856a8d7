"""A net's ways as a reader walks them on the page: stretch by stretch, each on one layer with one reference."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from quietcopper.electrical.profile import Profile
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.findings import Stretch, Way
from quietcopper.units import MM

MOST_NETS = 4000  # boards with more signal nets get no walks: the page would grow by what nobody walks
MOST_WAYS = 6  # of a net, the longest
SAG_MM = 0.02
SAME_OHM = 0.5


def net_walks(view: View) -> Mapping[str, tuple[Way, ...]]:
    """The ways of every signal net from pin to pin, longest first; {} for boards of very many nets."""
    signal = [n for n, role in enumerate(view.roles) if role.kind == SIGNAL and view.board.nets[n]]
    if len(signal) > MOST_NETS:
        return {}
    out = {}
    for net in signal:
        profiles = sorted(view.profiles.of(net), key=lambda p: (-p.path.length, p.path.end_pin))
        ways = tuple(way for profile in profiles[:MOST_WAYS] if (way := _way(view, profile)).stretches)
        if ways:
            out[view.board.nets[net]] = ways
    return out


def _pin(view: View, row: int) -> str:
    return view.board.pin_label(row) if row >= 0 else "a loose end"


def _way(view: View, profile: Profile) -> Way:
    stretches: list[Stretch] = []
    for i in range(len(profile)):
        now = _stretch(view, profile, i)
        before = stretches[-1] if stretches else None
        if before is not None and _alike(before, now):
            stretches[-1] = Stretch(
                **{**vars(before), "length_mm": before.length_mm + now.length_mm, "lines": (*before.lines, *now.lines)}
            )
        else:
            stretches.append(now)
    path = profile.path
    return Way(_pin(view, path.start_pin), _pin(view, path.end_pin), path.length / MM, tuple(stretches))


def _alike(a: Stretch, b: Stretch) -> bool:
    if (a.kind, a.layer, a.reference, a.reference_layer) != (b.kind, b.layer, b.reference, b.reference_layer):
        return False
    if a.kind != "trace" or a.z_ohm is None or b.z_ohm is None:
        return a.kind == "trace" and a.z_ohm is b.z_ohm
    return abs(a.z_ohm - b.z_ohm) < SAME_OHM


def _stretch(view: View, profile: Profile, i: int) -> Stretch:
    board = view.board
    kind, row, area = str(profile.kind[i]), int(profile.row[i]), int(profile.reference[i])
    z0 = float(profile.z0[i])
    return Stretch(
        kind=kind,
        layer=int(profile.layer[i]),
        length_mm=float(profile.length[i]) / MM,
        z_ohm=z0 if np.isfinite(z0) else None,
        reference="" if area < 0 else board.nets[board.areas.net[area]] or "netless copper",
        reference_layer=-1 if area < 0 else int(board.areas.layer[area]),
        lines=_lines(view, kind, row, int(profile.run[i])),
    )


def _lines(view: View, kind: str, row: int, run: int) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Where it lies, mm: a centre line, a hole's middle, a pour's point."""
    if kind == "via":
        points: Any = [(view.board.vias.x[row], view.board.vias.y[row])]
    elif kind == "area":
        points = [view.board.areas.shape[row].representative_point().coords[0]]
    elif run >= 0:
        points = shapely.get_coordinates(shapely.simplify(view.runs.line[run], SAG_MM * MM))
    else:
        points = shapely.get_coordinates(view.board.traces.lines[row])
    return (tuple((round(float(x) / MM, 3), round(float(y) / MM, 3)) for x, y in points),)
