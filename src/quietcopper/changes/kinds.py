"""The edits by their kind, and the arguments that each takes: as a plan file names them, and as a call does."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from quietcopper.board import Board
from quietcopper.changes import areas, capacitor, ends, pair, parts, separate, traces, vias, widen
from quietcopper.changes.base import Changed, ChangeError, Rules

MOST = 200  # changes that one compound change may hold


@dataclass(frozen=True)
class Argument:
    """One argument of an edit.

    name : of the function's parameter, SI;  key : in a plan file, with its unit
    kind : number, layer, place, places, box, text, texts, flag;  factor : from the key's unit to SI
    low, high : range of a number in the key's unit (beyond it a figure is taken for a slip of the unit)
    """

    name: str
    key: str
    kind: str
    help: str
    needed: bool = False
    factor: float = 1.0
    low: float = 0.0
    high: float = math.inf


@dataclass(frozen=True)
class Edit:
    """What a kind of change does, in one sentence, its function and its arguments."""

    help: str
    function: Callable[..., Changed]
    arguments: tuple[Argument, ...]


def _length(name: str, help: str, *, needed: bool = False, low: float = 0.005, high: float = 100.0) -> Argument:
    return Argument(name, f"{name}_mm", "number", help, needed, 1e-3, low, high)


LAYER = Argument("layer", "layer", "layer", "layer number from 1", True)
NET = Argument("net", "net", "text", "name of the net", True)
AT = Argument("at", "at_mm", "place", "place as [x, y]", True, 1e-3)
BOX = Argument("box", "box_mm", "box", "only there: [x0, y0, x1, y1]", factor=1e-3)
PLACES = Argument("at", "at_mm", "places", "places as [[x, y], …]", True, 1e-3)
HOLE = (
    _length("drill", "finished hole; as the board's other vias where left out", high=10),
    _length("pad", "pad diameter; as the board's other vias where left out", high=20),
)
EDITS: Mapping[str, Edit] = {
    "area-to-net": Edit(
        "A layer's areas become another net's, the splits between them filled.",
        areas.area_to_net,
        (
            LAYER,
            NET,
            Argument("nets", "nets", "texts", "whose areas; all on the layer where left out"),
            _length("pitch", "stitch the net's areas together afterwards", low=0.2),
        ),
    ),
    "join-areas": Edit(
        "The areas of one or two nets on a layer become one; two nets become one net.",
        areas.join_areas,
        (LAYER, Argument("nets", "nets", "texts", "one net, or two", True)),
    ),
    "close-openings": Edit("Openings in a net's areas on a layer are filled.", areas.close_openings, (LAYER, NET, BOX)),
    "remove-area": Edit(
        "The areas at some places are taken away, with what hangs on them.", areas.remove_copper, (LAYER, PLACES)
    ),
    "set-pour-gap": Edit(
        "Areas of other nets keep a distance from a net's traces.",
        areas.set_pour_gap,
        (NET, LAYER, _length("gap", "the distance", needed=True, high=20)),
    ),
    "set-dielectric": Edit(
        "Another dielectric between two layers.",
        areas.set_dielectric,
        (
            Argument("upper", "upper", "layer", "upper layer, number from 1", True),
            Argument("lower", "lower", "layer", "lower layer, number from 1", True),
            _length("thickness", "copper to copper", low=0.01, high=20),
            Argument("er", "er", "number", "relative permittivity", low=1.0, high=100.0),
            Argument("tan_d", "tan_d", "number", "loss tangent", high=1.0),
            Argument("material", "material", "text", "name of the material, for the record"),
        ),
    ),
    "separate-areas": Edit(
        "A net's areas on a layer are parted along a line.",
        separate.separate_areas,
        (
            LAYER,
            NET,
            Argument("line", "line_mm", "places", "the line as [[x, y], …]", True, 1e-3),
            _length("gap", "width of the parting", needed=True, low=0.05, high=20),
        ),
    ),
    "add-via": Edit(
        "A via at the nearest free place.",
        vias.add_via,
        (
            NET,
            AT,
            _length("within", "how far from the place", high=50),
            Argument("layers", "layers", "layers", "layers with copper of the net that it must join"),
            *HOLE,
        ),
    ),
    "stitch": Edit(
        "Vias on a pitch, where they fit.",
        vias.stitch,
        (
            NET,
            _length("pitch", "distance of the vias", needed=True, low=0.2),
            BOX,
            Argument("edge", "edge", "flag", "along the edge of the net's copper instead of all over it"),
            *HOLE,
        ),
    ),
    "tie-fingers": Edit(
        "Vias that tie strips of pour at some places.",
        vias.tie_fingers,
        (NET, LAYER, PLACES, _length("within", "how far from the places", high=50), *HOLE),
    ),
    "bridge-gap": Edit(
        "A capacitor between two nets at the nearest free place.",
        capacitor.bridge_gap,
        (
            Argument("nets", "nets", "texts", "the two nets", True),
            AT,
            _length("within", "how far from the place", high=50),
            Argument(
                "farad", "nf", "number", "its capacitance; 100 nF where left out", factor=1e-9, low=1e-3, high=1e6
            ),
            *HOLE,
        ),
    ),
    "set-width": Edit(
        "All traces of a net on a layer get a width, or those at some places.",
        traces.set_width,
        (
            NET,
            LAYER,
            _length("width", "the width", needed=True, high=50),
            Argument("at", "at_mm", "places", "only those at these places, as [[x, y], …]", factor=1e-3),
        ),
    ),
    "widen-traces": Edit(
        "The narrower traces of a net on a layer get a width, or as much of it as there is room for.",
        widen.widen_traces,
        (NET, LAYER, _length("width", "the width", needed=True, high=50)),
    ),
    "set-pair": Edit(
        "Two nets' traces on a layer get a width, and a gap where they run side by side.",
        pair.set_pair,
        (
            Argument("nets", "nets", "texts", "the two nets", True),
            LAYER,
            _length("width", "the width", needed=True, high=50),
            _length("gap", "from edge to edge", needed=True, high=20),
        ),
    ),
    "cut-end": Edit("The end of a trace that leads nowhere is taken away.", ends.cut_end, (NET, AT)),
    "drill-out": Edit(
        "The end of a via beyond the layers that it joins is drilled out.",
        ends.drill_out,
        (
            NET,
            AT,
            Argument("first", "first", "layer", "the uppermost layer that it keeps, number from 1", True),
            Argument("last", "last", "layer", "the lowest layer that it keeps, number from 1", True),
        ),
    ),
    "shift-trace": Edit(
        "The straight stretch of trace nearest to a place is moved sideways.",
        traces.shift_trace,
        (NET, LAYER, AT, Argument("by", "by_mm", "place", "how far, as [x, y]", True, 1e-3)),
    ),
    "set-spacing": Edit(
        "A trace and those that run beside it are moved apart.",
        traces.set_spacing,
        (NET, LAYER, _length("spacing", "edge to edge", needed=True, high=20)),
    ),
    "spread-bundle": Edit(
        "Traces that run beside each other are moved apart.",
        traces.spread_bundle,
        (
            Argument("nets", "nets", "texts", "the nets of the bundle", True),
            LAYER,
            _length("spacing", "edge to edge", needed=True, high=20),
        ),
    ),
    "series-resistor": Edit(
        "A resistor in series in each of some nets, next to the driver.",
        parts.series_resistor,
        (
            Argument("nets", "nets", "texts", "the nets", True),
            Argument("ohm", "ohm", "number", "the resistance", True, low=1.0, high=1000.0),
        ),
    ),
    "slower-edge": Edit(
        "The drivers of some nets get a slower edge.",
        parts.slower_edge,
        (
            Argument("nets", "nets", "texts", "the nets", True),
            Argument("rise", "rise_ns", "number", "the rise time, 10 to 90 %", True, 1e-9, 0.01, 1e4),
        ),
    ),
    "filter-line": Edit(
        "A filter of a resistor and a capacitor to ground in a line, right before a connector's pin.",
        parts.filter_line,
        (
            Argument("connector", "connector", "text", "reference of the connector", True),
            NET,
            Argument("ohm", "ohm", "number", "the resistance in series", True, low=1.0, high=10e3),
            Argument("farad", "pf", "number", "the capacitance to ground", True, 1e-12, 1.0, 1e6),
        ),
    ),
    "set-resistor": Edit(
        "Another value for a resistor on the board.",
        parts.set_resistor,
        (
            Argument("part", "part", "text", "its reference", True),
            Argument("ohm", "ohm", "number", "the resistance", True, low=0.1, high=1e7),
        ),
    ),
}
SEVERAL = "several"  # a compound: {"changes": [{"kind": …, "arguments": …}, …]}


def is_change(kind: str) -> bool:
    """Whether a proposal's kind can be applied."""
    return kind == SEVERAL or kind in EDITS


def apply_change(board: Board, kind: str, arguments: Mapping[str, Any], rules: Rules) -> Changed:
    """The board after one change, or after several in order. Raises ChangeError where it cannot be made."""
    if kind == SEVERAL:
        return apply_changes(board, [(c["kind"], c["arguments"]) for c in arguments["changes"]], rules)
    edit = EDITS.get(kind)
    if edit is None:
        raise ChangeError(f"no change is called {kind!r}; there are {', '.join(EDITS)}")
    return edit.function(board, rules, **arguments)


def apply_changes(board: Board, changes: Sequence[tuple[str, Mapping[str, Any]]], rules: Rules) -> Changed:
    """The board after several changes (kind, arguments), each on what the one before left."""
    if not 0 < len(changes) <= MOST:
        raise ChangeError(f"found {len(changes)} changes, expected 1 to {MOST}")
    done = Changed(board)
    for kind, arguments in changes:
        done = after(done, apply_change(done.board, kind, arguments, rules))
    return done


def after(before: Changed, done: Changed) -> Changed:
    """Two edits as one, the second made on the board of the first."""
    notes = [note for note in done.notes if note not in before.notes]
    return Changed(
        done.board,
        (*before.notes, *notes),
        {**before.series, **done.series},
        tuple(dict.fromkeys((*before.unrouted, *done.unrouted))),
        {**before.edges, **done.edges},
        {**before.filters, **done.filters},
    )
