"""Steps as testers type them."""

import pytest

from fairpanel.methods.columns import CellError
from fairpanel.methods.uv_strip.typed_steps import typed_steps

MINUTES = (0.0, 60.0, 120.0, 180.0, 240.0)


@pytest.mark.parametrize(
    "text",
    ["0,1,2,3,4min", "0, 1, 2, 3, 4 min", "0 1 2 3 4 min", "0;1;2;3;4 min.", "0 s,60 s,120 s,180 s,240 s",
     "0,60,120,180,240", "0:00, 1:00, 2:00, 3:00, 4:00", "0s,60s,2,3,4minutes", " 0 ; 1 ; 2 ; 3 ; 4min "],
)  # fmt: skip
def test_one_list_typed_in_many_ways(text):
    """Commas, semicolons, blanks, a common unit or one for each, seconds or minutes: the same five steps."""
    assert typed_steps(text) == MINUTES


@pytest.mark.parametrize("text", ["0;0,5;1 min", "0 0,5 1 min", "0, 0.5, 1 min", "0;30s;1min"])
def test_decimal_comma_needs_another_separator(text):
    """With semicolons or blanks a comma is decimal; with commas the point is."""
    assert typed_steps(text) == (0.0, 30.0, 60.0)


def test_falling_lists_are_kept_falling():
    """The order on the strip is kept as typed."""
    assert typed_steps("4,3,2,1,0min") == MINUTES[::-1]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("0,1,,3min", "empty place"),
        ("0,1 min", "at least 3"),
        ("0,5 min", "at least 3"),
        ("a,b,c", "not a time"),
        ("0,1,2 parsec", "not a time"),
        ("0,-1,-2 min", "below zero"),
        ("0,0,5,1,2 min", "semicolons"),
        ("0,1,1,2 min", "60 s is followed by 60 s"),
        ("1min,2,3", "no unit"),
        (",".join(map(str, range(70))), "at most"),
    ],
)
def test_faults_are_said_with_the_way_out(text, says):
    """Every fault names what was typed."""
    with pytest.raises(CellError, match=says):
        typed_steps(text)
