"""What changed on the board, in sentences."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

NAMED = 12  # names in a sentence; the rest is counted
ROUTED_MM = 0.05  # of trace on a layer: less is rounding
FILLED_MM2 = 0.05


def sentences(changes: Mapping[str, Any]) -> list[str]:
    """One sentence for each kind of change, empty where nothing differs. changes : of `board_changes`"""
    return [
        *_stackup(changes),
        *_parts(changes["parts"]),
        *_nets(changes["nets"]),
        *_holes(changes["holes"]),
        *(text for row in changes["layers"] if (text := _layer(row))),
    ]


def _stackup(changes: Mapping[str, Any]) -> list[str]:
    out = []
    before, after = changes["outline_mm"]["before"], changes["outline_mm"]["after"]
    if any(abs(a - b) > 0.01 for a, b in zip(before, after, strict=True)):
        out.append(f"outline: {before[0]:g} × {before[1]:g} mm before, {after[0]:g} × {after[1]:g} mm now")
    if any(abs(v) > 0.01 for v in changes["origin_moved_mm"]):
        x, y = changes["origin_moved_mm"]
        out.append(f"the files' origin: moved by ({x:.3f}, {y:.3f}) mm, which is allowed for in what follows")
    before, after = changes["layer_names"]["before"], changes["layer_names"]["after"]
    if len(before) != len(after):
        out.append(f"{len(before)} copper layers before, {len(after)} now")
    else:
        both = enumerate(zip(before, after, strict=True), start=1)
        named = [f"{i} is {b}, was {a}" for i, (a, b) in both if _plain(a) != _plain(b)]
        out += [f"names of layers: {_few(named)}"] if named else []
    for sheet in changes["dielectrics"]:
        (i, j), a, b = sheet["between"], sheet["before"], sheet["after"]
        out.append(
            f"between layers {i} and {j}: {a['thickness_mm']:.3g} mm of εr {a['er']:.3g} before, "
            f"{b['thickness_mm']:.3g} mm of εr {b['er']:.3g} now"
        )
    return out


def _parts(parts: Mapping[str, Any]) -> list[str]:
    if not parts["before"] and not parts["after"]:
        return []
    if not parts["before"] or not parts["after"]:
        which = "earlier" if not parts["before"] else "later"
        return [f"parts: not compared, the files of the {which} revision name none"]
    out = [
        f"parts {what}: {_few(names)}"
        for what, names in (("gone", parts["removed"]), ("added", parts["added"]))
        if names
    ]
    if parts["moved"]:
        out.append(f"parts moved: {_few([_move(m) for m in parts['moved']])}")
    if parts["exchanged"]:
        named = [f"{p['ref']} from {p['before']} to {p['after']}" for p in parts["exchanged"]]
        out.append(f"parts exchanged: {_few(named)}")
    return out


def _move(moved: Mapping[str, Any]) -> str:
    how = []
    if (by := math.hypot(*moved["by_mm"])) > 0.01:
        how.append(f"by {by:.3g} mm")
    if moved["turned_deg"]:
        how.append(f"turned by {moved['turned_deg']:g}°")
    if moved["flipped"]:
        how.append("to the other side")
    return f"{moved['ref']} {', '.join(how)}"


def _nets(nets: Mapping[str, Any]) -> list[str]:
    out = []
    renamed = nets["renamed"]
    without = [
        f"{nets['unnamed'][key]} of the {nets[key]} nets of the {which} revision have no name in its files"
        for key, which in (("before", "earlier"), ("after", "later"))
        if nets["unnamed"][key]
    ]
    if without and len(renamed) > NAMED:
        by = "recognised by the places of their pads and holes"
        out.append(f"names of nets: {' and '.join(without)}; {len(renamed)} with other names were {by}")
    elif renamed:
        named = [f"{pair['before']} is now {pair['after']}" for pair in renamed]
        out.append(f"nets renamed: {_few(named)}")
    # without names nobody can say whether a net that looks different is the same one
    gone, come = ("not found again", "not found before") if without else ("gone", "added")
    out += [f"nets {what}: {_few(names)}" for what, names in ((gone, nets["removed"]), (come, nets["added"])) if names]
    if nets["rerouted"]:
        longer = [n["trace_mm"]["after"] - n["trace_mm"]["before"] for n in nets["rerouted"]]
        figures = [f"{mm:+.3g} mm".replace("-", "\N{MINUS SIGN}") for mm in longer]
        named = [f"{n['net']} ({figure})" for n, figure in zip(nets["rerouted"], figures, strict=True)]
        out.append(f"routed differently: {_few(named)}")
    return out


def _holes(holes: Mapping[str, Any]) -> list[str]:
    how = [f"{holes[key]} {key}" for key in ("removed", "added", "redrilled") if holes[key]]
    return [f"vias and holes: {holes['before']} before, {holes['after']} now; {', '.join(how)}"] if how else []


def _layer(row: Mapping[str, Any]) -> str:
    how = []
    gone, come = row["trace_removed_mm"], row["trace_added_mm"]
    if max(gone, come) > ROUTED_MM:
        how.append(f"{gone:.1f} mm of trace removed and {come:.1f} mm added")
    if row["trace_rewidened_mm"] > ROUTED_MM:
        how.append(f"{row['trace_rewidened_mm']:.1f} mm of trace with another width")
    gone, come = row["area_removed_mm2"], row["area_added_mm2"]
    if max(gone, come) > FILLED_MM2:
        how.append(f"{gone:.1f} mm² of filled copper removed and {come:.1f} mm² added")
    pads = [f"{row['pads_' + key]} {key}" for key in ("removed", "added", "resized") if row["pads_" + key]]
    if pads:
        how.append(f"pads: {', '.join(pads)}")
    return f"layer {row['after']}: {'; '.join(how)}" if how else ""


def _plain(name: str) -> str:
    """A layer's name without what writers of files change in it: F.Cu, F_Cu."""
    return re.sub(r"[\W_]+", "", name).lower()


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
