"""Quality flags of strips, defined once, as data.

A doubt says that the number may be wrong; advice says what to do better.
"""

from __future__ import annotations

from fairpanel.methods.contract import Flag

FLAGS = (
    # doubts: from the picture
    Flag("clipped", True, "Parts of the strip or of its steps are as dark or as light as the picture can show."),
    Flag("out of focus", True, "The picture is too soft for the size of the patches."),
    Flag("uneven light left", True, "The light over this strip changes more than the white paper around it explains."),
    Flag("glare", True, "A shiny reflection lies on the strip."),
    Flag("shadow edge", True, "The edge of a shadow crosses the strip."),
    Flag("few pixels", True, "The patch covers too few pixels; take the picture from nearer."),
    Flag("stained", True, "Stains, bubbles or scratches cover more of the patch than can be left out."),
    Flag("very dark", True, "The picture is very dark; the paper white is less than a tenth of full white."),
    Flag("no colour", True, "The picture has no colour, so stains and toning cannot be told from exposure."),
    Flag("colours converted", True, "The picture was made for print (CMYK); its tones went through a conversion."),
    Flag("few colours", True, "The picture holds a small palette of colours; fine differences of tone are lost."),
    Flag("see-through picture", True, "Parts of the picture are see-through; its tones depend on what lies behind."),
    Flag("altered by an automatic mode", True, "The camera says that an automatic mode altered the tones."),
    Flag(
        "colours disagree", True, "Red and the other colours give different answers: stain, toning or coloured light."
    ),
    Flag(
        "tone curve off", True, "The mat's grey patches do not fit their printed tones; the camera's tone curve is odd."
    ),
    # doubts: from the steps
    Flag("steps indistinct", True, "Some neighbouring steps hardly differ, so doses there are not well separated."),
    Flag("steps saturated", True, "Nearly all steps are as dark as the paper gets; the curve is hardly known."),
    Flag(
        "outside the steps",
        True,
        "The patch is darker or lighter than all the steps; its dose is beyond what the steps show.",
    ),
    Flag("curve in doubt", True, "The steps do not lie on a smooth curve within their scatter."),
    Flag("steps from elsewhere", True, "The steps come from another picture, paper sheet or run."),
    Flag(
        "steps without glass", True, "The steps were exposed without glass and no glass-only strip ties them to glass."
    ),
    Flag("steps' glass not known", True, "It is not known whether the steps lay under glass; both readings are given."),
    # doubts: from the record
    Flag(
        "strip under age",
        True,
        "The strip was pictured less than 20 hours after its rinse; the blue was still deepening.",
    ),
    Flag("ages differ", True, "The strip and its steps were pictured at different ages after the rinse."),
    Flag("lamp cold", True, "The exposure began before the lamp had warmed up; its light was estimated, not known."),
    Flag("paper lots mixed", True, "The strip and its steps are of different lots of paper."),
    Flag(
        "glass lots mixed", True, "The plate is of another lot of glass than the glass-only plates it is compared with."
    ),
    Flag(
        "patches disagree",
        True,
        "The patches of this strip do not agree on one blocking; one may be stained or misplaced.",
    ),
    Flag("pictures disagree", True, "Two pictures of this strip give numbers that do not agree."),
    Flag(
        "plates disagree",
        True,
        "This plate differs from the product's other plates by more than film and reading explain.",
    ),
    # advice
    Flag("exposed too long", False, "This exposure is too long to separate weak products."),
    Flag("exposed too short", False, "This exposure is too short to separate strong products."),
    Flag("uneven film", False, "The film is uneven: the number is the mean over the strip."),
    Flag("no replicate", False, "Only one plate: how much plates differ is taken from elsewhere."),
    Flag(
        "no glass-only strip",
        False,
        "No glass-only strip was exposed with this one; half plates would halve the error.",
    ),
    Flag("few steps", False, "The step strip has fewer than five steps."),
)

NAMES = frozenset(f.name for f in FLAGS)
DOUBTS = frozenset(f.name for f in FLAGS if f.doubt)
