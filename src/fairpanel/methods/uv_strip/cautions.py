"""Cautions of the strip method, by the step before which they are shown.

Usual cautions of the trade; the UV-A figure: 10,000 J/m2 at the unprotected eye in a day of 8 hours (ICNIRP 2004, as
quoted in a lamp manual). They defer to labels, safety sheets, local codes and licensed trades.
"""

from __future__ import annotations

from fairpanel.methods.contract import Caution

ENDING = "Labels, safety sheets, local codes and licensed trades come first."

CAUTIONS = (
    Caution(
        "coat the plates",
        "Solvents and reactive coatings: outdoors or with extraction, gloves, no flame or hot lamp near. Glass edges "
        f"dulled or taped, gloves. {ENDING}",
        before=("coat",),
    ),
    Caution(
        "switch the lamp on",
        "UV harms eyes and skin within minutes, before it is felt: shutter closed before face or hands enter, UV-rated "
        "wrap-round glasses, long sleeves and gloves, children and animals out. The eye limit is a day's total, never "
        "a permitted time. The lamp is hot: metal or cement-board housing, no plastic, nothing flammable near, never "
        "unattended. A cracked lamp: off at the plug, let it cool, discard. A broken one: leave, air the room, no "
        f"vacuum cleaner, local rules for mercury. {ENDING}",
        before=("lamp",),
    ),
    Caution(
        "begin the exposure",
        "Before the timer starts: face and hands out of the light, nothing flammable near the lamp, no plastic "
        f"housing, and somebody stays: never unattended. {ENDING}",
        before=("expose",),
    ),
    Caution(
        "move the sliding card",
        f"Face and hands out of the light: shutter first, or a long handle or jig; glasses, sleeves, gloves. {ENDING}",
        before=("card",),
    ),
    Caution(
        "rinse the paper",
        "Let the glass cool before it meets water; hands dry before mains. The paper holds ferricyanide: no acid, no "
        f"bleach, no heat, no food dishes; drain as local rules allow. {ENDING}",
        before=("rinse",),
    ),
    Caution("expose in the sun", f"Never look at the sun; cover skin. {ENDING}", before=("sun",)),
)
