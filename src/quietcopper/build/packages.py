"""Land patterns: where a package has its pads. Sizes in the arguments are millimetres, a Package is in metres.

The land sizes are typical ones, common practice, no source; a product would take them from its parts' data sheets.
Coordinates: package seen from its own side, pin 1 at the left or upper left, centre at (0, 0).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shapely import Polygon
from shapely.affinity import scale

from quietcopper.build.drawing import circle, rectangle
from quietcopper.errors import CallError
from quietcopper.units import MM


@dataclass(frozen=True)
class Land:
    """A pin's pad. shape in place, m; (x, y) its middle.

    drill : finished hole diameter, m, 0 for a surface pad; far_side : the pad lies on the side away from the part
    """

    pin: str
    x: float
    y: float
    shape: Polygon
    drill: float = 0.0
    far_side: bool = False


@dataclass(frozen=True)
class Package:
    """A name, one land a pin in pin order, and the outline that the part takes up on the board, m."""

    name: str
    lands: tuple[Land, ...]
    body: Polygon

    @property
    def pins(self) -> tuple[str, ...]:
        """Pin names in order."""
        return tuple(land.pin for land in self.lands)


# two-pin chip parts: pad length along the part, pad width, distance between pad middles, body length and width, mm
CHIPS = {
    "0402": (0.60, 0.60, 1.00, 1.00, 0.50),
    "0603": (0.80, 0.90, 1.55, 1.60, 0.80),
    "0805": (1.00, 1.35, 1.90, 2.00, 1.25),
    "1206": (1.10, 1.75, 2.90, 3.20, 1.60),
}


def chip(size: str, pins: tuple[str, str] = ("1", "2")) -> Package:
    """A two-pin chip part: resistor, capacitor, bead. Pin 1 on the left.

    >>> chip("0603").pins
    ('1', '2')
    """
    if size not in CHIPS:
        raise CallError(f"chip size: found {size!r}; expected one of {', '.join(CHIPS)}")
    length, width, distance, body_length, body_width = CHIPS[size]
    return two_pads(size, pad_mm=(length, width), distance_mm=distance, body_mm=(body_length, body_width), pins=pins)


def led(size: str) -> Package:
    """A chip diode, pin K (cathode) on the left and A (anode) on the right."""
    return chip(size, ("K", "A"))


def two_pads(
    name: str,
    *,
    pad_mm: tuple[float, float],
    distance_mm: float,
    body_mm: tuple[float, float],
    pins: tuple[str, str] = ("1", "2"),
) -> Package:
    """Any part with two equal pads side by side, such as a wound inductor."""
    lands = [_pad(pin, x, 0.0, pad_mm) for pin, x in zip(pins, (-distance_mm / 2, distance_mm / 2), strict=True)]
    return _package(name, lands, body_mm)


def sot23(pins: int = 3) -> Package:
    """SOT-23 with 3, 5 or 6 pins, counted down the left side and up the right one.

    >>> [sot23(n).pins for n in (3, 5)]
    [('1', '2', '3'), ('1', '2', '3', '4', '5')]
    """
    rows = {
        3: [(-1.1, 0.95), (-1.1, -0.95), (1.1, 0.0)],
        5: [(-1.2, 0.95), (-1.2, 0.0), (-1.2, -0.95), (1.2, -0.95), (1.2, 0.95)],
        6: [(-1.2, 0.95), (-1.2, 0.0), (-1.2, -0.95), (1.2, -0.95), (1.2, 0.0), (1.2, 0.95)],
    }
    if pins not in rows:
        raise CallError(f"sot23: found {pins} pins; expected 3, 5 or 6")
    lands = [_pad(str(i), x, y, (1.0, 0.6)) for i, (x, y) in enumerate(rows[pins], 1)]
    return _package(f"SOT-23-{pins}", lands, (1.6, 2.9))


def soic(pins: int, *, wide: bool = False) -> Package:
    """SOIC, pitch 1.27 mm, pin 1 upper left, counted down the left side and up the right one.

    >>> len(soic(16).lands), soic(8).name
    (16, 'SOIC-8')
    """
    if pins < 4 or pins % 2:
        raise CallError(f"soic: found {pins} pins; expected an even number from 4")
    side, body = (4.65, 7.5) if wide else (2.7, 3.9)
    ys = _spread(pins // 2, 1.27)
    places = [(-side, -y) for y in ys] + [(side, y) for y in ys]
    lands = [_pad(str(i), x, y, (1.55, 0.6)) for i, (x, y) in enumerate(places, 1)]
    return _package(f"SOIC-{pins}{'W' if wide else ''}", lands, (body, pins // 2 * 1.27 + 0.2))


def qfp(pins: int, *, pitch_mm: float, body_mm: float) -> Package:
    """Square gull-wing package, pin 1 at the upper end of the left side, counted counter-clockwise.

    >>> qfp(64, pitch_mm=0.5, body_mm=10).lands[0].pin
    '1'
    """
    lands = _four_sides(pins, pitch_mm, body_mm / 2 + 0.7, (1.5, 0.6 * pitch_mm))
    return _package(f"QFP-{pins}", lands, (body_mm, body_mm))


def qfn(pins: int, *, pitch_mm: float, body_mm: float, thermal_mm: float) -> Package:
    """Square leadless package; its middle pad is the last pin, named pins + 1.

    >>> qfn(16, pitch_mm=0.5, body_mm=3, thermal_mm=1.6).pins[-1]
    '17'
    """
    lands = _four_sides(pins, pitch_mm, body_mm / 2 - 0.05, (0.8, 0.56 * pitch_mm))
    lands.append(_pad(str(pins + 1), 0.0, 0.0, (thermal_mm, thermal_mm)))
    return _package(f"QFN-{pins}", lands, (body_mm, body_mm))


def header(
    pins: int, *, pitch_mm: float, drill_mm: float, pad_mm: float, rows: int = 1, depth_mm: float = 0.0
) -> Package:
    """Through-hole pins in a row (or rows, counted across): pin header, terminal block, cable connector.

    depth_mm : how far the body reaches across the row; 0 for one pitch a row. Pin 1 is square.

    >>> header(4, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7).pins
    ('1', '2', '3', '4')
    """
    if rows < 1 or pins < 1 or pins % rows:
        raise CallError(f"header: found {pins} pins in {rows} rows; expected a whole number a row")
    columns = pins // rows
    places = [(x, -y) for x in _spread(columns, pitch_mm) for y in _spread(rows, pitch_mm)]
    lands = []
    for i, (x, y) in enumerate(places, 1):
        half = pad_mm / 2
        shape = rectangle(x - half, y - half, x + half, y + half) if i == 1 else circle(x, y, pad_mm)
        lands.append(_land(str(i), x, y, shape, drill_mm))
    return _package(f"HDR-{rows}x{columns}-{pitch_mm:g}", lands, (columns * pitch_mm, depth_mm or rows * pitch_mm))


def crystal() -> Package:
    """Four-pad crystal 3.2 x 2.5 mm: 1 and 3 the crystal, 2 and 4 its can, counter-clockwise from lower left."""
    places = [(-1.1, -0.85), (1.1, -0.85), (1.1, 0.85), (-1.1, 0.85)]
    return _package("XTAL-3225", [_pad(str(i), x, y, (1.4, 1.2)) for i, (x, y) in enumerate(places, 1)], (3.2, 2.5))


def castellated(
    *, left: int, bottom: int, right: int, top: int, pitch_mm: float, body_mm: tuple[float, float]
) -> Package:
    """Module with half holes at its edge: pins counted from the upper left counter-clockwise, centred on each side.

    >>> len(castellated(left=6, bottom=0, right=6, top=2, pitch_mm=1.27, body_mm=(16, 12)).lands)
    14
    """
    half_x, half_y = body_mm[0] / 2, body_mm[1] / 2
    along, across = (1.6, 0.7 * pitch_mm), (0.7 * pitch_mm, 1.6)
    places = [(-half_x, -y, along) for y in _spread(left, pitch_mm)]
    places += [(x, -half_y, across) for x in _spread(bottom, pitch_mm)]
    places += [(half_x, y, along) for y in _spread(right, pitch_mm)]
    places += [(-x, half_y, across) for x in _spread(top, pitch_mm)]
    lands = [_pad(str(i), x, y, size) for i, (x, y, size) in enumerate(places, 1)]
    return _package(f"MODULE-{len(lands)}", lands, body_mm)


def tactile_switch() -> Package:
    """Surface-mount push button 6 x 4 mm with two pads."""
    return two_pads("SWITCH-6x4", pad_mm=(1.3, 2.0), distance_mm=7.0, body_mm=(6.0, 4.0))


def edge_coax() -> Package:
    """Coaxial connector over the board's edge: pin 1 the centre, pins 2 and 3 the shell on this side, 4 and 5 on the
    far side. The board's edge is at x = +2.5 mm."""
    lands = [_pad("1", 0.0, 0.0, (5.0, 1.3))]
    shell = [(far, y) for far in (False, True) for y in (2.6, -2.6)]
    lands += [_pad(str(i), 0.0, y, (5.0, 1.6), far) for i, (far, y) in enumerate(shell, 2)]
    return _package("COAX-EDGE", lands, (5.0, 7.0))


def _spread(count: int, pitch: float) -> list[float]:
    return [(i - (count - 1) / 2) * pitch for i in range(count)]


def _pad(pin: str, x: float, y: float, size_mm: tuple[float, float], far_side: bool = False) -> Land:
    half_x, half_y = size_mm[0] / 2, size_mm[1] / 2
    return _land(pin, x, y, rectangle(x - half_x, y - half_y, x + half_x, y + half_y), 0.0, far_side)


def _land(pin: str, x: float, y: float, shape: Polygon, drill_mm: float, far_side: bool = False) -> Land:
    return Land(pin, x * MM, y * MM, _to_metres(shape), drill_mm * MM, far_side)


def _four_sides(pins: int, pitch: float, reach: float, pad: tuple[float, float]) -> list[Land]:
    if pins < 4 or pins % 4:
        raise CallError(f"package: found {pins} pins on four sides; expected a multiple of 4")
    run, turned = _spread(pins // 4, pitch), (pad[1], pad[0])
    places: list[tuple[float, float, tuple[float, float]]] = [(-reach, -y, pad) for y in run]
    places += [(x, -reach, turned) for x in run]
    places += [(reach, y, pad) for y in run]
    places += [(-x, reach, turned) for x in run]
    return [_pad(str(i), x, y, size) for i, (x, y, size) in enumerate(places, 1)]


def _package(name: str, lands: Iterable[Land], body_mm: Sequence[float]) -> Package:
    half_x, half_y = body_mm[0] / 2, body_mm[1] / 2
    return Package(name, tuple(lands), _to_metres(rectangle(-half_x, -half_y, half_x, half_y)))


def _to_metres(shape: Polygon) -> Polygon:
    return scale(shape, MM, MM, origin=(0, 0))
