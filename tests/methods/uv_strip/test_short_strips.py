"""Strips on the mat of which only the dark part shows, since the other stayed as pale as the page."""

import numpy as np

from fairpanel.methods.contract import Entered, Outline
from fairpanel.methods.uv_strip import METHOD
from fairpanel.methods.uv_strip.finding_outlines import _Lying, _without_halves
from fairpanel.picture.known_patches import patches_in_lane
from fairpanel.picture.strip_in_cell import Lane

#: A lane as the crow flies, 64 mm long: 4 px a millimetre.
OUTLINE = np.array([[0.0, 0.0], [88.0, 0.0], [88.0, 256.0], [0.0, 256.0]])


def half_plate(name):
    rows = [
        METHOD.Row(picture="a.png", strip=name, role=role, seconds=90.0, product=product)
        for role, product in (("product", "Wax"), ("glass only", None))
    ]
    return [Entered(f"{name}{i}", row, i) for i, row in enumerate(rows)]


def refused(lying):
    strips = {name: half_plate(name) for name in lying}
    outlines = [Outline(e.id, OUTLINE, "found") for rows in strips.values() for e in rows]
    kept, refusals = _without_halves(strips, outlines, [], lying)
    assert len(kept) == 2 * (len(lying) - len(refusals))
    return {r.strip for r in refusals}


def test_a_dark_part_alone_is_refused():
    """Much shorter than the others, both patches alike: perhaps the other half does not show. Nothing is guessed."""
    assert refused({"a": _Lying(0.85, 0.3), "b": _Lying(0.85, 0.0), "c": _Lying(0.40, 0.02)}) == {"c"}


def test_short_strips_with_a_clear_edge_are_read():
    """A strip cut shorter, whose halves differ, is all there; so are strips that are all short."""
    assert refused({"a": _Lying(0.85, 0.3), "b": _Lying(0.85, 0.0), "c": _Lying(0.40, 0.2)}) == set()
    assert refused({"a": _Lying(0.42, 0.01), "b": _Lying(0.40, 0.02)}) == set()


def test_the_contrast_of_patches_along_a_lane():
    """Densities 0.5 and 0.3, page before and after: their difference; alike patches: next to none."""
    for other, expected in ((0.3, 0.2), (0.5, 0.0)):
        levels = [0.0] * 4 + [0.5] * 28 + [other] * 28 + [0.0] * 4
        profile = np.repeat(np.array(levels)[:, None], 3, axis=1)
        found = patches_in_lane(Lane(OUTLINE, profile), 2)
        assert abs(found.contrast[0] - expected) < 0.01
        assert abs((found.cuts[-1] - found.cuts[0]) * 64 - 56) <= 1
