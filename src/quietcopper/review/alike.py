"""Views of one board under other settings, with all that depends on the board alone taken over."""

from __future__ import annotations

from quietcopper.electrical.settings import Settings
from quietcopper.electrical.view import View

GEOMETRY = (  # what of a view depends on the board alone
    *("copper", "runs", "gaps", "layer_changes", "neighbours", "part_kinds", "facing", "line_table"),
    *("_facing_capacitance", "plane_network", "_vias_on", "trace_tree", "_pin_tree"),
)


def like(view: View, settings: Settings) -> View:
    """The same board under other settings, its geometry taken over as far as it was worked out. Nobody is to see
    pictures of it: they are left out."""
    other = View(view.board, settings, sections=view.sections, pictures=False)
    other.__dict__.update({name: view.__dict__[name] for name in GEOMETRY if name in view.__dict__})
    return other
