"""The layers of a board, from the component side down: mask, copper, laminate, copper, …, mask."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from quietcopper.board import Dielectric, Layer, Mask
from quietcopper.errors import CallError
from quietcopper.units import MICRON


def copper(name: str, *, thickness_um: float, function: str = "") -> Layer:
    """A copper layer; function is a word for the file, such as "signal" or "plane"."""
    return Layer(name, _positive("copper thickness", thickness_um) * MICRON, function)


def laminate(*, thickness_um: float, er: float, tan_d: float, material: str = "") -> Dielectric:
    """What separates two copper layers: one core, or prepreg counted as one sheet."""
    return Dielectric(_positive("laminate thickness", thickness_um) * MICRON, _positive("er", er), tan_d, material)


def mask(*, thickness_um: float, er: float, tan_d: float = 0.025) -> Mask:
    """Solder mask over an outer layer, thickness over the laminate."""
    return Mask(_positive("mask thickness", thickness_um) * MICRON, _positive("er", er), tan_d)


def _positive(what: str, value: float) -> float:
    if not value > 0:
        raise CallError(f"{what}: found {value}, expected a number above 0")
    return value


@dataclass(frozen=True)
class Stack:
    """A stackup taken apart into what a Board wants."""

    layers: tuple[Layer, ...]
    dielectrics: tuple[Dielectric, ...]
    mask_top: Mask | None = None
    mask_bottom: Mask | None = None


def stack(*sheets: Layer | Dielectric | Mask) -> Stack:
    """The stackup from the component side down.

    >>> two = stack(copper("top", thickness_um=35), laminate(thickness_um=1500, er=4.3, tan_d=0.02),
    ...             copper("bottom", thickness_um=35), mask(thickness_um=20, er=3.5))
    >>> [layer.name for layer in two.layers], len(two.dielectrics), two.mask_top is None
    (['top', 'bottom'], 1, True)

    Raises CallError unless copper and laminate alternate, with masks only outside.
    """
    inner: Sequence[Layer | Dielectric | Mask] = sheets
    mask_top = mask_bottom = None
    if inner and isinstance(inner[0], Mask):
        mask_top, inner = inner[0], inner[1:]
    if inner and isinstance(inner[-1], Mask):
        mask_bottom, inner = inner[-1], inner[:-1]
    layers = tuple(sheet for sheet in inner[0::2] if isinstance(sheet, Layer))
    dielectrics = tuple(sheet for sheet in inner[1::2] if isinstance(sheet, Dielectric))
    if len(inner) % 2 == 0 or len(layers) + len(dielectrics) != len(inner):
        kinds = ", ".join(type(sheet).__name__.lower() for sheet in sheets) or "nothing"
        raise CallError(f"stack: found {kinds}; expected copper and laminate in turn, masks only outside")
    return Stack(layers, dielectrics, mask_top, mask_bottom)
