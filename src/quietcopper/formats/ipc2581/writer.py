"""Writes a Board as IPC-2581 revision C, in millimetres, so that the reader takes it back unchanged.

Every column of every table comes back with the same floats and in the same order. Exceptions: pad shapes are written
once per form, round their pad's middle, to 1e-13 m; a trace of no length comes back as the dot that it is; net classes
come back in lower case.
What the reader had noted beside the tables (source, assumptions, problems, what was not read) is not written.

Where the standard has no place for something (the order of rows, which hole a pad belongs to), it goes into
NonstandardAttribute elements whose names begin with "board.".
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from quietcopper.board import Board
from quietcopper.errors import CallError
from quietcopper.formats.ipc2581.features import NO_NET
from quietcopper.formats.ipc2581.layers import COPPER, KINDS
from quietcopper.formats.ipc2581.markup import Markup, Replacing, degrees, mm, plain
from quietcopper.formats.ipc2581.placing import Placement, turn
from quietcopper.formats.ipc2581.written_shapes import PadShapes, polygon_lines

NAMESPACE = "http://webstds.ipc.org/2581"
GRID = 1e-13  # m; package pins and pad shapes are compared on this grid


def write_ipc2581(board: Board, path: Path | str) -> None:
    """Writes the file, packed where the name ends in .gz; an older file stays until the new one is complete.

    Raises CallError for a board that the format cannot hold: layers of one name, a net called as the standard's words
    for 'no net', two pins of one name with different nets, control characters in names.
    """
    path = Path(path)
    _check(board)
    if not path.parent.is_dir():
        raise CallError(f"{path}: there is no folder {path.parent}")
    with Replacing(path) as stream:
        out = Markup(stream)
        _Writer(board, out).write()
        out.flush()
        stream.flush()


def _check(board: Board) -> None:
    names = [layer.name for layer in board.layers]
    if len(set(names)) != len(names):
        raise CallError(f"board {board.name}: two layers have the same name, which IPC-2581 cannot tell apart")
    for name in board.nets[1:]:
        if name.strip().lower() in NO_NET:
            raise CallError(f"net {name!r}: this name means 'no net' in IPC-2581 files")
    nets: dict[tuple[str, str], int] = {}
    for part, pin, net in zip(board.pins.part.tolist(), board.pins.name, board.pins.net.tolist(), strict=True):
        ref = board.parts.ref[part]
        if nets.setdefault((ref, pin), net) != net:
            raise CallError(f"pin {ref}.{pin}: two pins of this name have different nets")


def _runs(*keys: np.ndarray, rows: np.ndarray) -> Iterator[np.ndarray]:
    """`rows` (ascending) cut where they skip a row or a key changes."""
    if not len(rows):
        return
    cut = np.diff(rows) != 1
    for key in keys:
        cut |= key[rows][1:] != key[rows][:-1]
    yield from np.split(rows, np.flatnonzero(cut) + 1)


class _Writer:
    def __init__(self, board: Board, out: Markup) -> None:
        self.board, self.out = board, out
        self.copper = [layer.name for layer in board.layers]
        taken = set(self.copper)

        def free(name: str) -> str:
            while name in taken:
                name += "_"
            taken.add(name)
            return name

        self.sheets = [free(f"DIELECTRIC_{i + 1}") for i in range(len(board.dielectrics))]
        self.masks = {"TOP": free("MASK_TOP"), "BOTTOM": free("MASK_BOTTOM")}
        self.far_side = free("COMPONENT_BOTTOM")
        spans = sorted(set(zip(board.vias.first.tolist(), board.vias.last.tolist(), strict=True)))
        self.drills = {span: free(f"DRILL_{span[0] + 1}-{span[1] + 1}") for span in spans}
        self.widths = {w: f"ROUND_{i + 1}" for i, w in enumerate(sorted(set(board.traces.width.tolist())))}
        self.shapes = PadShapes(board.pads)
        vias = board.vias
        clear = np.flatnonzero(~np.isnan(vias.antipad))
        keys = [(vias.drill[i], vias.antipad[i], vias.plated[i], vias.first[i], vias.last[i]) for i in clear]
        self.stacks = {key: f"STACK_{i + 1}" for i, key in enumerate(dict.fromkeys(keys))}
        self.targets = {ohm: free(f"IMPEDANCE_{i + 1}") for i, ohm in enumerate(sorted(set(board.impedances.values())))}

        pads, self.on_pad = board.pads, np.zeros(len(board.pins), dtype=np.bool_)
        linked = pads.take(pads.pin >= 0)
        same = (linked.x == board.pins.x[linked.pin]) & (linked.y == board.pins.y[linked.pin])
        self.on_pad[linked.pin[same]] = True

    def write(self) -> None:
        out = self.out
        out.open("IPC-2581", revision="C", xmlns=NAMESPACE)
        self._content()
        self._bom()
        out.open("Ecad", name="Design")
        out.open("CadHeader", units="MILLIMETER")
        self._specs()
        out.close()
        out.open("CadData")
        self._layers()
        self._stackup()
        self._step()
        out.close()
        out.close()
        out.close()

    def _attribute(self, name: str, value: str) -> None:
        self.out.leaf("NonstandardAttribute", name=f"board.{name}", type="STRING", value=value)

    # ---- names and materials ---------------------------------------------------------------------

    def _mask_sides(self) -> list[str]:
        return [side for side, mask in (("TOP", self.board.mask_top), ("BOTTOM", self.board.mask_bottom)) if mask]

    def _content(self) -> None:
        out = self.out
        out.open("Content", roleRef="Owner")
        out.leaf("FunctionMode", mode="FABRICATION")
        out.leaf("StepRef", name=self.board.name)
        for name in (*self.copper, *self.drills.values()):
            out.leaf("LayerRef", name=name)
        out.leaf("BomRef", name="BOM")
        out.open("DictionaryLineDesc", units="MILLIMETER")
        for width, name in self.widths.items():
            out.open("EntryLineDesc", id=name)
            out.leaf("LineDesc", lineEnd="ROUND", lineWidth=mm(width))
            out.close()
        out.close()
        self.shapes.write(out)
        out.close()

    def _bom(self) -> None:
        out, parts = self.out, self.board.parts
        groups: dict[tuple[str, str], list[int]] = {}
        for i, key in enumerate(zip(parts.value, parts.package, strict=True)):
            groups.setdefault(key, []).append(i)
        out.open("Bom", name="BOM")
        for (value, package), rows in groups.items():
            out.open("BomItem", OEMDesignNumberRef=value or package, quantity=str(len(rows)), category="ELECTRICAL")
            for i in rows:
                out.leaf("RefDes", name=parts.ref[i], packageRef=package, populate="true", layerRef=self._side(i))
            out.open("Characteristics", category="ELECTRICAL")
            if value:
                out.leaf("Textual", textualCharacteristicName="VALUE", textualCharacteristicValue=value)
            out.close()
            out.close()
        out.close()

    def _side(self, part: int) -> str:
        if self.board.parts.side[part] == 0:
            return self.copper[0]
        return self.copper[-1] if len(self.copper) > 1 else self.far_side

    def _specs(self) -> None:
        out, board = self.out, self.board
        for layer in board.layers:
            out.open("Spec", name=layer.name)
            self._property("General", "MATERIAL", text="COPPER")
            self._property("Conductor", "CONDUCTIVITY", value=plain(layer.conductivity), unit="MHO/M")
            out.close()
        for name, sheet in zip(self.sheets, board.dielectrics, strict=True):
            out.open("Spec", name=name)
            if sheet.material:
                self._property("General", "MATERIAL", text=sheet.material)
            at = {"refUnit": "HZ", "refValue": plain(sheet.frequency)}
            self._property("Dielectric", "DIELECTRIC_CONSTANT", value=plain(sheet.er), **at)
            self._property("Dielectric", "LOSS_TANGENT", value=plain(sheet.tan_d), **at)
            out.close()
        for side in self._mask_sides():
            mask = board.mask_top if side == "TOP" else board.mask_bottom
            assert mask is not None
            out.open("Spec", name=self.masks[side])
            self._property("Dielectric", "DIELECTRIC_CONSTANT", value=plain(mask.er))
            self._property("Dielectric", "LOSS_TANGENT", value=plain(mask.tan_d))
            out.close()
        for ohm, name in self.targets.items():
            out.open("Spec", name=name)
            out.open("Impedance", type="IMPEDANCE", transmission="SINGLE_ENDED")
            out.leaf("Property", value=plain(ohm), unit="OHMS")
            out.close()
            out.close()

    def _property(self, tag: str, kind: str, **attributes: str) -> None:
        self.out.open(tag, type=kind)
        self.out.leaf("Property", **attributes)
        self.out.close()

    def _function(self, i: int) -> tuple[str, str | None]:
        """The layer's function in the standard's words, and the board's own where that differs."""
        word = self.board.layers[i].function
        standard = word.upper() if KINDS.get(word.upper()) == COPPER else "CONDUCTOR"
        return standard, None if standard.lower() == word else word

    def _layers(self) -> None:
        out, last = self.out, len(self.copper) - 1
        for i, name in enumerate(self.copper):
            side = "TOP" if i == 0 else "BOTTOM" if i == last else "INTERNAL"
            out.leaf("Layer", name=name, layerFunction=self._function(i)[0], side=side, polarity="POSITIVE")
        for name in self.sheets:
            out.leaf("Layer", name=name, layerFunction="DIELCORE", side="NONE", polarity="POSITIVE")
        for side in self._mask_sides():
            out.leaf("Layer", name=self.masks[side], layerFunction="SOLDERMASK", side=side, polarity="POSITIVE")
        if len(self.copper) == 1 and self.board.parts.side.any():
            out.leaf("Layer", name=self.far_side, layerFunction="COMPONENT_BOTTOM", side="BOTTOM", polarity="POSITIVE")
        for (first, stop), name in self.drills.items():
            out.open("Layer", name=name, layerFunction="DRILL", side="ALL", polarity="POSITIVE")
            out.leaf("Span", fromLayer=self.copper[first], toLayer=self.copper[stop])
            out.close()

    def _stackup(self) -> None:
        out, board = self.out, self.board
        sheets: list[tuple[str, float, str | None]] = []
        if board.mask_top:
            sheets.append((self.masks["TOP"], board.mask_top.thickness, None))
        for i, layer in enumerate(board.layers):
            sheets.append((layer.name, layer.thickness, self._function(i)[1]))
            if i < len(board.dielectrics):
                sheets.append((self.sheets[i], board.dielectrics[i].thickness, None))
        if board.mask_bottom:
            sheets.append((self.masks["BOTTOM"], board.mask_bottom.thickness, None))
        tolerances = {"tolPlus": "0.0", "tolMinus": "0.0"}
        overall = mm(sum(sheet[1] for sheet in sheets))
        out.open("Stackup", name="STACKUP", overallThickness=overall, **tolerances, whereMeasured="MASK")
        out.open("StackupGroup", name="ALL", thickness=overall, **tolerances)
        for number, (name, thickness, word) in enumerate(sheets, 1):
            out.open(
                "StackupLayer", layerOrGroupRef=name, thickness=mm(thickness), **tolerances, sequence=str(number)
            )  # fmt: skip
            out.leaf("SpecRef", id=name)
            if word is not None:
                self._attribute("function", word)
            out.close()
        out.close()
        out.close()

    # ---- the layout ------------------------------------------------------------------------------

    def _step(self) -> None:
        out, board = self.out, self.board
        out.open("Step", name=board.name, type="BOARD")
        self._attribute("links", "given")
        for (drill, antipad, plated, first, last), name in self.stacks.items():
            out.open("PadStackDef", name=name)
            out.leaf(
                "PadstackHoleDef", name=name, diameter=mm(float(drill)), platingStatus="VIA" if plated else "NONPLATED",
                plusTol="0.0", minusTol="0.0", x="0.0", y="0.0",
            )  # fmt: skip
            for i in range(first, last + 1):
                out.open("PadstackPadDef", layerRef=self.copper[i], padUse="ANTIPAD")
                out.leaf("Location", x="0.0", y="0.0")
                out.leaf("Circle", diameter=mm(float(antipad)))
                out.close()
            out.close()
        out.leaf("Datum", x="0.0", y="0.0")
        outlines = [] if board.outline.is_empty else getattr(board.outline, "geoms", [board.outline])
        for outline in outlines:
            out.open("Profile")
            polygon_lines(out, outline)
            out.close()
        self._parts()
        self._nets()
        for i in range(len(board.layers)):
            self._copper_layer(i)
        for span, name in self.drills.items():
            self._drill_layer(span, name)
        out.close()

    def _parts(self) -> None:
        parts, pins = self.board.parts, self.board.pins
        order = np.argsort(pins.part, kind="stable")
        rows_of = np.split(order, np.searchsorted(pins.part[order], np.arange(1, len(parts))))
        in_order = bool((order == np.arange(len(pins))).all())
        packages: dict[tuple, str] = {}
        names: set[str] = set(parts.package.tolist())
        chosen, places = [], []
        for i in range(len(parts)):
            a, b, c, d = turn(float(parts.rotation[i]), bool(parts.side[i]), mirror_first=True)
            places.append(Placement(a, b, c, d, float(parts.x[i]), float(parts.y[i])))
            key = (parts.package[i], self._relative(rows_of[i], places[i]))
            if key not in packages:
                name = parts.package[i]
                if name in packages.values():
                    number = 2
                    while f"{name}~{number}" in names:
                        number += 1
                    name = f"{name}~{number}"
                names.add(name)
                packages[key] = name
            chosen.append(packages[key])
        for (_, land), name in packages.items():
            self._package(name, land)
        for i in range(len(parts)):
            self._component(i, chosen[i], rows_of[i], in_order)

    def _relative(self, rows: np.ndarray, place: Placement) -> tuple:
        """The pins of a part round its origin: name, x, y in steps of GRID, through or not."""
        pins = self.board.pins
        dx, dy = pins.x[rows] - place.e, pins.y[rows] - place.f
        # the inverse of a turn with or without mirror is its transpose
        x, y = place.a * dx + place.c * dy, place.b * dx + place.d * dy
        grid = np.round(np.stack([x, y], axis=-1) / GRID).astype(np.int64).tolist()
        through = (pins.layer[rows] < 0).tolist()
        return tuple((name, gx, gy, t) for name, (gx, gy), t in zip(pins.name[rows], grid, through, strict=True))

    def _package(self, name: str, land: tuple) -> None:
        out = self.out
        out.open("Package", name=name, type="OTHER")
        for pin, x, y, through in land:
            out.open("Pin", number=pin, type="THRU" if through else "SURFACE", electricalType="ELECTRICAL")
            out.leaf("Location", x=mm(round(x * GRID, 13)), y=mm(round(y * GRID, 13)))
            out.close()
        out.close()

    def _component(self, i: int, package: str, rows: np.ndarray, in_order: bool) -> None:
        out, parts, pins = self.out, self.board.parts, self.board.pins
        outer = 0 if parts.side[i] == 0 else len(self.copper) - 1
        through = bool(len(rows)) and bool((pins.layer[rows] < 0).all())
        out.open(
            "Component", refDes=parts.ref[i], packageRef=package, layerRef=self._side(i), part=package,
            mountType="THMT" if through else "SMT",
        )  # fmt: skip
        if package != parts.package[i]:
            self._attribute("package", parts.package[i])
        if not np.isin(pins.layer[rows], (-1, outer)).all():
            self._attribute("pin-layers", " ".join(map(str, pins.layer[rows].tolist())))
        if not self.on_pad[rows].all():
            places = zip(pins.x[rows].tolist(), pins.y[rows].tolist(), strict=True)
            self._attribute("pin-places", " ".join(mm(value) for place in places for value in place))
        if len(rows) and not in_order:
            self._attribute("pin-rows", " ".join(map(str, rows.tolist())))
        mirrored = bool(parts.side[i])
        rotation, turns = degrees(float(parts.rotation[i]), mirrored=mirrored)
        if turns:
            self._attribute("turns", str(turns))
        out.leaf("Xform", rotation=rotation, **({"mirror": "true"} if mirrored else {}))
        out.leaf("Location", x=mm(float(parts.x[i])), y=mm(float(parts.y[i])))
        out.close()

    def _nets(self) -> None:
        out, board = self.out, self.board
        order = np.argsort(board.pins.net, kind="stable")
        pins_of = np.split(order, np.searchsorted(board.pins.net[order], np.arange(1, len(board.nets))))
        for net, name in enumerate(board.nets[1:], 1):
            word = board.net_classes.get(name)
            out.open("LogicalNet", name=name, **({"netClass": word.upper()} if word else {}))
            for pin in pins_of[net].tolist():
                out.leaf("PinRef", componentRef=board.parts.ref[board.pins.part[pin]], pin=board.pins.name[pin])
            if name in board.impedances:
                out.leaf("SpecRef", id=self.targets[board.impedances[name]])
            out.close()

    def _open_set(self, net: int, row: int, **attributes: str) -> None:
        named = {"net": self.board.nets[net]} if net else {}
        self.out.open("Set", **named, **attributes)
        self._attribute("row", str(row))

    def _copper_layer(self, layer: int) -> None:
        out, board = self.out, self.board
        out.open("LayerFeature", layerRef=self.copper[layer])
        for table, write in ((board.areas, self._area), (board.traces, self._traces)):
            for run in _runs(table.net, rows=np.flatnonzero(table.layer == layer)):
                self._open_set(int(table.net[run[0]]), int(run[0]))
                write(run)
                out.close()
        pads = board.pads
        for run in _runs(pads.net, pads.via, rows=np.flatnonzero(pads.layer == layer)):
            via = int(pads.via[run[0]])
            self._open_set(int(pads.net[run[0]]), int(run[0]), padUsage="TERMINATION" if via < 0 else "VIA")
            if via >= 0:
                self._attribute("hole", f"H{via + 1}")
            for row in run.tolist():
                self._pad(row)
            out.close()
        out.close()

    def _area(self, run: np.ndarray) -> None:
        out = self.out
        for row in run.tolist():
            out.open("Features")
            out.leaf("Location", x="0.0", y="0.0")
            out.open("Contour")
            polygon_lines(out, self.board.areas.shape[row])
            out.close()
            out.close()

    def _traces(self, run: np.ndarray) -> None:
        """Segments that follow one another as polylines; a lone arc as an arc."""
        t, out = self.board.traces, self.out
        joined = (t.x0[run][1:] == t.x1[run][:-1]) & (t.y0[run][1:] == t.y1[run][:-1])
        joined &= t.width[run][1:] == t.width[run][:-1]
        dot = (t.turn[run] == 0) & (t.x0[run] == t.x1[run]) & (t.y0[run] == t.y1[run])
        joined &= ~dot[1:] & ~dot[:-1]
        for chain in np.split(run, np.flatnonzero(~joined) + 1):
            out.open("Features")
            out.leaf("Location", x="0.0", y="0.0")
            rows = chain.tolist()
            if len(rows) == 1 and t.turn[rows[0]] == 0:
                self._line(rows[0])
            else:
                self._polyline(rows)
            out.close()

    def _line(self, row: int) -> None:
        t, out = self.board.traces, self.out
        x0, y0, x1, y1 = (mm(float(column[row])) for column in (t.x0, t.y0, t.x1, t.y1))
        out.open("Line", startX=x0, startY=y0, endX=x1, endY=y1)
        out.leaf("LineDescRef", id=self.widths[float(t.width[row])])
        out.close()

    def _polyline(self, rows: list[int]) -> None:
        t, out = self.board.traces, self.out
        out.open("Polyline")
        out.leaf("PolyBegin", x=mm(float(t.x0[rows[0]])), y=mm(float(t.y0[rows[0]])))
        for row in rows:
            x, y, turned = mm(float(t.x1[row])), mm(float(t.y1[row])), int(t.turn[row])
            if turned == 0:
                out.leaf("PolyStepSegment", x=x, y=y)
            else:
                xc, yc = mm(float(t.xc[row])), mm(float(t.yc[row]))
                clockwise = "true" if turned < 0 else "false"
                out.leaf("PolyStepCurve", x=x, y=y, centerX=xc, centerY=yc, clockwise=clockwise)
        out.leaf("LineDescRef", id=self.widths[float(t.width[rows[0]])])
        out.close()

    def _pad(self, row: int) -> None:
        out, board = self.out, self.board
        pads, pin = board.pads, int(board.pads.pin[row])
        out.open("Pad")
        out.leaf("Location", x=mm(float(pads.x[row])), y=mm(float(pads.y[row])))
        out.leaf(self.shapes.tag[row], id=self.shapes.name[row])
        if pin >= 0:
            out.leaf("PinRef", componentRef=board.parts.ref[board.pins.part[pin]], pin=board.pins.name[pin])
        out.close()

    def _drill_layer(self, span: tuple[int, int], name: str) -> None:
        out, vias = self.out, self.board.vias
        out.open("LayerFeature", layerRef=name)
        for row in np.flatnonzero((vias.first == span[0]) & (vias.last == span[1])).tolist():
            key = (vias.drill[row], vias.antipad[row], vias.plated[row], *span)
            stack = self.stacks.get(key)
            self._open_set(int(vias.net[row]), row, **({"geometry": stack} if stack else {}))
            pin = int(vias.pin[row])
            if pin >= 0:
                self._attribute("pin", str(pin))
            status = "NONPLATED" if not vias.plated[row] else "PLATED" if pin >= 0 else "VIA"
            common = {"name": f"H{row + 1}", "platingStatus": status, "plusTol": "0.0", "minusTol": "0.0"}
            x, y, x1, y1 = (float(column[row]) for column in (vias.x, vias.y, vias.x1, vias.y1))
            drill = mm(float(vias.drill[row]))
            if (x, y) == (x1, y1):
                out.leaf("Hole", diameter=drill, **common, x=mm(x), y=mm(y))
            else:
                out.open("SlotCavity", **common)
                out.open("Line", startX=mm(x), startY=mm(y), endX=mm(x1), endY=mm(y1))
                out.leaf("LineDesc", lineEnd="ROUND", lineWidth=drill)
                out.close()
                out.close()
            out.close()
        out.close()
