"""A bench with very many readings, made in a moment: records as a read leaves them, without a picture being drawn.

python -m benchmarks.many_readings FOLDER --products 500 --readings 10000
"""

from __future__ import annotations

import argparse
import hashlib
import math
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel import __version__
from fairpanel.findings.rules import finding_of
from fairpanel.measured import Component, Measured
from fairpanel.methods import method_named
from fairpanel.methods.contract import Context, Mark, Outline, Reading
from fairpanel.methods.default_results import results as default_results
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import NewRow, Staged

#: Strips of one picture.
TOGETHER = 12

_DOSES = np.geomspace(7.0, 360.0, 8)
_ALONG = np.linspace(math.log(7.0) - 1, math.log(360.0) + 0.5, 40)


def _density(ln_dose: np.ndarray | float) -> np.ndarray:
    return 0.1 + 1.1 / (1 + np.exp(-1.4 * (np.asarray(ln_dose) - 4.1)))


_CURVE = {
    "strips": [["", "steps"]],
    "role": "step",
    "steps": [[float(d), round(float(_density(math.log(d))), 4)] for d in _DOSES],
    "from": float(_ALONG[0]),
    "to": float(_ALONG[-1]),
    "densities": np.round(_density(_ALONG), 4).tolist(),
}


def make(folder: Path, *, products: int, readings: int, seed: int = 1) -> None:
    """Make a bench with one finished read.

    Parameters
    ----------
    folder : path
        Must not exist.
    products, readings : int
        Readings go round the products; each is of a plate of its own.
    seed : int
    """
    rng = np.random.default_rng(seed)
    method = method_named("uv_strip")
    true = np.log(1 - np.where(rng.random(products) < 0.3, 0.0, rng.uniform(0, 0.9, products)))
    with Bench.create(folder, zone="UTC") as bench:
        strips = list(_strips(products, readings))
        taken = bench.add_take_in(
            table_name="made.csv",
            rows=[row for s in strips for row in _rows(s)],
            pictures=_pictures(bench, strips),
        )
        read_id = bench.begin_read(code_version=__version__, seed=1, methods={"uv_strip": 1}, settings={})
        pictures = {p.name: p.id for p in bench.pictures()}
        found: list[Reading] = []
        for at in range(0, len(strips), TOGETHER):
            own = strips[at : at + TOGETHER]
            ids = taken.row_ids[2 * at : 2 * (at + len(own))]
            _save_marks(bench, read_id, own[0]["picture"], pictures[own[0]["picture"]], ids)
            found += [_reading(s, ids[2 * i : 2 * i + 2], float(true[s["number"]]), rng) for i, s in enumerate(own)]
        bench.save_readings(read_id, "uv_strip", found)
        results = default_results(found, method, Context(1))
        saved = bench.save_results(read_id, "uv_strip", results)
        bench.save_findings(
            read_id,
            [
                (
                    i,
                    {
                        **asdict(finding_of(r, method)),
                        "product": r.product,
                        "method": "uv_strip",
                        "quantity": r.quantity,
                    },
                )
                for i, r in zip(saved, results, strict=True)
            ],
        )
        bench.end_read(read_id)


def _strips(products: int, readings: int) -> Iterator[dict[str, Any]]:
    for i in range(readings):
        number = i % products
        yield {
            "number": number,
            "product": f"Product {number + 1:03d}",
            "plate": f"P{i + 1:05d}",
            "strip": f"S{i % TOGETHER + 1}",
            "picture": f"scan-{i // TOGETHER + 1:04d}.png",
            "run": f"run {i // (4 * TOGETHER) + 1}",
        }


def _bytes_of(picture: str) -> bytes:
    return f"not a real picture: {picture}".encode()


def _pictures(bench: Bench, strips: list[dict[str, Any]]) -> list[Staged]:
    names = dict.fromkeys(s["picture"] for s in strips)
    return [bench.stage(_bytes_of(name), name=name, media_type="image/png") for name in names]


def _rows(s: dict[str, Any]) -> Iterator[NewRow]:
    for role in ("product", "glass only"):
        body = {"picture": s["picture"], "strip": s["strip"], "role": role, "seconds": 130.0, "run": s["run"]}
        body |= {"product": s["product"] if role == "product" else None, "plate": s["plate"], "kind": "wax"}
        yield NewRow(
            "uv_strip", 1, f"{s['picture']} / {s['strip']}", body,
            picture_name=s["picture"], picture_sha256=hashlib.sha256(_bytes_of(s["picture"])).hexdigest(),
        )  # fmt: skip


def _save_marks(bench: Bench, read_id: str, picture: str, picture_id: str, row_ids: tuple[str, ...]) -> None:
    square = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], float)
    bench.save_marks(
        read_id,
        method="uv_strip",
        method_version=1,
        cache_key=picture,
        picture_id=picture_id,
        outlines=[Outline(id, square, "found") for id in row_ids],
        marks=[Mark(id, {"density": [0.8, 0.5, 0.3], "polygon": square.tolist(), "width": 100.0}) for id in row_ids],
    )


def _reading(s: dict[str, Any], row_ids: tuple[str, ...], true: float, rng: np.random.Generator) -> Reading:
    value = true + float(rng.normal(0, 0.04))
    dose = math.log(130.0) + value
    detail = {
        "steps": "made",
        "role": "product",
        "kind": "wax",
        "plate": s["plate"],
        "sheet": s["run"],
        "run": s["run"],
        "lamp": "lamp 1",
        "seconds": [130.0],
        "curve": _CURVE | {"strips": [[s["picture"], "steps"]]},
        "film_points": [[130.0, round(float(_density(dose)), 4)]],
        "glass_points": [[130.0, round(float(_density(math.log(130.0))), 4)]],
        "spread_at": [np.linspace(-4, 1, 30).round(3).tolist(), [0.05] * 30],
    }
    parts = (
        Component("patch", 0.03),
        Component("curve", 0.015, s["picture"]),
        Component("paper", 0.015, s["run"]),
        Component("lamp", 0.01, s["run"]),
        Component("timing", 0.008, s["plate"]),
    )
    flags = ("uneven film",) if rng.random() < 0.1 else ()
    return Reading(
        row_ids, s["product"], s["plate"], s["picture"], s["strip"], "blocked", Measured(value, parts, flags),
        value - 0.08, value + 0.08, limits=(-0.07, -0.14), flags=flags, detail=detail,
    )  # fmt: skip


def main() -> None:
    """Make one by command."""
    about = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    about.add_argument("folder", type=Path)
    about.add_argument("--products", type=int, default=500)
    about.add_argument("--readings", type=int, default=10_000)
    options = about.parse_args()
    make(options.folder, products=options.products, readings=options.readings)


if __name__ == "__main__":
    main()
