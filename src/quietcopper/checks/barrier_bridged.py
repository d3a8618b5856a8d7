"""Copper or parts that intrude on what looks like a safety barrier."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.choices import BARRIER_MM, barrier_width
from quietcopper.electrical.grounds import Barrier, barriers, ground_regions
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "barrier-bridged"
QUESTION = "Does copper, or a part, take up the clearance of what looks like a barrier between grounds?"
MECHANISM = """A wide clearance on all layers with isolating parts across is there for people's safety. Whatever
conducts in it shortens the way that a voltage has to jump or creep, and a capacitor over it passes current."""
FORMULA = """Shortest way from one region to the other on any layer, the gaps added up and all copper on the way
counting as none, against the clearance of the regions themselves. The share that is gone is what counts."""
ALLOWANCES: Mapping[str, Limit] = {
    "share": Limit(
        0.1,
        "1",
        "common practice, no source; the clearance that the product's safety standard asks for decides",
        "Share of a barrier's width that copper between its sides may take. What counts as a barrier starts at "
        f"split-ground-at-cable.barrier_mm, {BARRIER_MM:g} mm by itself.",
    ),
}
SOURCES = (
    "IEC 62368-1 and IEC 60664-1: clearances and creepage distances add up over conductive parts between (from memory)",
)
ASK = "ask whether this is a safety barrier; until then nothing may bridge it, and what lies in it has to go"


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share = view.settings.allowance(f"{NAME}.share", ALLOWANCES["share"].default)
    found = barriers(view, barrier_width(view))
    for barrier in found:
        if barrier.left < barrier.width:
            yield _finding(view, barrier, share)
    regions = len(ground_regions(view))
    yield Coverage(NAME, regions, regions, "ground regions")


def _finding(view: View, barrier: Barrier, share: float) -> Finding:
    board, areas = view.board, view.board.areas
    regions = ground_regions(view)
    names = sorted({board.nets[areas.net[regions[g][0]]] for g in (barrier.between.a, barrier.between.b)})
    who = f"two regions of {names[0]}" if len(names) == 1 else f"{names[0]} and {names[1]}"
    gone = 1 - barrier.left / barrier.width
    allowance = Allowance(share, "1", ALLOWANCES["share"].source, f"{NAME}.share")
    nets = [board.nets[n] for n in barrier.nets if n]
    refs = [str(board.parts.ref[p]) for p in barrier.bridging]
    isolating = [str(board.parts.ref[p]) for p in barrier.isolating]
    by = ", ".join([*(f"part {r}" for r in refs), *nets[:3]]) or "copper without a net"
    caution = Proposal(ASK)
    at = barrier.way.centroid
    return Finding(
        check=NAME,
        subject=(*names, *nets[:2], *refs[:2]),
        title=f"What looks like a barrier between {who} is bridged down to {engineering(barrier.left, 'm')}",
        message=f"{who[0].upper()}{who[1:]} keep {engineering(barrier.width, 'm')} on every layer; by way of {by} "
        f"{engineering(barrier.left, 'm')} are left on {board.layer_label(barrier.layer)}.",
        place=Place((at.x, at.y), barrier.way, (barrier.layer,), (*names, *nets[:4]), (*refs, *isolating)),
        predicted=gone,
        allowance=allowance,
        cause=CauseHint(f"barrier:{'|'.join(names)}", f"Copper lies between {who}, which look like a barrier", caution),
        remedies=(Remedy(caution, None, "not solved"),),
        evidence={
            "barrier_mm": barrier.width * 1e3,
            "left_mm": barrier.left * 1e3,
            "on_the_way": nets[:6] or "copper without a net",
            "parts_that_join_both_sides": refs or "none",
            "isolating_parts": isolating or "none found",
        },
    )
