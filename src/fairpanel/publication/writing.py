"""A publication as files, one by one: pictures of strips, charts, tables, page, and last what lists them all."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from fairpanel.publication import package, tables
from fairpanel.publication.content import Content, Part, Picture
from fairpanel.publication.drawing import svg_of
from fairpanel.publication.package import Written, written
from fairpanel.publication.page import DrawnChart, page_of, plain_sizes

#: Data of a part of the results, the file it goes to, and its columns where there is not a single row.
_TABLES = {
    "results": (
        "results.csv",
        ("product", "method", "quantity", "unit", "value", "low", "high", "plates", "decision_limit", "detection_limit",
         "finding", "sentence", "flags", "budget"),
    ),
    "strips": ("strips.csv", ("picture", "strip", "product", "plate", "low", "high", "flags")),
    "refused": ("refused.csv", ("picture", "strip", "reason", "what_to_do")),
}  # fmt: skip


def files(content: Content, pictures: Iterable[Picture]) -> Iterator[tuple[str, bytes]]:
    """Every file of a publication as (path below its folder, bytes).

    Parameters
    ----------
    content : Content
    pictures : iterable of Picture
        Taken one by one as they are written, so that memory holds one.

    Yields
    ------
    path, data
        `datapackage.json` comes last, when the folder is complete but for it.
    """
    listed: list[Written] = []
    shown: dict[str, Picture] = {}
    for i, picture in enumerate(pictures, 1):
        path = f"pictures/strip-{i:04d}.jpg"
        listed.append(written(path, picture.data))
        yield path, picture.data
        shown[path] = replace(picture, data=b"")
    charts: list[list[DrawnChart]] = []
    for i, part in enumerate(content.parts, 1):
        charts.append([])
        for drawn, data in _charts(i, part):
            charts[-1].append(drawn)
            listed.append(written(drawn.path, data))
            yield drawn.path, data
    for one, data in _data(content.data):
        listed.append(one)
        yield one.path, data
    page = page_of(content, shown, charts)
    listed.append(written("index.html", page))
    yield "index.html", page
    yield package.NAME, package.package_of(content, listed)


def _charts(number: int, part: Part) -> Iterator[tuple[DrawnChart, bytes]]:
    for i, chart in enumerate(part.charts, 1):
        data = svg_of(chart.spec)
        yield DrawnChart(f"charts/{number}-{i:03d}.svg", *plain_sizes(data)), data


def _data(data: Mapping[str, Sequence[Mapping[str, Any]]]) -> Iterator[tuple[Written, bytes]]:
    told = json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False).encode()
    yield written("results.json", told), told
    for key, (path, fallback) in _TABLES.items():
        rows = data[key]
        names = tables.columns(rows) or list(fallback)
        table = tables.csv_of(rows, names)
        yield written(path, table, tables.field_types(rows, names)), table
