"""Contradictions between tables of one file: copper off the board, pads that the drawing knows nothing of."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry

from quietcopper.board import Traces
from quietcopper.formats.ipc2581.copper import Areas
from quietcopper.formats.ipc2581.counts import Counts
from quietcopper.formats.ipc2581.holes import Pads
from quietcopper.formats.ipc2581.parts import PartRows

EDGE = 0.1e-3  # m; copper that reaches further than this beyond the outline is no matter of rounding


def _outside(outline: Geometry, shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which shapes have nothing inside the outline, shape (n,)."""
    return ~shapely.intersects(outline, shapes) if len(shapes) else np.empty(0, dtype=np.bool_)


def on_the_board(
    counts: Counts, outline: Geometry, traces: Traces, trace_row: NDArray[np.int64], areas: Areas, pads: Pads
) -> tuple[Traces, NDArray[np.int64], Areas, Pads]:
    """Drops net-less copper that lies wholly off the board (frames, titles); tells of other copper that does."""
    if outline.is_empty:
        return traces, trace_row, areas, pads
    shapely.prepare(outline)
    ends = np.stack([np.stack([traces.x0, traces.y0], -1), np.stack([traces.x1, traces.y1], -1)], axis=1)
    off = [_outside(outline, shapes) for shapes in (shapely.linestrings(ends), areas.shape, pads.shape)]
    free = [traces.net == 0, areas.net == 0, (pads.net == 0) & (pads.pin < 0) & (pads.via < 0)]
    dropped = sum(int((o & f).sum()) for o, f in zip(off, free, strict=True))
    netted = sum(int((o & ~f).sum()) for o, f in zip(off, free, strict=True))
    if dropped:
        counts.unread("net-less copper off the board", 0, "frames and titles outside the outline", dropped)
    if netted:
        counts.problem(f"Pieces of copper with a net that lie outside the board's outline: {netted}.")
    keep = [np.flatnonzero(~(o & f)) for o, f in zip(off, free, strict=True)]
    areas = areas.take(keep[1])
    wider = shapely.buffer(outline, EDGE)
    shapely.prepare(wider)
    beyond = int((~shapely.covers(wider, areas.shape)).sum()) if len(areas) else 0
    if beyond:
        counts.problem(
            f"Areas reaching more than {EDGE * 1e3:g} mm beyond the board's outline or over a cut-out in it: {beyond}."
        )
    return traces.take(keep[0]), trace_row[keep[0]], areas, pads.take(keep[2])


def off_their_copper(counts: Counts, parts: PartRows, pads: Pads, drawn: int, traces: Traces, areas: Areas) -> None:
    """Tells of pads taken from packages (rows from `drawn` on) that miss the copper of their net on their layer."""
    new = np.flatnonzero(pads.net[drawn:] > 0) + drawn
    if not len(new):
        return
    tables = (traces.net, traces.layer, traces.shapes), (areas.net, areas.layer, areas.shape)
    missed = []
    for net, layer in dict.fromkeys(zip(pads.net[new].tolist(), pads.layer[new].tolist(), strict=True)):
        copper = np.concatenate([shape[(n == net) & (k == layer)] for n, k, shape in tables])
        here = new[(pads.net[new] == net) & (pads.layer[new] == layer)]
        if len(copper):
            touched, _ = shapely.STRtree(copper).query_nearest(pads.shape[here], max_distance=1e-9, all_matches=False)
            missed.append(np.delete(here, touched))
    bare = np.concatenate(missed) if missed else new[:0]
    if len(bare):
        names = list(dict.fromkeys(f"{parts.ref[parts.pin_part[p]]}.{parts.pin_name[p]}" for p in pads.pin[bare]))
        counts.problem(
            f"Pads taken from packages that touch none of the copper drawn for their net: {len(bare)} of {len(new)} "
            f"({', '.join(names[:6])}{' and others' if len(names) > 6 else ''}); package and layout may not agree."
        )
