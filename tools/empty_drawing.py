"""Writes report/static/empty.dxf: a drawing without content, as ezdxf makes it, into which the mark-up is put. Loading
ezdxf takes longer than a whole drawing of a review."""

from __future__ import annotations

import io
from pathlib import Path

import ezdxf
from ezdxf import units

TARGET = Path(__file__).parents[1] / "src/quietcopper/report/static/empty.dxf"
LAYERS, COUNT, ENTITIES, NEXT = "{layers}", "{layer_count}", "{entities}", "{next_handle}"


def empty_drawing() -> str:
    """A DXF drawing (R2000, mm), with marks where layers, their number, entities and the next free handle belong."""
    options = ezdxf.options
    fixed, options.write_fixed_meta_data_for_testing = options.write_fixed_meta_data_for_testing, True
    try:  # else the time and a random identity are written
        made = ezdxf.new("R2000", units=units.MM)
        text = io.StringIO()
        made.write(text)
    finally:
        options.write_fixed_meta_data_for_testing = fixed
    out = text.getvalue()
    layers = len(made.layers)
    head, table, rest = out.partition("  0\nTABLE\n  2\nLAYER\n")
    rows, end, after = rest.partition("  0\nENDTAB\n")
    counted = rows.replace(f"\n 70\n{layers}\n", f"\n 70\n{COUNT}\n", 1)
    before, section, last = after.partition("  2\nENTITIES\n")
    handle = f"  9\n$HANDSEED\n  5\n{made.entitydb.handles}\n"
    if handle not in head or counted == rows or not section:
        raise SystemExit("this version of ezdxf writes its drawings in another order")
    head = head.replace(handle, f"  9\n$HANDSEED\n  5\n{NEXT}\n")
    return f"{head}{table}{counted}{LAYERS}{end}{before}{section}{ENTITIES}{last}"


if __name__ == "__main__":
    TARGET.write_text(empty_drawing(), encoding="ascii", newline="\n")
