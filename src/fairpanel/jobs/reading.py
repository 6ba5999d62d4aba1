"""Reading a bench: every picture measured once, then readings, results and findings of each method.

What was measured stays measured: a stopped read goes on where it was, and a picture that has not changed is not
measured again.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2

from fairpanel import __version__
from fairpanel.files.picture_headers import PictureError
from fairpanel.files.pictures import decode
from fairpanel.findings.rules import finding_of, not_read
from fairpanel.jobs.blinding import must_not_be_locked
from fairpanel.jobs.take_in import upgraded
from fairpanel.methods import all_methods, default_results
from fairpanel.methods.contract import Context, Entered, Mark, Method, Outline, Reading, Refusal, Result
from fairpanel.storage.bench import Bench
from fairpanel.storage.codec import dumps
from fairpanel.storage.records import Measuring, StoredRow

WORKERS = 2
SEED = 20260101
#: Pictures whose marks are looked up together.
LOOKED_UP_AT_ONCE = 40

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class ReadSummary:
    """What a read found. `read_id` is None where there was nothing to read."""

    read_id: str | None
    pictures: int
    measured_now: int
    readings: int
    refused: int


def read_bench(folder: Path, *, seed: int = SEED, progress: Progress = lambda done, of, what: None) -> ReadSummary:
    """Read everything on a bench.

    Parameters
    ----------
    folder : path
    seed : int
        For every random draw.
    progress : callable
        `(done, of, what)`, called as pictures are measured.

    Raises
    ------
    BenchError
    """
    cv2.setNumThreads(1)
    with Bench.open(folder, writing=True, doing="reading", in_moments=True) as bench:
        must_not_be_locked(bench)
        rows = bench.current_rows()
        methods = [m for m in _in_order(all_methods().values()) if any(r.method == m.name for r in rows)]
        read_id = bench.begin_read(
            code_version=__version__, seed=seed, methods={m.name: m.version for m in methods}, settings={}
        )
        results: dict[str, Sequence[Result]] = {}
        counts = [0, 0, 0, 0]
        for method in methods:
            own = [r for r in rows if r.method == method.name]
            entered = _entered(method, own)
            measured = _measured(bench, read_id, method, own, entered, progress)
            readings, refusals = method.readings(measured.marks, entered)
            bench.save_readings(read_id, method.name, readings, refusals)
            context = Context(seed, {name: results[name] for name in method.needs if name in results})
            results[method.name] = _results(bench, read_id, method, entered, readings, context)
            refused = len(refusals) + measured.refused
            new = (measured.pictures, measured.now, len(readings), refused)
            counts = [a + b for a, b in zip(counts, new, strict=True)]
        bench.end_read(read_id)
    return ReadSummary(read_id, *counts)


def _in_order(methods: Iterable[Method]) -> list[Method]:
    """Methods so that each comes after those whose results it needs."""
    left, order = {m.name: m for m in methods}, []
    while left:
        ready = [m for m in left.values() if not set(m.needs) & set(left)] or list(left.values())[:1]
        for m in ready:
            order.append(left.pop(m.name))
    return order


def _entered(method: Method, rows: Sequence[StoredRow]) -> list[Entered]:
    return [Entered(r.id, method.Row(**upgraded(method.name, r.body, r.method_version)), r.line) for r in rows]


def _results(
    bench: Bench,
    read_id: str,
    method: Method,
    entered: Sequence[Entered],
    readings: Sequence[Reading],
    context: Context,
) -> Sequence[Result]:
    found = (method.results or default_results.results)(readings, method, context)
    ids = bench.save_results(read_id, method.name, found)
    findings: list[tuple[str | None, dict[str, Any]]] = [
        (i, {**asdict(finding_of(r, method)), "product": r.product, "method": method.name, "quantity": r.quantity})
        for i, r in zip(ids, found, strict=True)
    ]
    read = {r.product for r in found}
    wanted = dict.fromkeys(p for e in entered if (p := getattr(e.row, "product", None)))
    findings += [
        (None, {**asdict(not_read(p)), "product": p, "method": method.name, "quantity": q.name})
        for p in wanted
        if p not in read and not _only_a_step(p, entered)
        for q in method.quantities
    ]
    bench.save_findings(read_id, findings)
    return found


def _only_a_step(product: str, entered: Sequence[Entered]) -> bool:
    rows = [e.row for e in entered if getattr(e.row, "product", None) == product]
    return all(not getattr(r, "is_product", True) for r in rows)


# ---- measuring pictures ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Task:
    picture_id: str
    name: str
    key: str
    entered: tuple[Entered, ...]
    moved: tuple[Outline, ...]


@dataclass(frozen=True)
class _Measured:
    """Marks of all pictures of a method; how many pictures, how many of them measured now, strips refused."""

    marks: list[Mark]
    pictures: int = 0
    now: int = 0
    refused: int = 0


def _measured(
    bench: Bench,
    read_id: str,
    method: Method,
    rows: Sequence[StoredRow],
    entered: Sequence[Entered],
    progress: Progress,
) -> _Measured:
    """Marks of every picture of a method, measured now or before."""
    if method.measure is None:
        return _Measured([])
    tasks = _tasks(bench, method, rows, entered)
    known = {key: one.id for key, one in _looked_up(bench, tasks)}
    if known:
        bench.use_marks(read_id, list(known.values()))
    todo = [t for t in tasks if t.key not in known]
    done = len(tasks) - len(todo)
    progress(done, len(tasks), "pictures measured")
    for task, outlines, marks, refusals in _run(bench, method, todo):
        bench.save_marks(
            read_id,
            method=method.name,
            method_version=method.version,
            cache_key=task.key,
            picture_id=task.picture_id,
            outlines=outlines,
            marks=marks,
            refusals=refusals,
        )
        done += 1
        progress(done, len(tasks), "pictures measured")
    refused, alike = 0, dict[str, Any]()
    kept: list[Mark] = []
    for _, one in _looked_up(bench, tasks):
        kept += [_small(m, alike) for m in one.marks]
        refused += len(one.refusals)
    return _Measured(kept, len(tasks), len(todo), refused)


def _looked_up(bench: Bench, tasks: Sequence[_Task]) -> Iterator[tuple[str, Measuring]]:
    """What has been measured of these, in their order, with few in memory at a time."""
    for start in range(0, len(tasks), LOOKED_UP_AT_ONCE):
        portion = tasks[start : start + LOOKED_UP_AT_ONCE]
        found = bench.marks_by_key([t.key for t in portion])
        yield from ((t.key, found[t.key]) for t in portion if t.key in found)


def _small(mark: Mark, alike: dict[str, Any]) -> Mark:
    """The same mark in two thirds of the memory: names, and mappings that many marks share, are kept once."""
    body = {
        sys.intern(name): alike.setdefault(repr(value), value) if isinstance(value, dict) else value
        for name, value in mark.body.items()
    }
    return replace(mark, body=body)


def _tasks(bench: Bench, method: Method, rows: Sequence[StoredRow], entered: Sequence[Entered]) -> list[_Task]:
    groups: dict[tuple[str, str], list[Entered]] = {}
    for stored, e in zip(rows, entered, strict=True):
        if stored.picture_id:
            groups.setdefault((stored.picture_id, stored.picture_name), []).append(e)
    tasks = []
    for (picture_id, name), own in groups.items():
        moved = tuple(bench.moved_outlines(picture_id))
        about = [
            bench.picture(picture_id).sha256,
            method.name,
            method.version,
            __version__,
            [[e.id, asdict(e.row)] for e in own],
            [[o.row_id, o.polygon] for o in moved],
        ]
        key = hashlib.sha256(dumps(about).encode()).hexdigest()
        tasks.append(_Task(picture_id, name, key, tuple(own), moved))
    return tasks


Measured1 = tuple[_Task, list[Outline], list[Mark], list[Refusal]]


def _run(bench: Bench, method: Method, tasks: Sequence[_Task]) -> Iterator[Measured1]:
    """Measure pictures on both cores, a few in flight, so that memory does not grow with their number."""
    waiting: set[Future[Measured1]] = set()
    todo = iter(tasks)
    with ThreadPoolExecutor(WORKERS) as pool:
        try:
            while True:
                while len(waiting) < WORKERS + 1 and (task := next(todo, None)) is not None:
                    waiting.add(pool.submit(measure_picture, bench, method, task))
                if not waiting:
                    return
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for one in finished:
                    yield one.result()
        finally:
            for one in waiting:
                one.cancel()


def measure_picture(bench: Bench, method: Method, task: _Task) -> Measured1:
    """Outlines, marks and refusals of one picture."""
    try:
        picture = decode(bench.original_bytes(task.picture_id), task.name)
    except PictureError as problem:
        return task, [], [], _refuse_all(task, f"the picture {problem.reason}", problem.what_to_do)
    assert method.measure is not None, "only methods that measure pictures come here"
    outlines, refusals = method.find(picture, task.entered) if method.find else ([], [])
    moved = {o.row_id: o for o in task.moved}
    outlines = [moved.get(o.row_id, o) for o in outlines]
    marks = method.measure(picture, outlines, task.entered)
    return task, outlines, marks, refusals


def _refuse_all(task: _Task, reason: str, what_to_do: str) -> list[Refusal]:
    strips = dict.fromkeys(getattr(e.row, "strip", "") for e in task.entered)
    return [Refusal(task.name, strip, reason, what_to_do) for strip in strips]
