"""Files that are no picture to read: refused at take-in with a reason, the bench untouched, in little time."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fairpanel.files.tables import TableFaults
from fairpanel.jobs.take_in import take_in
from fairpanel.storage.bench import Bench

_PIXELS = np.random.default_rng(5).integers(60, 200, (150, 200, 3), dtype=np.uint8)


def _file(kind: str, *, size: tuple[int, int] | None = None, frames: int = 1) -> bytes:
    out = io.BytesIO()
    images = [Image.fromarray(np.roll(_PIXELS, 40 * i, axis=1)) for i in range(frames)]
    if size:
        images = [images[0].resize(size)]
    more = {"save_all": True, "append_images": images[1:]} if frames > 1 else {}
    images[0].save(out, kind, **more)
    return out.getvalue()


def _png_claiming(width: int, height: int) -> bytes:
    """A PNG whose header claims another size, its checksum in order (PNG specification, 11.2.2)."""
    png = _file("PNG")
    body = b"IHDR" + struct.pack(">II", width, height) + png[24:29]
    return png[:12] + body + struct.pack(">I", zlib.crc32(body)) + png[33:]


def _jpeg_claiming(width: int, height: int) -> bytes:
    jpeg = _file("JPEG")
    at = jpeg.index(b"\xff\xc0") + 5  # start of frame, ITU-T T.81, B.2.2
    return jpeg[:at] + struct.pack(">HH", height, width) + jpeg[at + 4 :]


BAD = {
    "zero bytes": (b"", "is empty (0 bytes)"),
    "a JPEG cut off": (_file("JPEG")[:4000], "is cut off"),
    "a PNG cut off": (_file("PNG")[:-200], "is cut off"),
    "a TIFF cut off": (_file("TIFF")[:-2000], "is cut off"),
    "a text renamed": (b"Strips of 3 February\n" * 40, "is a text file, whatever its name says"),
    "an animated PNG": (_file("PNG", frames=3), "is animated"),
    "an animated WebP": (_file("WEBP", frames=3), "is animated"),
    "an animated GIF": (_file("GIF", frames=3), "is a GIF"),
    "1 x 1": (_file("PNG", size=(1, 1)), "is only 1 x 1 pixels"),
    "a PNG that claims 20,000 x 20,000": (_png_claiming(20_000, 20_000), "claims "),
    "a JPEG that claims 20,000 x 20,000": (_jpeg_claiming(20_000, 20_000), "claims "),
    "a PNG with more rows in its header": (_png_claiming(200, 1500), "is cut off or damaged"),
    "a PNG with fewer rows in its header": (_png_claiming(200, 100), "is cut off or damaged"),
    "a JPEG with more rows in its header": (_jpeg_claiming(200, 1500), "is cut off or damaged"),
    "a JPEG with another width in its header": (_jpeg_claiming(330, 150), "is cut off or damaged"),
}


def _untouched(bench: Path) -> bool:
    with Bench.open(bench) as opened:
        empty = not opened.current_rows() and not opened.pictures() and not opened.nouns("product")
    return empty and not any(p.is_file() for p in (bench / "originals").rglob("*"))


def _table(folder: Path, *names: str) -> Path:
    lines = [f"{name},S{i},step,60," for i, name in enumerate(names)]
    (folder / "table.csv").write_text("\n".join(["picture,strip,role,seconds,product", *lines]))
    return folder / "table.csv"


@pytest.mark.parametrize("what", BAD)
def test_a_file_that_cannot_be_read_whole(bench, what):
    """Refused with row, column, name, reason and remedy; nothing is on the bench."""
    data, reason = BAD[what]
    (bench.parent / "bad.png").write_bytes(data)
    with pytest.raises(TableFaults) as told:
        take_in(bench, _table(bench.parent, "bad.png"))
    assert f"row 2, column picture: “bad.png” {reason}" in str(told.value)
    (fault,) = told.value.faults
    assert fault.message.rstrip().endswith(".") and fault.message.count(". ") >= 1  # a remedy follows the reason
    assert _untouched(bench)


def test_a_folder_with_a_picture_s_name(bench):
    """Refused."""
    (bench.parent / "bad.png").mkdir()
    with pytest.raises(TableFaults, match=r"row 2, column picture: “bad\.png” is a folder"):
        take_in(bench, _table(bench.parent, "bad.png"))
    assert _untouched(bench)


def test_bad_pictures_among_good_ones(bench):
    """Each bad one is named; the good ones are not taken in either, until the table is mended."""
    (bench.parent / "good.png").write_bytes(_file("PNG"))
    (bench.parent / "empty.png").write_bytes(b"")
    (bench.parent / "cut.jpg").write_bytes(_file("JPEG")[:3000])
    with pytest.raises(TableFaults) as told:
        take_in(bench, _table(bench.parent, "good.png", "empty.png", "cut.jpg", "gone.png"))
    assert [(f.row, f.column) for f in told.value.faults] == [(3, "picture"), (4, "picture"), (5, "picture")]
    assert _untouched(bench)
    assert take_in(bench, _table(bench.parent, "good.png")).taken


_MEASURE = """
import sys, time
from pathlib import Path
from fairpanel.files.tables import TableFaults
from fairpanel.jobs.take_in import take_in
began = time.process_time()
try:
    take_in(Path(sys.argv[1]), Path(sys.argv[2]))
except TableFaults as told:
    status = Path("/proc/self/status").read_text()  # getrusage would count the process it was started from too
    peak_kb = status.split("VmHWM:")[1].split()[0]
    print(len(told.faults), float(peak_kb) / 1024, time.process_time() - began)
"""


def test_the_worst_of_them_take_little_time_and_memory(bench):
    """All of them in one table: under half a second of processor for each, and under 1 GB for the whole process."""
    names = []
    for what, (data, _) in BAD.items():
        names.append(f"{len(names)}.png")
        (bench.parent / names[-1]).write_bytes(data)
        assert what
    table = _table(bench.parent, *names)
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE, str(bench), str(table)], capture_output=True, text=True, check=True
    )
    faults, peak_mb, seconds = map(float, done.stdout.split())
    assert faults == len(BAD)
    assert peak_mb < 1000
    assert seconds < 0.5 * len(BAD)
