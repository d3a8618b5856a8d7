"""A set of fabrication files (Gerber, drill, netlist, job file) read into one Board."""

from quietcopper.formats.gerber_set.assemble import read_gerber_set
from quietcopper.formats.gerber_set.roles import DRILL, GERBER, JOB, NETLIST, kind_of

__all__ = ["looks_like_gerber_set", "read_gerber_set"]


def looks_like_gerber_set(head: bytes) -> bool:
    """Whether a file's first bytes are those of a layer, drill, netlist or job file."""
    return kind_of(head) in (GERBER, DRILL, NETLIST, JOB)
