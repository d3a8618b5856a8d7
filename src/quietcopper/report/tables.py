"""The tables of the letter: layers, what was looked at, lines and plane pairs, as rows for the templates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietcopper.report import words
from quietcopper.report.pictures import excess_level

MOST_LINES = 300  # rows of the table of lines; findings.json has all of them


@dataclass(frozen=True)
class LayerRow:
    """One row of the layer picker."""

    index: int
    name: str
    carries: str
    reference: str
    between: str
    worst: str
    level: int
    places: int


def layer_rows(document: Mapping[str, Any]) -> list[LayerRow]:
    """The layers from the top, each with the worst of its places."""
    stackup = document["stackup"]
    rows = []
    for i, name in enumerate(document["board"]["layers"]):
        here = [f for f in document["findings"] if name in f["layers"][:1]]
        excesses = [f["excess_db"] for f in here if f["excess_db"] is not None]
        entry = stackup["layers"][i] if i < len(stackup["layers"]) else None
        sheet = stackup["dielectrics"][i] if i < len(stackup["dielectrics"]) else None
        reference = ""
        if entry and entry["reference"]:
            r = entry["reference"]
            reference = (
                f"{words.figure(r['distance_mm'], 'mm')} from {r['net'] or r['kind'] + ' copper'} on {r['layer']}"
            )
        between = ""
        if sheet:
            er = f" · εr {words.number(sheet['er'])}" if sheet["er"] is not None else ""
            between = f"{words.figure(sheet['thickness_mm'], 'mm')}{er}"
        rows.append(
            LayerRow(
                index=i,
                name=name,
                carries=entry["carries"] if entry else "",
                reference=reference,
                between=between,
                worst=words.decibels(max(excesses), unit=False) if excesses else "",
                level=excess_level(max(excesses, default=None)),
                places=len(here),
            )
        )
    return rows


def coverage_rows(document: Mapping[str, Any]) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows of what was looked at, and the checks that found nothing over the allowance."""
    by_check: dict[str, list[Mapping[str, Any]]] = {}
    for finding in document["findings"]:
        by_check.setdefault(finding["check"], []).append(finding)
    rows, good = [], []
    for entry in document["coverage"]:
        found = by_check.get(entry["check"], [])
        over = sum(words.over(f["excess_db"]) for f in found)
        question = document["checks"].get(entry["check"], {}).get("question", "")
        rows.append({**entry, "question": " ".join(question.split()), "over": over})
        if over == 0 and entry["looked"]:
            good.append(entry["check"])
    return rows, good


def line_rows(document: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """(net, layer, width, length, impedance, delay) of the longest lines, in the document's order."""
    lengths = sorted((row["length_mm"] for row in document["lines"]), reverse=True)
    least = lengths[MOST_LINES - 1] if len(lengths) > MOST_LINES else 0.0
    rows: list[tuple[str, ...]] = [
        (
            row["net"],
            row["layer"],
            words.figure(row.get("width_mm"), "mm"),
            words.figure(row["length_mm"], "mm"),
            words.figure(row["z_ohm"], "ohm") if row["z_ohm"] is not None else "–",
            words.figure(row["delay_ps"] * 1e-12, "s") if row.get("delay_ps") is not None else "–",
        )
        for row in document["lines"]
        if row["length_mm"] >= least
    ]
    return rows[:MOST_LINES]


def pair_rows(document: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """(upper, lower, distance, area, capacitance, modes) of the plane pairs."""
    rows: list[tuple[str, ...]] = []
    for pair in document["plane_pairs"][:MOST_LINES]:
        sides = [
            " ".join(filter(None, (pair.get(f"{side}_net", ""), f"on {pair[side]}"))) for side in ("upper", "lower")
        ]
        capacitance = pair.get("capacitance_f")
        rows.append(
            (
                *sides,
                words.figure(pair.get("distance_mm"), "mm"),
                f"{pair['area_mm2'] / 100:.3g} cm²" if "area_mm2" in pair else "–",
                words.figure(capacitance, "F") if capacitance is not None else "–",
                ", ".join(words.figure(f, "Hz") for f in pair.get("modes_hz", [])[:3]) or "–",
            )
        )
    return rows
