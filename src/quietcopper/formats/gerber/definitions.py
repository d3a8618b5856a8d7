"""Macros (AM) and aperture definitions (AD) of a file, checked when they are made and refused when they are used."""

from __future__ import annotations

from quietcopper.errors import ReadError
from quietcopper.formats.gerber.apertures import (
    DEFINITION,
    MIN_TEMPLATE_PARAMETERS,
    BadAperture,
    macro_aperture,
    parameters,
    standard_aperture,
)
from quietcopper.formats.gerber.expressions import BadMacro
from quietcopper.formats.gerber.graphics import Aperture
from quietcopper.formats.gerber.macros import Macro, parse_macro
from quietcopper.formats.gerber.messages import Messages
from quietcopper.formats.gerber.painting import TooMuch
from quietcopper.formats.gerber.plotter import Plotter

MAX_MACROS = 10_000
MAX_MACRO_STEPS = 2_000_000  # expression steps of all uses of macros: a bound on the work, two seconds


class Definitions:
    """Old files carry definitions that make no sense and are never used; so the error waits until one is selected."""

    def __init__(self, messages: Messages, plotter: Plotter) -> None:
        self._messages, self._plotter = messages, plotter
        self._macros: dict[str, Macro | str] = {}
        self._bad: dict[int, ReadError] = {}
        self._steps = 0

    def macro(self, text: str, place: int) -> None:
        """AM: what stands between its percent signs. A bad one is kept as its reason."""
        name = text.partition("*")[0].strip()[2:].strip()
        if len(self._macros) >= MAX_MACROS:
            raise TooMuch(f"more than {MAX_MACROS} aperture macros")
        try:
            macro = parse_macro(text)
        except BadMacro as error:
            self._macros[name] = f"{error}, at line {self._messages.lines.of(place)}"
            return
        for oddity in macro.odd:
            self._messages.lost(f"macro statement: {oddity}", place)
        self._macros[name] = macro

    def aperture(self, word: str, place: int, unit: float) -> None:
        """AD. unit : m. Raises ReadError for a definition without number or template."""
        match = DEFINITION.fullmatch(word)
        if match is None:
            raise self._messages.error(place, f"the aperture definition {word[:40]!r}", "one such as ADD10C,0.1")
        number = int(match[1])
        if number < 10:
            self._messages.lost("definition of an aperture below D10", place)
            return
        self._bad.pop(number, None)
        try:
            aperture = self._aperture(number, match[2].strip(), match[3], unit, place)
        except BadAperture as error:
            self._bad[number] = self._messages.error(
                place, str(error), f"a definition of D{number} that can be drawn", "export the layer again"
            )
            return
        self._plotter.define(aperture, self._plotter.attributes.aperture_number)

    def _aperture(self, number: int, template: str, sizes: str | None, unit: float, place: int) -> Aperture:
        attributes = self._plotter.attributes
        held = attributes.aperture_attributes(attributes.aperture_number)
        values, line = parameters(sizes), self._messages.lines.of(place)
        macro = self._macros.get(template)
        if macro is None and template.upper() in MIN_TEMPLATE_PARAMETERS:
            if template.upper() in ("R", "O") and len(values) == 1:
                self._messages.odd("Rectangles and ovals defined by one size, taken to be as high as wide", place)
            return standard_aperture(number, template.upper(), values, unit, held, line)
        if macro is None:
            raise BadAperture(f"the template {template[:40]!r}, which is neither standard nor a macro above")
        if isinstance(macro, str):
            raise BadAperture(f"{macro} in macro {template[:40]}")
        self._steps += macro.cost
        if self._steps > MAX_MACRO_STEPS:
            raise TooMuch(f"uses of macros with more than {MAX_MACRO_STEPS} steps together")
        return macro_aperture(number, macro, values, unit, held, line)

    def select(self, number: int, place: int) -> None:
        """Dnn. Raises the error of a definition that made no sense."""
        error = self._bad.get(number)
        if error is not None:
            raise error
        self._plotter.select(number, place)

    def report_unused(self) -> None:
        """Definitions that made no sense and did no harm become problems."""
        for error in self._bad.values():
            self._messages.counts.problem(f"An aperture definition that makes no sense, never used: {error}.")
