"""Which connectors carry a cable: said in the settings, else assumed."""

from __future__ import annotations

import re

import numpy as np
import shapely

from quietcopper.board import Assumption
from quietcopper.electrical.names import words
from quietcopper.electrical.view import View

_CARD = re.compile(r"(?:U?SD|E?MMC|TF)\w*")  # a memory card's lines, and what stands beside that word
_CARD_LINE = re.compile(r"CLK\w?|CMD\w?|D(?:AT?A?)?[0-3]")
# lines that are made to leave on a cable; common practice, no source
_LEAVES = re.compile(r"VBUS\w*|USB\w*|HDMI\w*|DVI\w*|MDI\d?\w*|RJ45\w*|CAN[HL]?|RS(?:232|422|485)\w*")
CARD_LINES = 4  # of the six: clock, command, four data lines
NEAR_EDGE = 12e-3  # m; a connector whose nearest pin lies within this of the outline is taken to lead outside


def cabled_connectors(view: View) -> tuple[tuple[str, ...], tuple[Assumption, ...]]:
    """References of connectors that carry a cable, in order, and what was assumed to say so.

    A connector named in the settings is as it says there. Any other connector with two pins or more counts as cabled
    when a pin lies near the board's outline (common practice, no source), but for one that takes a memory card, as the
    names of its nets tell.
    """
    board = view.board
    out, assumed, cards = [], [], []
    edge = board.outline.boundary
    for part, kind in enumerate(view.part_kinds):
        ref = str(board.parts.ref[part])
        said = view.settings.connectors.get(ref, {})
        if "cable" in said:
            if said["cable"]:
                out.append(ref)
            continue
        if kind.kind != "connector" or kind.pins < 2:
            continue
        mine = np.flatnonzero(board.pins.part == part)
        if edge.is_empty or not len(mine):
            continue
        points = shapely.points(board.pins.x[mine], board.pins.y[mine])
        if float(shapely.distance(points, edge).min()) <= NEAR_EDGE:
            if _takes_card([board.nets[net] for net in np.unique(board.pins.net[mine])]):
                cards.append(ref)
                continue
            out.append(ref)
            assumed.append(ref)
    notes: tuple[Assumption, ...] = ()
    if assumed:
        names = ", ".join(sorted(assumed)[:8]) + (" …" if len(assumed) > 8 else "")
        notes = (
            Assumption(
                f"connectors that carry a cable: {names}",
                "cable attached",
                "",
                f"connectors within {NEAR_EDGE * 1e3:.0f} mm of the board's edge; settings: connectors.REF.cable",
                len(assumed),
            ),
        )
    if cards:
        notes += (
            Assumption(
                f"connectors that take a memory card: {', '.join(sorted(cards))}",
                "no cable",
                "",
                "as the names of their nets tell; settings: connectors.REF.cable",
                len(cards),
            ),
        )
    return tuple(sorted(out)), notes


def is_assumed(view: View, ref: str) -> bool:
    """Whether only its place near the board's edge says that a connector carries a cable: neither the settings nor the
    names of its nets."""
    if "cable" in view.settings.connectors.get(ref, {}):
        return False
    board = view.board
    mine = board.pins.part == np.flatnonzero(board.parts.ref == ref)[0]
    names = [board.nets[net] for net in np.unique(board.pins.net[mine])]
    return not any(_LEAVES.fullmatch(word) for name in names for word in words(name))


def if_cabled(view: View, ref: str, what: str) -> str:
    """A sentence on a connector, with its condition where only an assumption says that it carries a cable."""
    return f"if {ref} carries a cable: {what}" if is_assumed(view, ref) else what


def title_if_cabled(view: View, ref: str, what: str) -> str:
    """The same with a capital letter."""
    text = if_cabled(view, ref, what)
    return text[:1].upper() + text[1:]


def _takes_card(names: list[str]) -> bool:
    """Whether a connector's nets are those of a memory card's socket."""
    said = [words(name) for name in names]
    return sum(any(map(_CARD.fullmatch, w)) and any(map(_CARD_LINE.fullmatch, w)) for w in said) >= CARD_LINES
