"""A set of fabrication files made into a Board."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry

from quietcopper.board import Areas, Assumption, Board, Pads, Traces, Unread, Vias
from quietcopper.board.contacts import PAD, centre_lines
from quietcopper.board.model import Bools
from quietcopper.errors import OutOfRange, ReadError
from quietcopper.formats.archive import Member, Source
from quietcopper.formats.counts import Counts
from quietcopper.formats.excellon import DrillFile, read_drill
from quietcopper.formats.gerber.graphics import FLASH, GerberImage
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber_job import Job
from quietcopper.formats.gerber_set import drills
from quietcopper.formats.gerber_set.drills import Holes
from quietcopper.formats.gerber_set.files import FileSet, sort_out
from quietcopper.formats.gerber_set.layers import NO_NET, LayerCopper, layer_copper
from quietcopper.formats.gerber_set.meshes import with_meshes
from quietcopper.formats.gerber_set.nets import Connected, Votes, connected, name_nets
from quietcopper.formats.gerber_set.outline import MARGIN, box_outline, edge_outline, profile_outline
from quietcopper.formats.gerber_set.parts import (
    PadRows,
    PinKey,
    component_layers,
    netlist_places,
    parts_and_pins,
    pins_from_netlist,
)
from quietcopper.formats.gerber_set.roles import BOTTOM, DRILL, SetFile
from quietcopper.formats.gerber_set.stackup import set_stackup
from quietcopper.formats.ipcd356 import CLEAR_SHARE, Netlist, find_shift, read_netlist

Progress = Callable[[str, int, int], None]
MAX_FILE = 256 << 20  # bytes of one file of a set


def read_gerber_set(
    source: Source, progress: Progress | None = None, answers: Mapping[str, str] | None = None
) -> Board:
    """The board that a set of Gerber, drill, netlist and job files makes.

    answers : what the user says of files, by name: a function as in a FileFunction attribute, or "ignore". Raises
    ReadError for what cannot be used, for two files that claim one layer, and for a layer that is missing.
    """
    files = sort_out(source, answers or {})
    return _Assembly(files, progress).board()


def _bytes(member: Member) -> bytes:
    with member.open() as stream:
        pieces, size = [], 0
        while piece := stream.read(1 << 20):
            pieces.append(piece)
            size += len(piece)
            if size > MAX_FILE:
                raise ReadError(member.label, found=f"more than {MAX_FILE} bytes", expected="a file of a board")
    return b"".join(pieces)


@dataclass
class _Told:
    """Assumptions, unread content and problems of the files, in order."""

    counts: Counts
    unread: list[Unread]
    problems: list[str]
    assumptions: list[Assumption]

    def take(self, name: str, source: GerberImage | DrillFile | Netlist | Job) -> None:
        """What the reader of one file told, with the file's name."""
        for row in source.unread:
            self.unread.append(replace(row, where=f"{name}, {row.where}" if row.where else name))
        for sentence in source.problems:
            self.problems.append(sentence if name in sentence else f"{name}: {sentence}")
        self.assumptions += getattr(source, "assumptions", ())


class _Assembly:
    def __init__(self, files: FileSet, progress: Progress | None) -> None:
        self.files = files
        self.told = _Told(files.counts, [], [], [])
        self.total = sum(f.member.size for f in files.used) or 1
        self.done = 0
        self.progress = progress
        if files.job is not None:
            self.told.take(files.job_name, files.job)

    def _image(self, file: SetFile) -> GerberImage:
        self._tell(file)
        image = read_image(_bytes(file.member), file.name)
        self.told.take(file.name, image)
        return image

    def _tell(self, file: SetFile) -> None:
        if self.progress is not None:
            self.progress("reading", self.done, self.total)
        self.done += file.member.size

    def board(self) -> Board:
        files, counts = self.files, self.files.counts
        images = [self._image(f) for f in files.copper]
        outline: Geometry | None = profile_outline([self._image(f) for f in files.profile], counts)
        netlist = self._netlist()
        holes = self._holes(images, netlist)
        if not len(holes) and len(images) > 1:
            counts.problem(
                "No drill file is in the set: nothing joins its copper layers, and nets fall to pieces. "
                "Add the drill files."
            )
        frame = outline if outline is not None else _frame(images, holes)
        round_holes = np.column_stack([holes.middle, holes.drill])
        layers = [self._layer(f, image, frame, round_holes) for f, image in zip(files.copper, images, strict=True)]
        stackup = set_stackup(files.job, files.layer_names, files.layer_words, files.masks, counts)
        nets, keys, pads, idle_pads = _pads(layers)
        areas, idle_areas = _areas(layers, nets)
        traces, idle_traces = _traces(layers, nets)
        holes = drills.settle_plating(holes, pads.shape, areas.shape, traces, counts)
        hole = drills.pads_of_holes(pads.x, pads.y, pads.layer, pads.shape, pads.surface, holes)
        pads = replace(pads, hole=hole.astype(np.int32))
        votes = None
        if netlist is not None:
            pads, votes = self._netlist_votes(netlist, holes, pads, keys)
        placed = component_layers([(self._image(f), int(f.role.side == BOTTOM)) for f in files.components], counts)
        parts, pins, pin_of_pad = parts_and_pins(pads, keys, placed, len(layers), counts)
        pin_of_hole = np.full(len(holes), -1, dtype=np.int32)
        held = np.flatnonzero((pads.hole >= 0) & (pin_of_pad >= 0))[::-1]
        pin_of_hole[pads.hole[held]] = pin_of_pad[held]
        plain = Board(
            name=files.board_name,
            source=str(files.source.path),
            layers=stackup.layers,
            dielectrics=stackup.dielectrics,
            nets=tuple(nets),
            outline=outline if outline is not None else shapely.Polygon(),
            traces=traces,
            vias=Vias(
                net=np.zeros(len(holes), dtype=np.int32), x=holes.x, y=holes.y, x1=holes.x1, y1=holes.y1,
                drill=holes.drill, first=holes.first, last=holes.last, plated=holes.plated == 1,
                antipad=np.full(len(holes), np.nan), pin=pin_of_hole,
            ),
            pads=Pads(
                net=pads.net, layer=pads.layer, x=pads.x, y=pads.y, shape=pads.shape, via=pads.hole, pin=pin_of_pad
            ),
            areas=areas,
            parts=parts,
            pins=pins,
            mask_top=stackup.mask_top,
            mask_bottom=stackup.mask_bottom,
            pin_functions=_pin_functions(layers),
        )  # fmt: skip
        self._report("nets")
        found = connected(plain)
        if outline is None:
            plain = dataclasses.replace(plain, outline=self._outline(plain, found, netlist))
        named = name_nets(plain, found, np.concatenate([idle_traces, idle_pads, idle_areas]), votes, counts)
        return self._finished(with_meshes(named))

    def _report(self, stage: str) -> None:
        if self.progress is not None:
            self.progress(stage, self.total, self.total)

    def _netlist(self) -> Netlist | None:
        if not self.files.netlists:
            return None
        file = self.files.netlists[0]
        self._tell(file)
        netlist = read_netlist(_bytes(file.member), file.name)
        self.told.take(file.name, netlist)
        return netlist

    def _holes(self, images: list[GerberImage], netlist: Netlist | None) -> Holes:
        files, counts = self.files, self.files.counts
        flashes = [np.stack([i.objects.x0, i.objects.y0], axis=-1)[i.objects.kind == FLASH] for i in images]
        places = np.concatenate(flashes) if flashes else np.empty((0, 2))
        names = {name.lower(): number for number, name in enumerate(files.layer_names, 1)}
        sizes = netlist.points if netlist is not None else None
        found = [drills.no_holes()]
        for file in files.holes:
            if file.kind == DRILL:
                self._tell(file)
                drill = read_drill(_bytes(file.member), file.name, places)
                self.told.take(file.name, drill)
                found.append(drills.file_holes(drill, file.role, file.name, names, len(images), sizes, counts))
            else:
                found.append(drills.image_holes(self._image(file), file.role, len(images), counts))
        return drills.once(Holes.join(found), counts)

    def _layer(
        self, file: SetFile, image: GerberImage, frame: Geometry | None, holes: NDArray[np.float64]
    ) -> LayerCopper:
        try:
            copper = layer_copper(image, bool(file.role.negative), frame, holes)
        except OutOfRange as error:
            raise ReadError(file.name, found=str(error), expected="a layer of a board") from error
        if copper.twice:
            self.files.counts.unread(f"strokes in {file.name}", 0, "drawn twice, taken once", copper.twice)
        return copper

    def _netlist_votes(
        self, netlist: Netlist, holes: Holes, pads: PadRows, keys: dict[PinKey, int]
    ) -> tuple[PadRows, Votes | None]:
        """Pads with the pins that the netlist names, and its net names; none where it does not fit the holes."""
        points, counts = netlist.points, self.files.counts
        drilled = np.isfinite(points.drill)
        use = drilled if int(drilled.sum()) >= 3 and len(holes) else np.ones(len(points), dtype=np.bool_)
        aims = holes.middle if use is drilled else np.stack([pads.x, pads.y], axis=-1)
        shift = find_shift(points.places[use], aims)
        if shift.share < CLEAR_SHARE:
            counts.problem(
                f"{netlist.path} does not fit the holes: at best {100 * shift.share:.0f} % of its records meet one. "
                "Its nets and parts were not used; is it of the same board and revision?"
            )
            return pads, None
        if shift.dx or shift.dy:
            counts.assume(
                f"origin of {netlist.path}", f"{shift.dx * 1e3:.3f}, {shift.dy * 1e3:.3f}", "mm",
                f"shifted so that {100 * shift.share:.0f} % of its holes meet those of the drill files", len(points),
            )  # fmt: skip
        moved = points.replace(x=points.x + shift.dx, y=points.y + shift.dy)
        pad, hole = netlist_places(moved, pads, holes, len(self.files.copper))
        lost = int(((pad < 0) & (hole < 0)).sum())
        if lost:
            counts.problem(f"Records of {netlist.path} that meet no hole and no pad: {lost} of {len(points)}.")
        pads = replace(pads, key=pins_from_netlist(moved, pad, hole, pads, keys))
        return pads, Votes(pad, hole, tuple(netlist.nets[n] for n in points.net.tolist()))

    def _outline(self, board: Board, found: Connected, netlist: Netlist | None) -> Geometry:
        """Where no profile is: the netlist's edge, else a box round the copper that holes and pins hang on."""
        elements = found.elements
        kept = np.zeros(int(found.body.max(initial=-1)) + 1, dtype=np.bool_)
        kept[found.holes[found.holes >= 0]] = True
        pin_pads = np.flatnonzero(board.pads.pin >= 0) + elements.first[PAD]
        kept[found.body[pin_pads]] = True
        rows = np.flatnonzero(kept[found.body]) if kept.any() else np.arange(len(elements))
        if not len(rows):
            raise ReadError(self.files.source.path, found="copper layers on which nothing is drawn")
        b, half = shapely.bounds(elements.core[rows]), elements.half[rows]
        bounds = (
            float((b[:, 0] - half).min()), float((b[:, 1] - half).min()),
            float((b[:, 2] + half).max()), float((b[:, 3] + half).max()),
        )  # fmt: skip
        if netlist is not None and (edge := edge_outline(netlist.edge, shapely.box(*bounds))) is not None:
            return edge
        return box_outline(bounds, self.files.counts)

    def _finished(self, board: Board) -> Board:
        counts = self.files.counts
        board = _on_the_board(board, counts)
        told = self.told
        return dataclasses.replace(
            board,
            assumptions=(*told.assumptions, *counts.assumptions),
            unread=(*told.unread, *counts.rows()),
            problems=tuple(dict.fromkeys((*told.problems, *counts.problems))),
        )


def _frame(images: list[GerberImage], holes: Holes) -> Geometry | None:
    """A box for negative layers where no profile is: round the holes and everything that positive layers draw."""
    x = np.concatenate([holes.x, *(i.objects.x0 for i in images), *(i.objects.x1 for i in images)])
    y = np.concatenate([holes.y, *(i.objects.y0 for i in images), *(i.objects.y1 for i in images)])
    if not len(x):
        return None
    return shapely.box(x.min() - MARGIN, y.min() - MARGIN, x.max() + MARGIN, y.max() + MARGIN)


def _net_numbers(names: tuple[str, ...], nets: dict[str, int]) -> NDArray[np.int32]:
    """The set's number of each net name of one file; nets grows."""
    plain = ["" if name.strip().upper() in NO_NET else _plain(name) for name in names]
    return np.array([nets.setdefault(name, len(nets)) for name in plain], dtype=np.int32)


def _plain(text: str) -> str:
    """A name with the escapes of older files resolved: a backslash and four hexadecimal digits."""
    return re.sub(r"\\([0-9A-Fa-f]{4})", lambda m: chr(int(m[1], 16)), text.strip())


def _pads(layers: list[LayerCopper]) -> tuple[dict[str, int], dict[PinKey, int], PadRows, Bools]:
    nets: dict[str, int] = {"": 0}
    keys: dict[PinKey, int] = {}
    rows = []
    for number, layer in enumerate(layers):
        f = layer.flashes
        pin_of = np.full(len(layer.pins), -1, dtype=np.int32)
        for i, fields in enumerate(layer.pins):
            if len(fields) >= 2 and fields[0] and fields[1]:
                pin_of[i] = keys.setdefault((_plain(fields[0]), _plain(fields[1])), len(keys))
        net = _net_numbers(layer.nets, nets)[f.net]
        where = np.full(len(f.x), number, dtype=np.int32)
        rows.append((net, where, f.x, f.y, f.shape, pin_of[f.pin], f.surface & ~f.via))
    columns = [np.concatenate(column) for column in zip(*rows, strict=True)]
    net, where, x, y, shape, key, surface = columns
    pads = PadRows(net, where, x, y, shape, key, surface, np.full(len(x), -1, dtype=np.int32))
    return nets, keys, pads, np.concatenate([layer.flashes.idle for layer in layers])


def _pin_functions(layers: list[LayerCopper]) -> dict[PinKey, str]:
    """What pins are for, where a pin attribute's third field says so (Gerber Layer Format Specification 2024.05,
    on the attribute .P, from memory)."""
    said = (fields for layer in layers for fields in layer.pins if len(fields) >= 3 and fields[2])
    return {(_plain(fields[0]), _plain(fields[1])): _plain(fields[2]) for fields in said}


def _areas(layers: list[LayerCopper], nets: dict[str, int]) -> tuple[Areas, Bools]:
    net = [_net_numbers(layer.nets, nets)[layer.filled.net] for layer in layers]
    where = [np.full(len(layer.filled.net), i, dtype=np.int32) for i, layer in enumerate(layers)]
    shape = [layer.filled.shape for layer in layers]
    areas = Areas(net=np.concatenate(net), layer=np.concatenate(where), shape=np.concatenate(shape))
    return areas, np.concatenate([layer.filled.idle for layer in layers])


def _traces(layers: list[LayerCopper], nets: dict[str, int]) -> tuple[Traces, Bools]:
    rows = []
    for number, layer in enumerate(layers):
        s = layer.strokes
        net = _net_numbers(layer.nets, nets)[s.net]
        where = np.full(len(net), number, dtype=np.int32)
        rows.append((net, where, s.x0, s.y0, s.x1, s.y1, s.xc, s.yc, s.turn, s.width))
    traces = Traces(*(np.concatenate(column) for column in zip(*rows, strict=True)))
    return traces, np.concatenate([layer.strokes.idle for layer in layers])


def _on_the_board(board: Board, counts: Counts) -> Board:
    """Without the copper off the board that has no net (frames, titles); tells of other copper there."""
    outline = board.outline
    shapely.prepare(outline)
    traces, pads, areas = board.traces, board.pads, board.areas
    off = [~shapely.intersects(outline, shapes) for shapes in (centre_lines(board), pads.shape, areas.shape)]
    free = [traces.net == 0, (pads.net == 0) & (pads.pin < 0), areas.net == 0]
    dropped = sum(int((o & f).sum()) for o, f in zip(off, free, strict=True))
    netted = sum(int((o & ~f).sum()) for o, f in zip(off, free, strict=True))
    if dropped:
        counts.unread("net-less copper off the board", 0, "frames and titles outside the outline", dropped)
    if netted:
        counts.problem(f"Pieces of copper with a net that lie outside the board's outline: {netted}.")
    keep = [np.flatnonzero(~(o & f)) for o, f in zip(off, free, strict=True)]
    return dataclasses.replace(board, traces=traces.take(keep[0]), pads=pads.take(keep[1]), areas=areas.take(keep[2]))
