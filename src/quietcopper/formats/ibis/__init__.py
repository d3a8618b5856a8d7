"""Reader of IBIS files: what the outputs of parts drive with."""

from quietcopper.formats.ibis.model import Component, Ibis, Model, Triple, Waveform
from quietcopper.formats.ibis.reader import parse_ibis, read_ibis

__all__ = ["Component", "Ibis", "Model", "Triple", "Waveform", "parse_ibis", "read_ibis"]
