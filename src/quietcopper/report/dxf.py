"""A DXF drawing (R2000, mm) of circles and lines, put into the empty one that tools/empty_drawing.py made."""

from __future__ import annotations

from itertools import count

from quietcopper.report.html import resource
from quietcopper.report.svg import Floats

MODEL_SPACE, LAYER_TABLE, PLOT_STYLE = "17", "1", "13"  # handles in the empty drawing
LAYERS_THERE, FIRST_FREE = 2, 0x34


class Dxf:
    """Collects layers and what is drawn on them. Names are ASCII; each layer is made where it is first named."""

    def __init__(self) -> None:
        self._handles = count(FIRST_FREE)
        self._layers: dict[str, list[str]] = {}
        self._entities: list[str] = []

    def layer(self, name: str, color: int) -> str:
        """The name of a layer that is there from now on. color : index of the format, 7 is black or white, 8 grey"""
        if name not in self._layers:
            self._layers[name] = [
                "  0", "LAYER", "  5", self._handle(), "330", LAYER_TABLE, "100", "AcDbSymbolTableRecord", "100",
                "AcDbLayerTableRecord", "  2", name, " 70", "0", " 62", str(color), "  6", "Continuous", "370", "-3",
                "390", PLOT_STYLE,
            ]  # fmt: skip
        return name

    def circle(self, at: tuple[float, float], radius: float, layer: str, weight: int) -> None:
        """weight : width of the stroke, hundredths of a millimetre, one of the format's"""
        self._begin("CIRCLE", layer)
        self._entities += ["370", str(weight), "100", "AcDbCircle", " 10", str(at[0]), " 20", str(at[1])]
        self._entities += [" 30", "0.0", " 40", str(radius)]

    def line(self, points: Floats, layer: str, *, closed: bool = False) -> None:
        """A polyline through points (n, 2)."""
        self._begin("LWPOLYLINE", layer)
        self._entities += ["100", "AcDbPolyline", " 90", str(len(points)), " 70", str(int(closed))]
        self._entities += [f" 10\n{x}\n 20\n{y}" for x, y in points[:, :2].tolist()]

    def _begin(self, kind: str, layer: str) -> None:
        self._entities += ["  0", kind, "  5", self._handle(), "330", MODEL_SPACE, "100", "AcDbEntity", "  8", layer]

    def _handle(self) -> str:
        return f"{next(self._handles):X}"

    def written(self) -> bytes:
        """The whole file."""
        filled = {
            "{layer_count}": str(LAYERS_THERE + len(self._layers)),
            "{layers}": "".join(f"{text}\n" for row in self._layers.values() for text in row),
            "{entities}": "".join(f"{text}\n" for text in self._entities),
            "{next_handle}": self._handle(),
        }
        text = resource("static", "empty.dxf").decode("ascii")
        for mark, value in filled.items():
            text = text.replace(mark, value, 1)
        return text.encode("ascii")
