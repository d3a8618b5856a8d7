"""Units at the border. Inside the program every bare number is SI; these convert where files and text begin."""

from __future__ import annotations

MM = 1e-3
INCH = 25.4e-3
MIL = 25.4e-6
MICRON = 1e-6
OUNCE_COPPER = 34.8e-6  # m of copper for 1 oz per square foot; common practice, 34.1 to 35 µm are in use

EPS0 = 8.8541878128e-12  # F/m, CODATA 2018
MU0 = 1.25663706212e-6  # H/m, CODATA 2018
C0 = 299_792_458.0  # m/s, exact
ETA0 = 376.730313668  # ohm, CODATA 2018
COPPER_CONDUCTIVITY = 5.8e7  # S/m, IACS annealed copper at 20 °C
