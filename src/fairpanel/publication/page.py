"""The page: one file that needs no script, no network and nothing but the pictures beside it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from fairpanel.findings.rules import HEADINGS, on_shown_scale, reading_on_shown_scale
from fairpanel.methods.columns import columns_of
from fairpanel.methods.contract import Chart, Method, Quantity
from fairpanel.publication import words
from fairpanel.publication.axis import Axis, axis_for
from fairpanel.publication.content import Content, Part, Picture
from fairpanel.publication.markdown import html_of, section
from fairpanel.publication.products import Images, ImageView, ProductView, product_view
from fairpanel.publication.tokens import tokens

#: The longest strip is shown this long, all others at its scale; it fits a phone. [px]
LONGEST = 316

#: No picture is shown larger than this share of its own pixels, so that it stays sharp on fine screens.
SHARP = 0.5

#: What a method's procedure calls the section about its number.
MEANING = "What the number means"


@dataclass(frozen=True)
class ChartView:
    """A chart with the strips that stand with it."""

    title: str
    words: str
    path: str
    width: int
    height: int
    strips: tuple[ImageView, ...]
    key: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Group:
    """Products of one finding."""

    heading: str
    means: str
    products: tuple[ProductView, ...]


@dataclass(frozen=True)
class QuantityView:
    """All products of one quantity on one axis."""

    id: str
    title: str
    axis: Axis
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class PartView:
    """What the page shows of one method."""

    id: str
    heading: str
    method: Method
    quantities: tuple[QuantityView, ...]
    charts: tuple[ChartView, ...]
    charts_words: str
    crops_words: str
    meaning: Markup
    procedure: Markup


@dataclass(frozen=True)
class DrawnChart:
    """A chart that was written as a file. [px]"""

    path: str
    width: int
    height: int


def page_of(
    content: Content,
    pictures: Mapping[str, Picture],
    charts: Sequence[Sequence[DrawnChart]],
) -> bytes:
    """`index.html`.

    Parameters
    ----------
    content : Content
    pictures : mapping of path to Picture
        Pictures of strips as written (without their data).
    charts : sequence of sequences of DrawnChart
        For each part the files of its charts.
    """
    images = image_views(pictures)
    parts = [
        _part(i, part, drawn, images, content)
        for i, (part, drawn) in enumerate(zip(content.parts, charts, strict=True), 1)
    ]
    style = _style()
    page = (
        _templates()
        .get_template("page.html")
        .render(
            content=content,
            parts=parts,
            pictures=bool(pictures),
            facts=_facts(content),
            statements=list(dict.fromkeys(p.method.statement for p in content.parts if p.method.statement)),
            how_to_read=words.HOW_TO_READ,
            limits=words.LIMITS,
            style=Markup(style),
            policy=_policy(style),
        )
    )
    return page.encode()


def image_views(pictures: Mapping[str, Picture]) -> dict[tuple[str, str], ImageView]:
    """Where each strip's picture lies and how large it is shown: all at one scale."""
    longest = max((p.width for p in pictures.values()), default=1)
    scale = min(SHARP, LONGEST / longest)
    return {
        (p.picture, p.strip): ImageView(path, max(1, round(p.width * scale)), max(1, round(p.height * scale)), p.words)
        for path, p in pictures.items()
    }


# ---- parts -----------------------------------------------------------------------------------------------------


def _part(number: int, part: Part, drawn: Sequence[DrawnChart], images: Images, content: Content) -> PartView:
    quantities = tuple(
        _quantity(f"m{number}q{i}", part, quantity, images) for i, quantity in enumerate(part.method.quantities, 1)
    )
    charts = [
        _chart(chart, file, content.strips_of(chart), images) for chart, file in zip(part.charts, drawn, strict=True)
    ]
    shown = any(s.image for q in quantities for g in q.groups for p in g.products for s in p.strips)
    return PartView(
        f"m{number}",
        "Results" if part.method.title == content.heading else part.method.title,
        part.method,
        tuple(q for q in quantities if q.groups),
        tuple(charts),
        charts[0].words if len({c.words for c in charts}) == 1 else "",
        part.method.crops_words if shown else "",
        html_of(section(part.method.procedure, MEANING), top=4),
        html_of(part.method.procedure, top=4),
    )


def _quantity(id: str, part: Part, quantity: Quantity, images: Images) -> QuantityView:
    told = [t for t in part.told if t.quantity == quantity.name]
    shown = [on_shown_scale(t.result, quantity) for t in told if t.result]
    each = [reading_on_shown_scale(r, quantity).value for r in part.readings if r.quantity == quantity.name]
    axis = axis_for(shown, each, quantity)
    groups = []
    n = 0
    for finding, heading in HEADINGS.items():
        own = sorted((t for t in told if t.finding == finding), key=lambda t: t.product.casefold())
        views = tuple(product_view(f"{id}p{n + i}", part, t, axis, images) for i, t in enumerate(own, 1))
        n += len(own)
        if views:
            groups.append(Group(heading, words.MEANS[finding], views))
    unit = f", {quantity.unit}" if quantity.unit else ""
    return QuantityView(id, f"{quantity.name}{unit}", axis, tuple(groups))


def _chart(chart: Chart, file: DrawnChart, strips: Sequence[tuple[str, str]], images: Images) -> ChartView:
    pictures = list(dict.fromkeys(picture for picture, _ in strips if picture))
    title = ", ".join([chart.title, *pictures])
    shown = tuple(images[place] for place in strips if place in images)
    return ChartView(title, chart.words, file.path, file.width, file.height, shown, chart.key)


def _facts(content: Content) -> list[tuple[str, str]]:
    told = [t for p in content.parts for t in p.told]
    of = [(sum(t.finding == finding for t in told), heading.casefold()) for finding, heading in HEADINGS.items()]
    products = len({t.product for t in told})
    facts = [
        ("Products", f"{products}: {', '.join(f'{n} {heading}' for n, heading in of if n)}" if told else "none"),
        ("Lamp", words.listed(content.lamps) or ("not named in the table" if _asks_for_lamp(content) else "")),
        ("Campaign", words.listed(content.campaigns)),
        ("Exposed", words.days(content.exposed) if content.exposed else ""),
        ("Published", words.day(content.published)),
    ]
    return [(name, text) for name, text in facts if text]


def _asks_for_lamp(content: Content) -> bool:
    return any(c.name == "lamp" for p in content.parts for c in columns_of(p.method.Row))


# ---- template and style ----------------------------------------------------------------------------------------


def _policy(style: str) -> str:
    """Content policy: no script at all, this one style sheet, pictures from beside the page."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; img-src 'self' file:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


@cache
def _text(name: str) -> str:
    return files(__package__).joinpath("templates", name).read_text(encoding="utf-8")


@cache
def _style() -> str:
    return tokens() + _text("page.css") + _text("luck.css")


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=DictLoader({name: _text(name) for name in ("page.html", "bars.html", "luck.html")}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["count"] = words.count
    return environment


def plain_sizes(svg: bytes) -> tuple[int, int]:
    """Width and height that an SVG file gives itself. [px]"""
    head = svg[: svg.index(b">")].decode()

    def number(name: str) -> int:
        return round(float(head.partition(f' {name}="')[2].partition('"')[0]))

    return number("width"), number("height")
