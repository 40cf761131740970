"""How well a rotor keeps the cube law: the uncertainty of the exponent of power over speed.

The affinity laws give power a cube of speed, at a constant power coefficient. The coefficient of a
real propeller changes a little with speed (Reynolds number, blades that bend). Our own fits to the
static tests of 239 propellers of the UIUC Propeller Database, volumes 1 to 3 (J.B. Brandt, R.W.
Deters, G.K. Ananda, O.D. Dantsker, M.S. Selig, University of Illinois at Urbana-Champaign), at
four places in each propeller's range of speeds, give an exponent of 3 + d with a median d of
-0.04 and a standard deviation of 0.12: 0.17 for propellers below 6 inches, 0.105 from 9 inches on.
The median is small compared with that spread, so the exponent stays 3.

Ducted fans are not in that data. Whoever uses these figures for one assumes that it keeps the cube
law as well as an open propeller does; `NOT_MEASURED` says so to the reader.
"""

from __future__ import annotations

import math

EXPONENT = 3.0
"""Power goes with this power of speed: affinity laws."""

USUAL_U = 0.12
"""Standard uncertainty of the exponent: the standard deviation over all propellers and places."""

HIGH_U = 0.15
"""The same in the upper quarter of the range of speeds. At 25, 50, 75 and 90 % of the range the
standard deviation is 0.08, 0.10, 0.135 and 0.155."""

UPPER_QUARTER = 0.75

NOT_MEASURED = "the exponent's uncertainty comes from open propellers; no ducted fan is in the data"


def exponent_u(place: float | None = None) -> float:
    """The standard uncertainty of the exponent of power over speed.

    `place` is where the step lies in the range of speeds seen, from 0 (the slowest) to 1 (the
    fastest); None where the range is not known.
    """
    return HIGH_U if place is not None and place >= UPPER_QUARTER else USUAL_U


def efficiency_u(speed_ratio: float, u_k: float = USUAL_U) -> float:
    """Standard uncertainty of ln(efficiency ratio) from the exponent alone.

    The index of efficiency is n^k / P, so its logarithm changes by ln(speed ratio) for each unit
    of k (JCGM 100:2008 5.1.2). Raises ValueError for a speed ratio that is not above 0.
    """
    return u_k * abs(math.log(speed_ratio))
