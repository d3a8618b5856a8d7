"""What a cut across a trace meets, and its description as a cross-section for the solver."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from quietcopper.board import Board
from quietcopper.electrical.laminate import narrow_face_up, sheets_between
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import Coat, CrossSection, Strip
from quietcopper.units import MICRON

UNIT = 1e-7  # m, of places across a cut; a tenth of a micrometre, as the solver rounds


class Piece(NamedTuple):
    """Finite copper at reference potential: layer, and from where to where across the cut, in units of UNIT."""

    layer: int
    left: int
    right: int


@dataclass(frozen=True)
class Content:
    """What a cut meets: the key by which like places share one section.

    layer, width : of the trace, which lies at 0, in µm; below, above : layers of the planes, -1 none
    pieces : finite copper, sorted; lines : left and right of further lines on the trace's layer, in UNIT
    """

    layer: int
    width: int
    below: int
    above: int
    pieces: tuple[Piece, ...]
    lines: tuple[tuple[int, int], ...]

    @classmethod
    def of(
        cls,
        layer: int,
        width: int,
        below: int,
        above: int,
        pieces: Sequence[Piece],
        lines: Sequence[tuple[int, int]],
    ) -> Content:
        """The content, of its two mirror images the one that sorts first; lines keep the order given."""
        one = (tuple(sorted(pieces)), tuple(lines))
        other = (tuple(sorted(Piece(p.layer, -p.right, -p.left) for p in pieces)), tuple((-b, -a) for a, b in lines))
        return cls(layer, width, below, above, *min(one, other))

    def plain(self) -> Content:
        """The same for its mirror image and whatever order its lines have."""
        if len(self.lines) < 2:
            return self
        mirrored = tuple(sorted(Piece(p.layer, -p.right, -p.left) for p in self.pieces))
        one = tuple(sorted(self.pieces)), tuple(sorted(self.lines))
        other = mirrored, tuple(sorted((-b, -a) for a, b in self.lines))
        return Content(self.layer, self.width, self.below, self.above, *min(one, other))

    def flipped(self, board: Board) -> bool:
        """Whether the section is described upside down: so that the reference, or else the near surface, is as meant.

        The described section has its plane below. Without any plane the trace's own surface is the upper one, because
        only the upper surface can bear a mask.
        """
        if self.below >= 0:
            return False
        return self.above >= 0 or self.layer > (len(board.layers) - 1) / 2


def cross_section(board: Board, content: Content, etch: float) -> CrossSection:
    """The cross-section that a cut meets, for the solver.

    etch : see `Strip`, for traces; planes and pours have upright sides. Masks are taken as thick over copper as over
    laminate. The mask of the surface on the far side of a board without planes is left out.
    Raises OutOfRange for a board with one copper layer, whose laminate is not part of the data.
    """
    last = len(board.layers) - 1
    if last == 0:
        raise OutOfRange("the board has one copper layer, and its data name no laminate")
    flip = content.flipped(board)
    low = content.below if content.below >= 0 else last
    high = content.above if content.above >= 0 else 0
    sheets = sheets_between(board, high, low)
    total = sum(sheet.thickness for sheet in sheets)
    base = float(board.depths[low])

    def strip(layer: int, left: int, right: int, etched: float) -> Strip:
        thickness = board.layers[layer].thickness
        y = base - float(board.depths[layer]) - thickness
        up = narrow_face_up(board, layer)
        if flip:
            y, up = total - y - thickness, not up
        return Strip((left + right) / 2 * UNIT, y, (right - left) * UNIT, thickness, etched, up)

    half = content.width * round(MICRON / UNIT) // 2
    own = (-half, half)
    lines = [strip(content.layer, *place, etch) for place in (own, *content.lines)]
    grounds = [strip(*piece, 0.0) for piece in content.pieces]
    mask = board.mask_bottom if flip else board.mask_top
    bare = (content.below if flip else content.above) < 0
    return CrossSection(
        lines=tuple(lines),
        grounds=tuple(grounds),
        sheets=sheets[::-1] if flip else sheets,
        plane_below=(content.above if flip else content.below) >= 0,
        plane_above=(content.below if flip else content.above) >= 0,
        coat_above=Coat(mask.thickness, mask.thickness, mask.er, mask.tan_d) if mask is not None and bare else None,
    )
