"""The evidence that a page can draw, by key of ``Finding.evidence``.

A check puts plain data (numbers, strings, booleans, lists, dicts; numpy arrays are accepted and become lists) into
``evidence``. Evidence goes into the result document as it is, so every key that holds a number ends in its unit:
``_mm``, ``_um``, ``_mm2``, ``_hz``, ``_mhz``, ``_ohm``, ``_v``, ``_mv``, ``_h``, ``_nh``, ``_f``, ``_pf``, ``_s``,
``_ps``, ``_db``, ``_percent``; a bare name is a pure number, a count or text. Lengths and coordinates are millimetres
on the board's own axes (x right, y up, seen from layer 1); layers are counted from 0 as in the tables. Any key may be
left out; a key with another form than described here is listed in words and never drawn.

Scalars (number, text, true/false) at the top level are listed as a small table, in the order given, the name made
readable: ``slot_mm: 23.1`` becomes "slot 23.1 mm". Keep them to the handful that a designer would want to check.

Drawings, each a dict under its own key ("?" marks optional keys; x and y lists have equal lengths):

``section`` : the cross-section through the place, looking along the line, y upward from the lowest sheet's lower face::

    {"strips": [{"x_mm", "y_mm", "width_mm", "thickness_mm",      # centre, lower face, wider face, copper
                 "role": "line" | "neighbour" | "ground",          # line: the conductor judged; ground: any reference
                 "name"?: "CLK", "etch"?: 0.25, "narrow_top"?: True}],
     "sheets": [{"thickness_mm", "er", "name"?}],                   # bottom to top
     "plane_below": True, "plane_above": False,
     "plane_below_name"?: "layer 2, GND", "plane_above_name"?: "layer 4, GND",
     "mask_um"?: 20.0,
     "field_lines"?: [[[x, y], ...], ...],                          # mm; electric field
     "equipotentials"?: [[[x, y], ...], ...]}                       # mm

``impedance`` : one figure against its target::

    {"found_ohm": 61.2, "target_ohm": 50.0, "tolerance_percent"?: 10.0, "name"?: "CLK on layer 1"}

``impedance_profile`` : what an edge meets along the path::

    {"distance_mm": [...], "found_ohm": [...], "target_ohm"?: 50.0}

``spectrum`` : level against limit over a logarithmic frequency axis; any one of the units dbuv_m, dbuv, dbua, v, ohm::

    {"frequency_hz": [...], "level_dbuv_m": [...], "limit_dbuv_m"?: [...] | number, "limit_name"?: "CISPR 32 class B"}

``waveform`` : noise or signal in time, with the figure it may reach::

    {"time_ps": [...], "level_mv": [...], "allowed_mv"?: 150.0, "name"?: "victim, far end"}

``return_path`` : a plan of the place: the signal's way, the way its return must take, what is in between. Drawn beside
the text, and on the board when the finding is chosen::

    {"signal_mm": [[x, y], ...], "return_mm": [[x, y], ...], "opening_mm"?: [[x, y], ...]}

``reach`` : a distance in the plane, drawn on the board as a dimension line (via to the nearest return via, trace edge
to plane edge, trace to trace)::

    {"from_mm": [x, y], "to_mm": [x, y], "distance_mm": 4.2, "allowed_mm"?: 1.0, "what": "nearest ground via"}

``transition`` : a layer change drawn through the board's own stackup::

    {"upper": 0, "lower": 3, "upper_reference"?: 1, "lower_reference"?: 2,   # layer indices; leave out where none
     "return_distance_mm"?: 4.2, "return_what"?: "ground via" | "capacitor C12"}

``contributions`` : a sum and its parts, one bar each, all in one unit (SI)::

    [{"what": "gap inductance", "value": 0.041, "unit": "V"}, ...]

``standing_wave`` : a finger or bar of copper with its quarter- or half-wave frequency::

    {"length_mm": 31.0, "frequency_hz": 1.1e9, "ends": "one tied" | "both open" | "both tied"}

``mode`` : a map over the board: the voltage of a plane-pair mode, a return-current density, a distance to the nearest
tie. Cell centres on a regular grid; null where there is no copper::

    {"x_mm": [...], "y_mm": [...], "level": [[...], ...],           # one row per y
     "what": "mode voltage", "unit"?: "", "frequency_hz"?: 7.4e8, "signed"?: True}
"""
