"""Views of one board under other settings, with all that depends on the board alone taken over."""

from __future__ import annotations

from quietcopper.electrical.settings import Settings
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import share_joints

GEOMETRY = (  # what of a view depends on the board alone
    *("copper", "runs", "gaps", "layer_changes", "neighbours", "part_kinds", "facing", "line_table"),
    *("_facing_capacitance", "plane_network", "_vias_on", "trace_tree", "_pin_tree"),
)
MEANING = (  # what depends on the settings as well, but not on how fast or strong a driver is
    *("roles", "pairs", "partner_of", "patches", "capacitors", "plane_pairs", "profiles", "cabled_connectors"),
    *("ground_name", "ground_planes", "_delays"),
)


def like(view: View, settings: Settings) -> View:
    """The same board under other settings, its geometry taken over as far as it was worked out. Nobody is to see
    pictures of it: they are left out."""
    return _taken_over(view, settings, GEOMETRY)


def driven_otherwise(view: View, settings: Settings) -> View:
    """The same board with other edges and resistances of drivers, or with filters before connectors: as `like`, and
    what the nets are is taken over too."""
    other = _taken_over(view, settings, (*GEOMETRY, *MEANING))
    share_joints(view, other)
    return other


def _taken_over(view: View, settings: Settings, names: tuple[str, ...]) -> View:
    other = View(view.board, settings, sections=view.sections, pictures=False)
    other.__dict__.update({name: view.__dict__[name] for name in names if name in view.__dict__})
    return other
