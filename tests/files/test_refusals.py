"""Files that are no whole, still, sensible picture are refused with a reason, quickly, in little memory."""

import io
import resource
import struct
import time
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image

from fairpanel.files.pictures import PictureError, decode, inspect


@pytest.fixture(scope="module")
def photo():
    """(400, 600, 3) uint8 with texture, so that compressed files are long."""
    noise = np.random.default_rng(7).normal(128, 25, (400, 600, 3))
    return cv2.GaussianBlur(noise, (0, 0), 0.8).clip(0, 255).astype(np.uint8)


def _file(pixels, kind, **settings):
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, kind, **settings)
    return out.getvalue()


def _refused(data, *, word, name="strip 1.jpg"):
    """Both ways in refuse, name the file, say the word and what to do."""
    for way in (inspect, decode):
        began = time.process_time()  # of the processor: a busy machine proves nothing
        with pytest.raises(PictureError) as caught:
            way(data, name)
        assert time.process_time() - began < 2.0
        assert word in str(caught.value)
        assert str(caught.value).startswith(name)
        assert caught.value.what_to_do.endswith(".")


def _claiming(png, width, height):
    """A PNG whose header claims another size, with a valid checksum."""
    body = b"IHDR" + struct.pack(">II", width, height) + png[24:29]
    return png[:12] + body + struct.pack(">I", zlib.crc32(body)) + png[33:]


def _jpeg_claiming(jpeg, width, height):
    at = jpeg.index(b"\xff\xc0") + 5
    return jpeg[:at] + struct.pack(">HH", height, width) + jpeg[at + 4 :]


def test_empty_file():
    """Zero bytes."""
    _refused(b"", word="empty")


@pytest.mark.parametrize("text", [b"picture,strip,role\n" * 40, b"hello", "Prüfbericht".encode()])
def test_text_with_a_picture_s_name(text):
    """A text file renamed to .jpg."""
    _refused(text, word="is")


@pytest.mark.parametrize(
    ("start", "word"),
    [(b"GIF89a" + bytes(60), "GIF"), (b"%PDF-1.7\n%\xe2\xe3", "PDF"), (b"8BPS\0\1" + bytes(40), "layered")],
)
def test_other_formats_are_named(start, word):
    """What it is, and what to do with it."""
    _refused(start, word=word)


def test_noise_is_no_picture():
    """Random bytes."""
    _refused(np.random.default_rng(3).bytes(5000), word="not a picture")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
def test_cut_off_files(photo, kind, share):
    """A file cut anywhere is refused, never half decoded."""
    data = _file(photo, kind)
    _refused(data[: int(len(data) * share)], word="Copy it again")


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_cut_off_and_closed_again(photo, progressive):
    """With an end mark put behind the cut the decoder would fill up with grey."""
    data = _file(photo, "JPEG", quality=92, progressive=progressive)
    _refused(data[: len(data) // 2] + b"\xff\xd9", word="damaged")


def test_a_jpeg_with_a_hole(photo):
    """Two thousand bytes zeroed in the middle, as a bad card leaves them."""
    data = bytearray(_file(photo, "JPEG", quality=92))
    middle = len(data) // 2
    data[middle : middle + 2000] = bytes(2000)
    _refused(bytes(data), word="damaged")


def test_a_png_with_a_changed_byte(photo):
    """One byte of a PNG inverted."""
    data = bytearray(_file(photo, "PNG"))
    data[len(data) // 2] ^= 0xFF
    _refused(bytes(data), word="damaged")


@pytest.mark.parametrize("mode", ["CMYK", "L"])
def test_damage_in_other_kinds_of_jpeg(photo, mode):
    """Grey and CMYK pictures are looked after as well."""
    out = io.BytesIO()
    Image.fromarray(photo).convert(mode).save(out, "JPEG", quality=92)
    data = out.getvalue()
    _refused(data[: len(data) // 2] + b"\xff\xd9", word="damaged")


@pytest.mark.parametrize("size", [(1, 1), (63, 500), (500, 20)])
def test_tiny_pictures(photo, size):
    """Sides below 64 px."""
    width, height = size
    small = np.ascontiguousarray(np.resize(photo, (height, width, 3)))
    _refused(_file(small, "PNG"), word=f"only {width} x {height}")
    _refused(_file(small, "JPEG"), word=f"only {width} x {height}")


def test_headers_that_claim_too_much(photo):
    """20,000 x 20,000 in the header of a small file, and 11,000 x 11,000, just above the limit."""
    for width, height in ((20_000, 20_000), (11_000, 11_000)):
        _refused(_claiming(_file(photo, "PNG"), width, height), word="megapixels")
        _refused(_jpeg_claiming(_file(photo, "JPEG"), width, height), word="megapixels")


@pytest.mark.parametrize("size", [(600, 800), (600, 200), (1200, 400), (600, 410), (10_000, 10_000)])
def test_headers_that_lie(photo, size):
    """More or fewer rows or columns than the file holds, below the limit of size."""
    _refused(_claiming(_file(photo, "PNG"), *size), word="damaged")
    _refused(_jpeg_claiming(_file(photo, "JPEG", quality=92), *size), word="damaged")


def test_moving_pictures(photo):
    """Animated PNG and WebP, and a TIFF of two pages."""
    frames = [Image.fromarray(photo), Image.fromarray(255 - photo)]
    for kind, word in (("PNG", "animated"), ("WEBP", "animated"), ("GIF", "GIF"), ("TIFF", "pages")):
        out = io.BytesIO()
        frames[0].save(out, kind, save_all=True, append_images=frames[1:])
        _refused(out.getvalue(), word=word)


def test_raw_and_float_tiff(photo):
    """A TIFF that calls itself a digital negative, and one of floating-point numbers."""
    _refused(_file(photo, "TIFF", tiffinfo={50706: b"\1\4\0\0"}), word="raw")
    _refused(_file(photo[..., 0].astype(np.float32), "TIFF"), word="stores its tones")


@pytest.mark.parametrize("brand", [b"hevc", b"avif", b"heic", b"qt  "])
def test_boxes_that_hold_no_still_picture(brand):
    """A moving HEIF, an AVIF, an empty HEIC, a film."""
    _refused(struct.pack(">I", 24) + b"ftyp" + brand + bytes(4) + brand + b"mif1", word=" ")


def test_a_cut_off_heic_is_told_by_its_boxes():
    """A box that reaches beyond the end of the file (ISO/IEC 14496-12)."""
    start = struct.pack(">I", 24) + b"ftypheic" + bytes(4) + b"mif1heic"
    _refused(start + struct.pack(">I", 5000) + b"meta" + bytes(300), word="cut off")


def test_no_refusal_takes_much_memory(photo):
    """The heaviest lies stay far below 1 GB at their peak."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    deep = cv2.imencode(".png", photo.astype(np.uint16) * 257)[1].tobytes()
    _refused(_claiming(deep, 10_900, 10_900), word="damaged")
    _refused(_jpeg_claiming(_file(photo, "JPEG", quality=92), 10_900, 10_900), word="damaged")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 800_000  # [kB]


def test_nothing_of_a_library_reaches_the_screen(photo, capfd):
    """The complaints of the decoders are for the reader, not for the tester."""
    data = _file(photo, "JPEG", quality=92)
    with pytest.raises(PictureError):
        decode(data[: len(data) // 2] + b"\xff\xd9", "p")
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP"])
def test_flipped_bytes_never_do_worse_than_a_refusal(photo, kind):
    """A hundred files with a few bytes changed at random: read or refused, nothing else."""
    rng = np.random.default_rng(11)
    whole = np.frombuffer(_file(photo[:100, :150], kind), np.uint8)
    for _ in range(100):
        data = whole.copy()
        at = rng.integers(0, min(len(data), rng.choice([64, 600, 10**6])), size=rng.integers(1, 8))
        data[at] = rng.integers(0, 256, size=len(at))
        try:
            decode(data.tobytes(), "p")
        except PictureError as error:
            assert error.what_to_do
