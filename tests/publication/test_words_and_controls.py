"""Markdown, days, colours, and what is never published."""

import pytest

from fairpanel.publication.controls import is_method_control, withheld
from fairpanel.publication.drawing import DARK, DAYLIGHT, svg_of
from fairpanel.publication.markdown import html_of
from fairpanel.publication.words import days


@pytest.mark.parametrize(
    "text, html",
    [
        ("# A\n\nB", "<h3>A</h3>\n<p>B</p>"),
        ("## A\nB", "<h4>A</h4>\n<p>B</p>"),
        ("1. one\n   more\n2. two", "<ol><li>one more</li><li>two</li></ol>"),
        ("- *a*\n- **b**", "<ul><li><em>a</em></li><li><strong>b</strong></li></ul>"),
        ("`100 (1 - T)`", "<p><code>100 (1 - T)</code></p>"),
        ("<img src=x onerror=y> & **<b>**", "<p>&lt;img src=x onerror=y&gt; &amp; <strong>&lt;b&gt;</strong></p>"),
        ("", ""),
    ],
)
def test_markdown_becomes_html_and_the_rest_text(text, html):
    """The little that procedures use; anything else stays as typed."""
    assert str(html_of(text)) == html


def test_one_row_that_says_sunscreen_withholds_the_product():
    """With all strips under it, also those of rows that do not say so."""
    rows = [
        ("Lotion", None, "a.png", "S1"),
        ("Lotion", "SUN-SCREEN", "a.png", "S2"),
        ("Wax", "sealant", "a.png", "S3"),
        (None, "sunscreen", "a.png", "S4"),
    ]
    found = withheld(rows)
    assert found.products == {"Lotion"}
    assert found.strips == {("a.png", "S1"), ("a.png", "S2")}


@pytest.mark.parametrize("kind", ["sunscreen", "Sun cream", "mineral sunblock", "after SPF 50 test", "sun-lotion"])
def test_kinds_that_are_sunscreens(kind):
    """However they are written."""
    assert is_method_control(kind)


def test_charts_follow_daylight_and_dark_and_fetch_nothing():
    """Colours by name; an address in a chart is an error, not a request."""
    chart = {
        "data": {"values": [{"x": 1, "y": 2, "n": "<b>"}]},
        "mark": {"type": "text", "color": "var(--blue)"},
        "encoding": {"x": {"field": "x"}, "y": {"field": "y"}, "text": {"field": "n"}},
    }
    drawn = svg_of(chart).decode()
    assert 'fill="var(--blue)"' in drawn and DARK["blue"] in drawn and DAYLIGHT["blue"] in drawn
    assert "<b>" not in drawn and "&lt;b&gt;" in drawn
    with pytest.raises(ValueError):
        svg_of({**chart, "data": {"url": "http://127.0.0.1:9/a.csv"}})


def test_days_say_nothing_twice():
    """Same day, same month, same year, neither."""
    from datetime import date

    assert days([date(2026, 2, 3), date(2026, 2, 3)]) == "3 February 2026"
    assert days([date(2026, 2, 3), date(2026, 2, 9)]) == "3 to 9 February 2026"
    assert days([date(2025, 12, 30), date(2026, 1, 2)]) == "30 December 2025 to 2 January 2026"
