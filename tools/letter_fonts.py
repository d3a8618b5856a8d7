"""Makes the fonts of the PDF letter out of the page's variable ones: static, merged over scripts, cut to what is set.

    npm pack @fontsource-variable/literata@5.3.0 @fontsource-variable/source-sans-3@5.3.1
    python tools/letter_fonts.py FOLDER          # FOLDER has both packages unpacked; needs fonttools and brotli

A letter is set with static fonts, since a variable one would be embedded in its default weight.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from fontTools import merge, subset
from fontTools.ttLib import TTFont
from fontTools.varLib import instancer

TARGET = Path(__file__).parents[1] / "src" / "quietcopper" / "report" / "static" / "fonts"
SCRIPTS = ("latin", "latin-ext", "greek", "cyrillic")
CHARACTERS = [
    *range(0x20, 0x7F),
    *range(0xA0, 0x180),  # Latin-1 and Latin Extended-A: names of people and places
    0x218, 0x219, 0x21A, 0x21B,
    *range(0x386, 0x3CF),
    *range(0x400, 0x460),
    *range(0x2010, 0x2040),
    0x20AC, 0x2113, 0x2116, 0x2122, 0x2126, 0x2190, 0x2191, 0x2192, 0x2193, 0x2212, 0x2215, 0x221E, 0x2248, 0x2260,
    0x2264, 0x2265,
]  # fmt: skip
FACES = (  # package, file stem, family, weight, name of the weight
    # 'Source' is a reserved name: a changed version goes by another one.
    ("literata", "literata", "Literata", 400, "Regular"),
    ("literata", "literata", "Literata", 600, "SemiBold"),
    ("source-sans-3", "source-sans-3", "Letter Sans", 400, "Regular"),
    ("source-sans-3", "source-sans-3", "Letter Sans", 600, "SemiBold"),
)


def instance(source: Path, weight: int) -> TTFont:
    """One weight of a variable font, without hinting and without the features that a letter does not use."""
    font = instancer.instantiateVariableFont(TTFont(source), {"wght": weight})
    options = subset.Options()
    options.hinting = False
    options.layout_features = ["kern", "mark", "mkmk", "ccmp", "tnum", "lnum"]
    options.name_IDs = [0, 1, 2, 4, 5, 6, 13, 14]
    options.drop_tables += ["DSIG", "STAT", "BASE", "vhea", "vmtx", "gasp"]
    options.notdef_outline = True
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=CHARACTERS)
    cutter.subset(font)
    return font


def named(font: TTFont, family: str, weight: int, style: str) -> None:
    """Family, style and weight as every program reads them; times fixed so that a rebuild gives the same bytes."""
    names = font["name"]
    for number, text in (
        (1, family if style == "Regular" else f"{family} {style}"),
        (2, "Regular"),
        (4, f"{family} {style}"),
        (6, f"{family}-{style}".replace(" ", "")),
        (16, family),
        (17, style),
    ):
        names.setName(text, number, 3, 1, 0x409)
    font["OS/2"].usWeightClass = weight
    font["head"].created = font["head"].modified = 3786912000  # 2024-01-01, counted from 1904
    font.recalcTimestamp = False


def main(folder: Path) -> int:
    for package, stem, family, weight, style in FACES:
        (home,) = folder.rglob(f"{stem}-latin-wght-normal.woff2")
        with tempfile.TemporaryDirectory() as scratch:
            parts = []
            for script in SCRIPTS:
                font = instance(home.with_name(f"{stem}-{script}-wght-normal.woff2"), weight)
                if font.getBestCmap():
                    parts.append(Path(scratch) / f"{script}.ttf")
                    font.flavor = None
                    font.save(parts[-1])
            whole = merge.Merger().merge([str(p) for p in parts])
        named(whole, family, weight, style)
        path = TARGET / f"{package}-letter-{weight}.ttf"
        whole.save(path)
        print(f"{path.name}: {len(whole.getBestCmap())} characters, {path.stat().st_size / 1024:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
