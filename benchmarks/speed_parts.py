"""A picture against its bare decode, fits against a loop of curve_fit, a command against bare Python."""

from __future__ import annotations

import io
import math
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from scipy.optimize import curve_fit

from benchmarks.speed import Ratio, timed
from fairpanel.estimate.fitting import fit
from fairpanel.estimate.inverse import read_back
from fairpanel.files.pictures import decode
from fairpanel.methods import method_named
from fairpanel.methods.columns import read_cells
from fairpanel.methods.contract import Entered
from fairpanel.rehearsal.campaigns import MadeCampaign
from fairpanel.rehearsal.suites import make_suite

# ---- a picture of 12 megapixels --------------------------------------------------------------------------------


def picture() -> Iterator[Ratio]:
    """File to marks of a 12-megapixel picture with 12 strips, against the bare decode of the same file."""
    cv2.setNumThreads(1)
    on_mat = make_suite("phone_4min_geometric", 2**33 + 5, megapixels=12.0)
    yield _file_to_marks("phone photo, 12 strips, the mat to be found", on_mat, 5.0, given=False)
    yield _file_to_marks("phone photo of the mat, outlines given in pixels", on_mat, 3.0, given=True)
    bed = make_suite("scan_bed_4min", 2**33 + 6, dpi=505.0)
    yield _file_to_marks("scan without mat, outlines given in pixels", bed, 3.0, given=True)


def _file_to_marks(name: str, made: MadeCampaign, goal: float, *, given: bool) -> Ratio:
    one = made.pictures[0]
    data = one.data if one.name.endswith("jpg") else _as_jpeg(one.data)
    method = method_named("uv_strip")
    rows, place = [], {}
    for row in one.rows:
        index = place[row["strip"]] = place.get(row["strip"], -1) + 1
        box = " ".join(f"{v:.1f}" for v in one.outlines[row["strip"], index].ravel()) if given else row["box"]
        rows.append({k: v for k, v in row.items() if k != "method"} | {"box": box})
    entered = [Entered(str(i), read_cells(method.Row, r, i)[0], i) for i, r in enumerate(rows)]
    stages = {"decode": 0.0, "find": 0.0, "measure": 0.0}

    def whole() -> None:
        began = time.process_time()
        upright = decode(data, "picture.jpg")
        opened = time.process_time()
        outlines, refusals = method.find(upright, entered)
        found = time.process_time()
        marks = method.measure(upright, outlines, entered)
        if refusals or len(marks) != len(entered):
            raise RuntimeError(f"{len(marks)} of {len(entered)} patches measured: {refusals[:1]}")
        stages.update(decode=opened - began, find=found - opened, measure=time.process_time() - found)

    coded = np.frombuffer(data, np.uint8)
    by_opencv, by_pillow, took = timed(
        lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION),
        lambda: Image.open(io.BytesIO(data)).load(),
        whole,
    )
    bare, library = min((by_opencv, "OpenCV"), (by_pillow, "Pillow"))
    behind = (
        f"{1000 * took:.0f} ms against {1000 * bare:.0f} ms by {library}, {one.size[0] * one.size[1] / 1e6:.1f} "
        "megapixels; last run: " + ", ".join(f"{k} {1000 * v:.0f} ms" for k, v in stages.items())
    )
    return Ratio(f"{name}: file to marks over bare decode", took / bare, f"<= {goal:g}", took <= goal * bare, behind)


def _as_jpeg(data: bytes) -> bytes:
    out = io.BytesIO()
    Image.open(io.BytesIO(data)).convert("RGB").save(out, "JPEG", quality=92)
    return out.getvalue()


# ---- fits and Monte Carlo --------------------------------------------------------------------------------------

STRIPS, DRAWS = 200, 10_000
#: Passes of the loop that are really timed; the rest is scaled.
TIMED_PASSES = 200
_STEPS = np.array([7.0, 13.0, 23.0, 41.0, 74.0, 133.0, 240.0, 360.0])
_NOISE = 0.01
#: ln(dose) at which every draw of the curve is looked at.
_GRID = np.arange(3.0, 5.5, 0.02)


def _density(x: np.ndarray, d0: float, d1: float, middle: float, slope: float) -> np.ndarray:
    return d0 + d1 / (1 + np.exp(-slope * (x - middle)))


def _many_densities(p: np.ndarray) -> np.ndarray:
    return _along(np.log(_STEPS), p)


def _along(x: np.ndarray, p: np.ndarray) -> np.ndarray:
    d0, d1, middle, slope = (p[..., i, None] for i in range(4))
    return _density(x, d0, d1, middle, slope)


def _inverse(y: float, p: np.ndarray) -> float:
    share = (y - p[0]) / p[1]
    return p[2] + math.log(share / (1 - share)) / p[3] if 0 < share < 1 else math.nan


def fits() -> Iterator[Ratio]:
    """200 step strips fitted and a strip read on each with 10,000 draws, against a loop over curve_fit.

    The loop does what the draws stand for: it moves the densities of the steps by their noise, fits again, and reads
    back, draw after draw. TIMED_PASSES of its 2,000,000 passes are timed and the time is scaled; a second line compares
    nothing but fits, equally many on both sides.
    """
    rng = np.random.default_rng(2**33)
    true = np.array([0.1, 1.1, 4.1, 1.4]) * np.exp(0.05 * rng.standard_normal((STRIPS, 4)))
    seen = _many_densities(true) + _NOISE * rng.standard_normal((STRIPS, len(_STEPS)))
    readings = true[:, 0] + 0.5 * true[:, 1]
    start = np.array([0.1, 1.0, 4.0, 1.5])

    def vectorised() -> None:
        found = fit(_many_densities, np.tile(start, (STRIPS, 1)), seen, uncertainty=np.full(len(_STEPS), _NOISE))
        drawn = found.draws(DRAWS, rng=np.random.default_rng(1))
        for i in range(STRIPS):
            read_back(readings[i], curve=_along, x=_GRID, best=found.parameters[i], drawn=drawn[i], uncertainty=_NOISE)

    x = np.log(_STEPS)

    def loop() -> None:
        for i in range(TIMED_PASSES):
            again = seen[i % STRIPS] + _NOISE * rng.standard_normal(len(_STEPS))
            p, _ = curve_fit(_density, x, again, p0=start, sigma=np.full(len(_STEPS), _NOISE), absolute_sigma=True)
            _inverse(readings[i % STRIPS], p)

    took, passes = timed(vectorised, loop, times=5)
    whole = passes * STRIPS * DRAWS / TIMED_PASSES
    yield Ratio(
        f"{STRIPS} strips x {DRAWS} draws: loop over curve_fit over vectorised fit and draws",
        whole / took, ">= 20", whole >= 20 * took,
        f"{took:.2f} s against {whole:.0f} s ({TIMED_PASSES} passes timed, {1e3 * passes / TIMED_PASSES:.2f} ms each, "
        "scaled)",
    )  # fmt: skip
    many = np.tile(seen, (10, 1)) + _NOISE * rng.standard_normal((10 * STRIPS, len(_STEPS)))

    def fits_alone() -> None:
        fit(_many_densities, np.tile(start, (len(many), 1)), many, uncertainty=np.full(len(_STEPS), _NOISE))

    (alone,), of_loop = timed(fits_alone, times=5), passes * len(many) / TIMED_PASSES
    yield Ratio(
        f"{len(many)} fits alone: loop over curve_fit over one vectorised fit",
        of_loop / alone, ">= 20", of_loop >= 20 * alone, f"{alone:.3f} s against {of_loop:.2f} s",
    )  # fmt: skip


# ---- starting a command ----------------------------------------------------------------------------------------


def start() -> Iterator[Ratio]:
    """`fairpanel --help` against `python -c pass`, whole processes."""
    program = Path(sys.executable).with_name("fairpanel")
    pairs = {"help": [str(program), "--help"], "python": [sys.executable, "-c", "pass"]}
    took: dict[str, list[tuple[float, float]]] = {name: [] for name in pairs}
    for _ in range(10):
        for name, command in pairs.items():
            took[name].append(_process(command))
    (ours, ours_wall), (bare, bare_wall) = (np.median(took[name][1:], axis=0) for name in pairs)
    yield Ratio(
        "fairpanel --help over python -c pass", ours / bare, "under 0.3 s", ours < 0.3,
        f"processor {1000 * ours:.0f} ms against {1000 * bare:.0f} ms, wall {1000 * ours_wall:.0f} ms against "
        f"{1000 * bare_wall:.0f} ms; medians of 9 in turn",
    )  # fmt: skip


def _process(command: list[str]) -> tuple[float, float]:
    """Processor and wall time of a whole process. [s]"""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall
