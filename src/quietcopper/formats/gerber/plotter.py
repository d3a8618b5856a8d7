"""The graphics state, and the objects that operations make: draws, arcs, flashes, regions, blocks and their copies.

Source: Gerber Layer Format Specification 2024.05, sections 2.3, 4.7 to 4.12 and 8.1.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from quietcopper.board.geometry import arc_points
from quietcopper.formats.gerber.attributes import Attributes
from quietcopper.formats.gerber.graphics import ARC, FLASH, LINE, REGION, Aperture, Transform
from quietcopper.formats.gerber.painting import (
    ATTRIBUTES,
    CONTOUR,
    MAX_OBJECTS,
    TRANSFORM,
    Block,
    Budget,
    Sink,
    TooMuch,
    placed,
    renumbered,
    repeat,
)

MAX_NESTING = 32  # of block definitions
MAX_APERTURES = 100_000
SINGLE_QUADRANT, MULTI_QUADRANT = 74, 75

Note = Callable[[str, int], None]  # what is odd, where; counted by what


@dataclass(frozen=True)
class Opened:
    """A block under definition. number : of the aperture (AB), or None for step and repeat with its grid."""

    sink: Sink
    number: int | None
    aperture_number: int = 0
    repeats: tuple[int, int] = (1, 1)
    steps: tuple[float, float] = (0.0, 0.0)
    place: int = 0


class Plotter:
    """Graphics state and what was drawn. Coordinates arrive in m; `place` is the position in the file.

    odd, lost : called with what is worth a sentence, and with what could not be drawn
    """

    def __init__(self, odd: Note, lost: Note) -> None:
        self.odd, self.lost = odd, lost
        self.attributes = Attributes()
        self.budget = Budget()
        self.apertures: list[Aperture] = []
        self.index_of: dict[int, int] = {}  # aperture by its D code
        self.attributes_of: list[int] = []  # number of the aperture's attributes
        self.blocks: dict[int, Block] = {}
        self.transforms: dict[Transform, int] = {Transform(): 0}
        self.image = self.sink = Sink()
        self.opened: list[Opened] = []
        self.x = self.y = 0.0
        self.mode = 1  # 1 straight, 2 clockwise, 3 counter-clockwise
        self.quadrant = 0
        self.dark = True
        self.mirrored = 1  # -1 where MI mirrors one axis, which turns arcs round
        self.stretched = False  # SF with two factors: no arc stays one
        self.aperture = -1
        self.without_aperture = 0  # operations that could not be drawn
        self.stated = Transform()
        self.in_region = False
        self._transform = 0
        self._set: int | None = 0
        self._contour: array[float] = array("d")
        self._region_row: tuple[float, ...] = ()

    # state

    def attributes_changed(self) -> None:
        self._set = None

    def select(self, number: int, place: int) -> None:
        """Dnn; an aperture that was never defined loses what is drawn with it."""
        found = self.index_of.get(number, -1)
        if found < 0:
            self.odd(f"Aperture D{number} is used and never defined", place)
        self.aperture = found
        self._set = None

    def define(self, aperture: Aperture, attributes: int) -> None:
        """Adds an aperture; a later definition under the same number replaces it from here on."""
        if len(self.apertures) >= MAX_APERTURES:
            raise TooMuch(f"more than {MAX_APERTURES} apertures")
        self.index_of[aperture.number] = len(self.apertures)
        self.apertures.append(aperture)
        self.attributes_of.append(attributes)

    def transform(self, transform: Transform) -> None:
        """LM, LR and LS together."""
        self.stated = transform
        self._transform = self.transforms.setdefault(transform, len(self.transforms))

    # operations

    def plot(self, x: float, y: float, i: float, j: float, place: int) -> None:
        """D01."""
        if self.in_region:
            self._contour_to(x, y, i, j, place)
        elif self.mode == 1:
            self._line(x, y, place)
        else:
            self._arc(x, y, i, j, place)
        self.x, self.y = x, y

    def move(self, x: float, y: float, place: int) -> None:
        """D02."""
        self.x, self.y = x, y
        if self.in_region:
            self._close_contour(place)
            self._contour.extend((x, y))

    def flash(self, x: float, y: float, place: int) -> None:
        """D03."""
        self.x, self.y = x, y
        if self.in_region:
            self.lost("flash inside a region statement", place)
            return
        if self.aperture < 0:
            self.without_aperture += 1
            self.lost("flash without an aperture", place)
            return
        if self.aperture in self.blocks:
            self._flash_block(x, y)
            return
        nan = math.nan
        self._add(FLASH, x, y, x, y, nan, nan, 0, nan, place)

    def _line(self, x: float, y: float, place: int) -> None:
        nan = math.nan
        width = self._stroke_width(place)
        if width is not None:
            self._add(LINE, self.x, self.y, x, y, nan, nan, 0, width, place)

    def _arc(self, x: float, y: float, i: float, j: float, place: int) -> None:
        found = self._centre(x, y, i, j, place)
        if found is None:
            self._line(x, y, place)
            return
        width = self._stroke_width(place)
        if width is not None:
            self._add(ARC, self.x, self.y, x, y, *found, self._turn, width, place)

    def _stroke_width(self, place: int) -> float | None:
        """Width of a stroke with a round aperture, nan with another, None where nothing can be drawn."""
        if self.aperture < 0:
            self.without_aperture += 1
            self.lost("stroke without an aperture", place)
            return None
        aperture = self.apertures[self.aperture]
        if aperture.template in ("C", "R") and aperture.convex:
            return aperture.width * self.stated.scale
        if aperture.template == "block":
            self.lost("stroke with an aperture block", place)
            return None
        self.odd(f"Strokes with aperture template {aperture.template[:40]}, drawn with its convex outline", place)
        return aperture.width * self.stated.scale

    def _add(
        self,
        kind: int,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        xc: float,
        yc: float,
        turn: int,
        width: float,
        place: int,
    ) -> None:
        number = self._set
        if number is None:
            number = self._set = self.attributes.number(self.attributes_of[self.aperture])
        self.budget.take(1)
        self.sink.rows.extend(
            (kind, self.dark, x0, y0, x1, y1, xc, yc, turn, self.aperture, self._transform, width, -1, number, place)
        )

    # arcs

    @property
    def _turn(self) -> int:
        return self.mirrored if self.mode == 3 else -self.mirrored

    def _centre(self, x: float, y: float, i: float, j: float, place: int) -> tuple[float, float] | None:
        """Centre of the arc from the current point to (x, y), None where it is no arc."""
        if self.stretched:
            raise TooMuch("arcs under a scale factor that differs in x and y")
        x0, y0 = self.x, self.y
        quadrant = self.quadrant
        if not quadrant:
            signed = abs(math.hypot(i, j) - math.hypot(x - x0 - i, y - y0 - j))
            quadrant = MULTI_QUADRANT if min(i, j) < 0 or signed <= 0.01 * math.hypot(i, j) else SINGLE_QUADRANT
            self.odd(f"Arcs with neither G74 nor G75 before them, read as G{quadrant}", place)
        if quadrant == SINGLE_QUADRANT:
            return None if (x, y) == (x0, y0) else self._single_quadrant(x, y, abs(i), abs(j), place)
        r0, r1 = math.hypot(i, j), math.hypot(x - x0 - i, y - y0 - j)
        if r0 == 0 or r1 == 0:
            self.odd("Arcs round their own end, drawn straight", place)
            return None
        if abs(r1 - r0) > max(0.05 * r0, 2e-6):
            self.odd("Arcs whose ends lie at different distances from their centre", place)
        return x0 + i, y0 + j

    def _single_quadrant(self, x: float, y: float, i: float, j: float, place: int) -> tuple[float, float] | None:
        """G74: the centre that gives at most a quarter circle, of the four that unsigned offsets allow."""
        x0, y0, turn = self.x, self.y, self._turn
        best: tuple[bool, float, float, float] | None = None
        for si in (1, -1):
            for sj in (1, -1):
                xc, yc = x0 + si * i, y0 + sj * j
                r1 = math.hypot(x - xc, y - yc)
                sweep = (math.atan2(y - yc, x - xc) - math.atan2(y0 - yc, x0 - xc)) * turn % (2 * math.pi)
                # resolution of the file: a quarter may come out a little larger
                candidate = (sweep > math.pi / 2 + 0.02, abs(r1 - math.hypot(i, j)), xc, yc)
                if best is None or candidate < best:
                    best = candidate
        if best is None or (i == 0 and j == 0):
            self.odd("Arcs round their own end, drawn straight", place)
            return None
        if best[0] or best[1] > max(0.05 * math.hypot(i, j), 2e-6):
            self.odd("Single-quadrant arcs that no centre fits", place)
        return best[2], best[3]

    # regions

    def open_region(self, place: int) -> None:
        """G36. A region has the aperture attributes in force, and no aperture."""
        if self.in_region:
            self.odd("Regions opened inside a region", place)
            self.close_region(place)
        self.in_region = True
        number = self.attributes.number(self.attributes.aperture_number)
        self._region_row = (REGION, self.dark, number)
        self._contour = array("d")

    def close_region(self, place: int) -> None:
        """G37."""
        if not self.in_region:
            self.odd("G37 without a G36 before it", place)
            return
        self._close_contour(place)
        self.in_region = False

    def _contour_to(self, x: float, y: float, i: float, j: float, place: int) -> None:
        contour = self._contour
        if not contour:
            contour.extend((self.x, self.y))
        if self.mode != 1:
            found = self._centre(x, y, i, j, place)
            if found is not None:
                points = arc_points(self.x, self.y, x, y, *found, self._turn)[1:]
                self.budget.take(0, len(points))
                contour.frombytes(np.ascontiguousarray(points).tobytes())
                return
        self.budget.take(0, 1)
        contour.append(x)
        contour.append(y)

    def _close_contour(self, place: int) -> None:
        contour = self._contour
        if len(contour) <= 2:
            self._contour = array("d")
            return
        if contour[0] != contour[-2] or contour[1] != contour[-1]:
            self.odd("Contours that are not closed, closed with a straight line", place)
            contour.extend(contour[:2])
        self._contour = array("d")
        if len(contour) < 8:
            self.lost("contour of fewer than three corners", place)
            return
        x, y, nan = contour[0], contour[1], math.nan
        kind, dark, number = self._region_row
        self.budget.take(1)
        sink = self.sink
        sink.rows.extend((kind, dark, x, y, x, y, nan, nan, 0, -1, 0, nan, len(sink.ends) - 1, number, place))
        sink.points.extend(contour)
        sink.ends.append(len(sink.points) // 2)

    # blocks

    def open_block(self, number: int, place: int) -> None:
        """AB with a number."""
        self._open(Opened(Sink(), number, self.attributes.aperture_number, place=place))

    def open_repeat(self, repeats: tuple[int, int], steps: tuple[float, float], place: int) -> None:
        """SR with numbers."""
        self._open(Opened(Sink(), None, 0, repeats, steps, place))

    def _open(self, opened: Opened) -> None:
        if len(self.opened) >= MAX_NESTING:
            raise TooMuch(f"blocks nested more than {MAX_NESTING} deep")
        self.opened.append(opened)
        self.sink = opened.sink

    @property
    def repeating(self) -> bool:
        return bool(self.opened) and self.opened[-1].number is None

    def close_repeat(self) -> None:
        """Ends the step and repeat that is open: its copies first upwards, then to the right."""
        opened = self._close()
        (nx, ny), (dx, dy) = opened.repeats, opened.steps
        block = opened.sink.block()
        if not len(block.rows):
            return
        if nx * ny * len(block.rows) > MAX_OBJECTS:
            raise TooMuch(f"a step and repeat of {nx} x {ny} copies of {len(block.rows)} objects")
        self.budget.take((nx * ny - 1) * len(block.rows), (nx * ny - 1) * len(block.points))
        repeat(block, ((column * dx, row * dy) for column in range(nx) for row in range(ny)), self.sink)

    def close_block(self, aperture: Aperture) -> None:
        """Ends the block aperture that is open, under the aperture made for it."""
        opened = self._close()
        self.define(aperture, opened.aperture_number)
        self.blocks[len(self.apertures) - 1] = opened.sink.block()

    def _flash_block(self, x: float, y: float) -> None:
        block, stated = self.blocks[self.aperture], self.stated
        if not len(block.rows):
            return
        self.budget.take(len(block.rows), len(block.points))
        copy = placed(block, stated, x, y, toggle=not self.dark)
        rows = copy.rows
        if stated != Transform():
            known = list(self.transforms)
            numbers = {
                int(each): self.transforms.setdefault(stated.after(known[int(each)]), len(self.transforms))
                for each in np.unique(rows[:, TRANSFORM])
            }
            drawn = rows[:, CONTOUR] < 0  # contours are turned already
            rows[drawn, TRANSFORM] = renumbered(rows[drawn, TRANSFORM], numbers)
        outer = self.attributes.number(self.attributes_of[self.aperture])
        inherited = {int(each): self.attributes.inherited(int(each), outer) for each in np.unique(rows[:, ATTRIBUTES])}
        rows[:, ATTRIBUTES] = renumbered(rows[:, ATTRIBUTES], inherited)
        self.sink.append(copy)

    def _close(self) -> Opened:
        opened = self.opened.pop()
        self.sink = self.opened[-1].sink if self.opened else self.image
        return opened
