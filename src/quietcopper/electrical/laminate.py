"""The dielectrics between copper layers, in the order from bottom to top."""

from __future__ import annotations

from quietcopper.board import Board
from quietcopper.fields.section import Sheet


def narrow_face_up(board: Board, layer: int) -> bool:
    """Whether the narrower face of etched traces on a layer points to the component side.

    Foil is etched from its outer side. Cores are taken to hold layers 2 and 3, 4 and 5, and so on, with foil outside
    (common practice, no source): on both sides of each the narrow face then lies in the prepreg that is pressed on.
    """
    if layer in (0, len(board.layers) - 1):
        return layer == 0
    return layer % 2 == 1


def sheets_between(board: Board, upper: int, lower: int) -> tuple[Sheet, ...]:
    """Dielectric from the upper face of a deeper layer to the lower face of a higher one, bottom to top.

    The space beside the copper of layers in between is filled by the sheet on their narrow side, which flows in when
    the board is pressed. Neighbouring sheets of one material are joined.
    """
    out: list[Sheet] = []
    for layer in range(lower, upper, -1):
        above = board.dielectrics[layer - 1]
        thickness = above.thickness
        if layer != lower and narrow_face_up(board, layer):
            thickness += board.layers[layer].thickness
        if layer - 1 != upper and not narrow_face_up(board, layer - 1):
            thickness += board.layers[layer - 1].thickness
        out.append(Sheet(thickness, above.er, above.tan_d))
    return joined(out)


def joined(sheets: list[Sheet]) -> tuple[Sheet, ...]:
    """Neighbouring sheets of one material made one; sheets of no thickness left out."""
    out: list[Sheet] = []
    for sheet in sheets:
        if out and (out[-1].er, out[-1].tan_d) == (sheet.er, sheet.tan_d):
            out[-1] = Sheet(out[-1].thickness + sheet.thickness, sheet.er, sheet.tan_d)
        elif sheet.thickness > 0:
            out.append(sheet)
    return tuple(out)
