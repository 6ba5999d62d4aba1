"""A long read: memory flat, time linear, both cores used."""

from __future__ import annotations

import io
import os
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from PIL import Image

from benchmarks.speed import Ratio
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.campaigns import TableForm, table_bytes
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench

COLUMNS = ("picture", "strip", "role", "seconds", "product", "plate", "run", "box")


def long_read(pictures: int) -> Iterator[Ratio]:
    """Read benches of a tenth and of all of the pictures, each in a process of its own."""
    sizes = [max(pictures // 10, 2), pictures]
    seen = []
    for n in sizes:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            seen.append(pool.submit(_read, n).result())
    each = [wall / n for n, (wall, _, _) in zip(sizes, seen, strict=True)]
    peaks = [peak for _, _, peak in seen]
    told = ", ".join(f"{n}: {1000 * e:.0f} ms" for n, e in zip(sizes, each, strict=True))
    yield Ratio(f"time of a picture among {sizes[-1]} over among {sizes[0]}", each[-1] / each[0], "<= 1.15",
                each[-1] <= 1.15 * each[0], f"small pictures, take-in and read, {told} each")  # fmt: skip
    told = ", ".join(f"{n}: {p:.0f} MB" for n, p in zip(sizes, peaks, strict=True))
    yield Ratio(f"memory peak of {sizes[-1]} pictures over that of {sizes[0]}", peaks[-1] / peaks[0], "<= 1.15",
                peaks[-1] <= 1.15 * peaks[0], told)  # fmt: skip
    wall, cpu, _ = seen[-1]
    cores = min(os.cpu_count() or 1, 2)
    yield Ratio(f"processor time over wall time, {cores} cores", cpu / wall, f">= {0.75 * cores:g}",
                cpu >= 0.75 * cores * wall, f"{cpu:.0f} s of processor in {wall:.0f} s")  # fmt: skip


def _read(pictures: int) -> tuple[float, float, float]:
    """Wall time, processor time [s] and peak of memory [MB] of taking in and reading so many pictures."""
    with tempfile.TemporaryDirectory(prefix="fairpanel-") as place:
        folder = Path(place)
        table = _write(folder, pictures)
        with Bench.create(folder / "bench", zone="UTC"):
            pass
        wall, cpu = time.perf_counter(), time.process_time()
        take_in(folder / "bench", table)
        read_bench(folder / "bench")
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return wall, cpu, _peak_mb()


def _peak_mb() -> float:
    """Peak of this process's own memory; getrusage would count the process it was started from too. [MB]"""
    status = Path("/proc/self/status").read_text()
    return float(status.split("VmHWM:")[1].split()[0]) / 1024


def _write(folder: Path, pictures: int) -> Path:
    """Small scans of a strip and its five steps, each file different; twelve plates of each product."""
    made = [make_suite("scan_bed_4min", 2**33 + i, per_picture=1, dpi=75.0).pictures[0] for i in range(3)]
    small = [_jpeg(one.data) for one in made]
    rows = []
    for i in range(pictures):
        one, name = made[i % 3], f"scan-{i:03d}.jpg"
        comment = f"picture {i:06d}".encode()
        mark = b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment
        (folder / name).write_bytes(small[i % 3][:2] + mark + small[i % 3][2:])
        products = {
            p: f"Product {i // 12:02d}{k}" for k, p in enumerate(sorted({r["product"] for r in one.rows} - {""}))
        }
        rows += [
            {**r, "picture": name, "strip": f"{r['strip']}-{i}", "product": products.get(r["product"], ""),
             "plate": r["plate"] and f"{r['plate']}-{i}", "run": str(i)}
            for r in one.rows
        ]  # fmt: skip
    table = folder / "TABLE.csv"
    table.write_bytes(table_bytes(rows, TableForm(COLUMNS)))
    return table


def _jpeg(data: bytes) -> bytes:
    out = io.BytesIO()
    Image.open(io.BytesIO(data)).convert("RGB").save(out, "JPEG", quality=95)
    return out.getvalue()
