"""Gerber layer files: from the bytes of one file to a `GerberImage`.

Reads the Gerber Layer Format Specification 2024.05 with its deprecated parts (chapter 8), and forgives what is common
in files: each oddity becomes a sentence in `problems` with its count and first line, what was passed over is counted
in `unread`, what was assumed is in `assumptions`. What would lose or displace copper raises ReadError.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from quietcopper.errors import ReadError
from quietcopper.formats.gerber.apertures import MAX_SIZE, block_aperture
from quietcopper.formats.gerber.attributes import TooManyAttributes, clean_text, fields_of
from quietcopper.formats.gerber.definitions import Definitions
from quietcopper.formats.gerber.graphics import ARC, GerberImage, Transform
from quietcopper.formats.gerber.image_commands import BadCommand, ImageCommands
from quietcopper.formats.gerber.messages import Messages
from quietcopper.formats.gerber.painting import (
    CONTOUR,
    KIND,
    PLACE,
    WIDTH,
    X0,
    X1,
    XC,
    Y0,
    Y1,
    YC,
    TooMuch,
    objects_table,
)
from quietcopper.formats.gerber.plotter import Plotter
from quietcopper.formats.gerber.tokens import (
    CODE,
    COMMENT,
    MACRO,
    MAX_DIGITS,
    OPERATION,
    SCAN,
    WORD,
    CoordinateFormat,
    parse_format,
)
from quietcopper.formats.gerber.unit import likely_unit, stated_later
from quietcopper.units import INCH, MM

Axis = Callable[[str], float]

MAX_BYTES = 64 << 20  # of one layer file; the largest seen has 3 MB
MAX_EXTENT = 100.0  # m, distance of anything from the origin
MAX_COMMENTS = 64

_REPEAT = re.compile(
    r"SR(?:X(\d{1,12}))?(?:Y(\d{1,12}))?(?:I([+-]?[\d.]{1,20}))?(?:J([+-]?[\d.]{1,20}))?", re.IGNORECASE
)
_BLOCK = re.compile(r"ABD?0*(\d{1,10})", re.IGNORECASE)
_DECIMAL = re.compile(r"[+-]?(?:\d{1,20}\.?\d{0,20}|\.\d{1,20})")
_ATTRIBUTE = re.compile(r"\s*#@!\s*(T[FAOD].*)", re.DOTALL)
_WITHOUT_EFFECT = ("IC", "PF", "TJ")  # input code, plotter film, an attribute of early drafts
# commands of the earliest revisions that change what is drawn
_NOT_DONE = {"IF": "inclusion of another file", "KO": "knock-out", "IJ": "image justify", "IO": "image offset"}


def read_image(data: bytes, path: Path | str) -> GerberImage:
    """Reads one layer file. path : for messages. Raises ReadError for what cannot be used."""
    if len(data) > MAX_BYTES:
        raise ReadError(path, found=f"{len(data)} bytes", expected=f"a layer file of at most {MAX_BYTES}")
    return _Reader(data.removeprefix(b"\xef\xbb\xbf").decode("latin-1"), str(path)).read()


class _Reader:
    def __init__(self, text: str, path: str) -> None:
        self.text, self.path = text, path
        self.messages = Messages(text, path)
        self.plotter = Plotter(self.messages.odd, self.messages.lost)
        self.definitions = Definitions(self.messages, self.plotter)
        self.image = ImageCommands()
        self.format: CoordinateFormat | None = None
        self.unit: float | None = None
        self.axes: tuple[Axis, Axis] | None = None  # from a coordinate's text to m
        self.incremental = False
        self.mirror, self.rotation, self.scale = "N", 0.0, 1.0
        self.last = 0  # operation code of the last operation
        self.known = 0  # commands understood
        self.ended = -1  # position behind the end-of-file command
        self.name, self.layer_names, self.comments = "", [], []  # type: tuple[str, list[str], list[str]]
        self.commands: dict[str, Callable[[str, int], None]] = {
            "FS": self._fs, "MO": self._mo, "AD": self._ad, "AB": self._ab, "SR": self._sr,
            "LP": self._lp, "LM": self._lm, "LR": self._lr, "LS": self._ls,
            "TF": self._attribute, "TA": self._attribute, "TO": self._attribute, "TD": self._attribute,
            "IP": self._image, "IR": self._image, "AS": self._image, "OF": self._image, "SF": self._image,
            "MI": self._image, "IN": self._name, "LN": self._name,
        }  # fmt: skip

    # the file as a whole

    def read(self) -> GerberImage:
        place = 0
        try:
            for match in SCAN.finditer(self.text):
                place = match.start()
                kind = match.lastindex
                if kind == OPERATION:
                    self._operation(place, *match.group(1, 2, 3, 4, 5, 6))
                elif kind == WORD:
                    # blanks and percent signs before a word belong to the separator before it
                    if not match.group().endswith("*"):
                        self.messages.odd("Commands that do not end with an asterisk", place)
                    self._word(match[WORD].rstrip(), place)
                elif kind == COMMENT:
                    self._comment(match[COMMENT], match.start(COMMENT))
                elif kind == MACRO:
                    self._macro(match[MACRO], place)
                if self.ended >= 0:
                    self.ended = match.end()
                    break
        except (TooMuch, TooManyAttributes) as error:
            raise self.messages.error(
                place, str(error), "a layer of a board", "export the layer again without copies"
            ) from None
        return self._finish(place)

    def _finish(self, place: int) -> GerberImage:
        self._check_end(place)
        plotter, image = self.plotter, self.image
        self.definitions.report_unused()
        block = plotter.image.block()
        rows, points = block.rows, block.points
        if not self.known or (self.format is None and not len(rows)):
            raise ReadError(
                self.path,
                found=f"{self.known} Gerber commands and nothing drawn",
                expected="a Gerber layer file with a format statement (%FS)",
            )
        if not len(rows) and plotter.without_aperture:
            raise ReadError(
                self.path,
                found=f"{plotter.without_aperture} operations with apertures that are nowhere defined",
                expected="aperture definitions (%AD)",
                remedy="export as RS-274X (extended Gerber), with the apertures in the file",
            )
        image.apply(rows, points, plotter.transforms)
        self._check_extent(rows, points)
        if image.swapped:
            self.messages.counts.problem(
                "The file asks for the axes to be exchanged on the output device (ASAYBX); not done."
            )
        self.messages.sentences()
        return GerberImage(
            path=self.path,
            unit={MM: "mm", INCH: "inch"}.get(self.unit or 0.0, ""),
            attributes=plotter.attributes.file,
            objects=objects_table(rows, self.messages.lines.of_all(rows[:, PLACE])),
            apertures=tuple(plotter.apertures),
            transforms=tuple(plotter.transforms),
            attribute_sets=tuple(plotter.attributes.sets),
            region_points=points,
            region_ends=block.ends,
            inverted=image.inverted,
            name=self.name,
            layer_names=tuple(self.layer_names),
            comments=tuple(self.comments),
            unread=self.messages.counts.rows(),
            problems=self.messages.counts.problems,
            assumptions=tuple(self.messages.counts.assumptions),
        )

    def _check_end(self, place: int) -> None:
        plotter = self.plotter
        if plotter.in_region:
            self.messages.odd("Regions that are never closed", place)
            plotter.close_region(place)
        while plotter.opened:
            if plotter.repeating:
                try:
                    plotter.close_repeat()
                except TooMuch as error:
                    raise self.messages.error(place, str(error), "a layer of a board") from None
            else:
                raise self.messages.error(plotter.opened[-1].place, "an aperture block that is never closed", "%AB*%")
        if self.ended < 0:
            self.messages.odd("The end-of-file command (M02) is missing, so the file may be cut off", place)
        elif rest := len(self.text[self.ended :].strip("%* \t\r\n\x1a\0")):
            self.messages.lost("characters after the end of the file", self.ended, rest)

    def _check_extent(self, rows: np.ndarray, points: np.ndarray) -> None:
        arcs = rows[:, KIND] == ARC
        far = ~(np.abs(rows[:, [X0, Y0, X1, Y1]]) <= MAX_EXTENT).all(axis=1)
        far |= arcs & ~(np.abs(rows[:, [XC, YC]]) <= MAX_EXTENT).all(axis=1)
        far |= np.abs(rows[:, WIDTH]) > MAX_SIZE  # nan is no stroke
        regions = np.flatnonzero(rows[:, CONTOUR] >= 0)
        if len(points) and not (np.abs(points) <= MAX_EXTENT).all():
            far[regions] = True
        if far.any():
            first = int(rows[np.argmax(far), PLACE])
            raise self.messages.error(
                first, f"{int(far.sum())} objects further than {MAX_EXTENT:g} m from the origin", "a board",
                "check the format statement (%FS) and the unit (%MO)",
            )  # fmt: skip

    # operations

    def _operation(
        self, place: int, g: str | None, xs: str | None, ys: str | None, i: str | None, j: str | None, d: str
    ) -> None:
        to_x, to_y = self.axes or self._prepare(place)
        plotter = self.plotter
        if g:
            plotter.mode = int(g)
        x, y = plotter.x, plotter.y
        if self.incremental:
            x, y = x + (to_x(xs) if xs else 0.0), y + (to_y(ys) if ys else 0.0)
        else:
            x, y = to_x(xs) if xs else x, to_y(ys) if ys else y
        self.known += 1
        if d == "1":
            self.last = 1
            plotter.plot(x, y, to_x(i) if i else 0.0, to_y(j) if j else 0.0, place)
        elif d == "2":
            self.last = 2
            plotter.move(x, y, place)
        else:
            self.last = 3
            plotter.flash(x, y, place)

    def _prepare(self, place: int) -> tuple[Axis, Axis]:
        """The meaning of coordinates, worked out from format, unit and scale at the first one."""
        if self.format is None:
            raise self.messages.error(
                place, "coordinates before any format statement", "%FS", "export as RS-274X (extended Gerber)"
            )
        unit, (sx, sy) = self._known_unit(place), self.image.scale
        self.axes = self.format.reader(self.format.x, unit * sx), self.format.reader(self.format.y, unit * sy)
        return self.axes

    def _word(self, word: str, place: int) -> None:
        head = word[:2].upper()
        command = self.commands.get(head)
        if command is not None:
            self.known += 1
            command(word, place)
        elif head in _NOT_DONE:
            self.messages.odd(f"Command {head} ({_NOT_DONE[head]}) is no longer part of the format; not done", place)
        elif head in _WITHOUT_EFFECT:
            self.messages.lost(f"command {head}", place)
        elif head.isalpha():
            self.messages.lost("unknown command", place)
        else:
            self._codes("".join(word.split()), place)

    def _codes(self, word: str, place: int) -> None:
        """A word of codes and numbers in any order that old files use: N12G01X100Y200D01, G54D10, X100Y200."""
        coordinates: dict[str, str] = {}
        operation = ""
        at = 0
        while at < len(word):
            match = CODE.match(word, at)
            if match is None:
                if at == 0 and word[0].upper() not in "GDMXYIJ":
                    self.messages.lost("unknown command", place)
                    return
                raise self.messages.error(place, f"the command {word[:40]!r}", "codes and numbers, as in X100Y200D01")
            at = match.end()
            letter, value = match[1].upper(), match[2]
            if letter in "XYIJ":
                coordinates[letter] = self._coordinate(letter, value, place)
            elif letter != "N":  # line numbers
                number = int(value) if value.isdecimal() and len(value) <= 10 else -1
                if letter == "G" and number == 4:
                    return  # a comment behind a line number
                if letter == "G":
                    self._g(number, word, place)
                elif letter == "M":
                    self._m(number, at, place)
                elif number in (1, 2, 3):
                    operation = str(number)
                elif number >= 10:
                    self.definitions.select(number, place)
                elif number:
                    self.messages.lost(f"code D{value[:10]}", place)
        self.known += 1
        if not operation and coordinates:
            if self.last != 1:  # after D01 the old rules allow it
                self.messages.odd("Coordinates without an operation code that are not in a row of draws", place)
            operation = str(self.last or 2)
        if operation:
            x, y, i, j = (coordinates.get(letter) for letter in "XYIJ")
            self._operation(place, None, x, y, i, j, operation)

    def _coordinate(self, letter: str, value: str, place: int) -> str:
        """The text of a coordinate as whole number; one with a decimal point is taken to be in the file's unit."""
        digits = value.lstrip("+-")
        if len(digits) > MAX_DIGITS:
            raise self.messages.error(place, f"a coordinate of {len(digits)} digits", f"at most {MAX_DIGITS}")
        if "." not in digits:
            return value
        self.messages.odd("Coordinates with a decimal point, taken to be in the unit of the file", place)
        if self.format is None:
            return "0"  # the operation will say that the format is missing
        whole, decimals = self.format.x if letter in "XI" else self.format.y
        plain = f"{abs(round(float(digits) * 10**decimals)):0{whole + decimals}d}"
        return f"-{plain}" if value.startswith("-") else plain

    def _g(self, number: int, word: str, place: int) -> None:
        plotter = self.plotter
        match number:
            case 0 | 1:
                plotter.mode = 1
            case 2 | 3:
                plotter.mode = number
            case 36:
                plotter.open_region(place)
            case 37:
                plotter.close_region(place)
            case 74 | 75:
                plotter.quadrant = number
            case 70 | 71:
                self._set_unit(INCH if number == 70 else MM, place)
            case 90 | 91:
                self.incremental = number == 91
            case 54 | 55:
                pass  # announce an aperture or a flash; the code that follows does it
            case 10 | 11 | 12 | 6 | 7:
                raise self.messages.error(place, f"code G{number:02d} in {word[:40]!r}", "G01, G02 or G03")
            case _:
                self.messages.lost("unknown G code", place)

    def _m(self, number: int, at: int, place: int) -> None:
        if number in (0, 2, 30):
            self.ended = at
        elif number != 1:
            self.messages.lost("unknown M code", place)

    # comments, attributes, names

    def _comment(self, text: str, place: int) -> None:
        self.known += 1
        attribute = _ATTRIBUTE.match(text)
        if attribute:
            self._attribute(attribute[1].rstrip(), place)
        elif text.strip() and len(self.comments) < MAX_COMMENTS:
            self.comments.append(clean_text(text.strip())[:500])

    def _attribute(self, word: str, place: int) -> None:
        kind, (name, *fields) = word[1].upper(), fields_of(word[2:])
        attributes = self.plotter.attributes
        if kind == "D":
            attributes.delete(name)
        elif not name:
            self.messages.lost("attribute without a name", place)
            return
        elif not attributes.set(kind, name, tuple(fields)):
            self.messages.odd(f"File attribute {name[:40]} given again with another value, the first one kept", place)
        self.plotter.attributes_changed()

    def _name(self, word: str, place: int) -> None:
        text = clean_text(word[2:].strip())[:500]
        if word[:2].upper() == "IN":
            self.name = text
        elif len(self.layer_names) < MAX_COMMENTS:
            self.layer_names.append(text)

    # format and unit

    def _fs(self, word: str, place: int) -> None:
        found = parse_format("".join(word.split()))
        if found is None:
            raise self.messages.error(place, f"the format statement {word[:40]!r}", "one such as FSLAX46Y46")
        if self.format is not None and found != self.format:
            self.messages.odd("Format statements that differ from an earlier one, obeyed from there on", place)
        self.format, self.incremental, self.axes = found, found.incremental, None

    def _mo(self, word: str, place: int) -> None:
        unit = {"IN": INCH, "MM": MM}.get(word[2:].strip().upper())
        if unit is None:
            raise self.messages.error(place, f"the unit {word[:20]!r}", "MOMM or MOIN")
        self._set_unit(unit, place)

    def _set_unit(self, unit: float, place: int) -> None:
        if self.unit is not None and unit != self.unit:
            self.messages.odd("Changes of the unit inside the file, obeyed from there on", place)
        self.unit, self.axes = unit, None

    def _known_unit(self, place: int) -> float:
        """The unit, or what is most likely one where the file names none before it is needed."""
        if self.unit is not None:
            return self.unit
        self.unit = stated_later(self.text, place)
        if self.unit is not None:
            self.messages.odd("The unit is stated after it is first needed", place)
            return self.unit
        self.unit, word, why = likely_unit(self.text)
        self.messages.counts.assume("unit of the file", word, "", f"the file states none; {why}")
        return self.unit

    # apertures

    def _macro(self, text: str, place: int) -> None:
        self.known += 1
        self.definitions.macro(text, place)

    def _ad(self, word: str, place: int) -> None:
        self.definitions.aperture(word, place, self._known_unit(place))

    def _ab(self, word: str, place: int) -> None:
        compact = "".join(word.split())
        plotter = self.plotter
        if compact.upper() == "AB":
            if not plotter.opened or plotter.repeating:
                raise self.messages.error(
                    place, "the end of an aperture block that was never opened", "%ABD12*% before it"
                )
            opened = plotter.opened[-1]
            held = plotter.attributes.aperture_attributes(opened.aperture_number)
            plotter.close_block(block_aperture(opened.number or 0, held, self.messages.lines.of(opened.place)))
            return
        match = _BLOCK.fullmatch(compact)
        if match is None:
            raise self.messages.error(place, f"the command {compact[:40]!r}", "one such as ABD12")
        plotter.open_block(int(match[1]), place)

    def _sr(self, word: str, place: int) -> None:
        match = _REPEAT.fullmatch("".join(word.split()))
        steps = [_number(value) for value in match.groups()[2:]] if match else [None]
        if match is None or None in steps:
            raise self.messages.error(place, f"the step and repeat {word[:40]!r}", "one such as SRX3Y2I5.0J4.0")
        if self.plotter.repeating:
            self.plotter.close_repeat()
        nx, ny = (max(int(count or 1), 1) for count in match.groups()[:2])
        if nx * ny > 1:
            unit = self._known_unit(place)
            self.plotter.open_repeat((nx, ny), (steps[0] * unit, steps[1] * unit), place)  # type: ignore[operator]

    # how objects are drawn

    def _lp(self, word: str, place: int) -> None:
        value = word[2:].strip().upper()
        if value not in ("D", "C"):
            raise self.messages.error(place, f"the polarity {word[:20]!r}", "LPD or LPC")
        self.plotter.dark = value == "D"

    def _lm(self, word: str, place: int) -> None:
        value = word[2:].strip().upper()
        if value not in ("N", "X", "Y", "XY"):
            raise self.messages.error(place, f"the mirror setting {word[:20]!r}", "LMN, LMX, LMY or LMXY")
        self.mirror = value
        self._transform()

    def _lr(self, word: str, place: int) -> None:
        angle = _number(word[2:].strip())
        if angle is None:
            raise self.messages.error(place, f"the rotation {word[:30]!r}", "one such as LR90.0")
        self.rotation = angle % 360
        self._transform()

    def _ls(self, word: str, place: int) -> None:
        factor = _number(word[2:].strip())
        if factor is None or not 1e-4 <= factor <= 1e4:
            raise self.messages.error(place, f"the scale {word[:30]!r}", "a number above 0, as in LS0.8")
        self.scale = factor
        self._transform()

    def _transform(self) -> None:
        # mirrored in y: mirrored in x and turned half round
        half_turn = 180 if self.mirror in ("Y", "XY") else 0
        rotation = math.radians((self.rotation + half_turn) % 360)
        self.plotter.transform(Transform(self.mirror in ("X", "Y"), rotation, self.scale))

    def _image(self, word: str, place: int) -> None:
        before = self.image.scale
        try:
            self.image.obey("".join(word.split()), self.unit)
        except BadCommand as error:
            raise self.messages.error(place, str(error)) from None
        sx, sy = self.image.scale
        if (sx, sy) != before:
            self.axes = None
            self.plotter.mirrored = -1 if sx * sy < 0 else 1
            self.plotter.stretched = abs(sx) != abs(sy)
            if self.plotter.budget.objects:
                self.messages.odd("Scale or mirror commands after the first object, obeyed from there on", place)


def _number(value: str | None) -> float | None:
    """0 for none, None for what is no plain decimal."""
    if not value:
        return 0.0
    return float(value) if _DECIMAL.fullmatch(value) else None
