"""Files that can't be measured: each is refused with what was found, what is needed and what to try."""

from __future__ import annotations

import contextlib
import functools
import io
import struct
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from numpy.typing import NDArray
from PIL import Image

from rimsight.calibration.errors import UnreadablePhoto
from rimsight.vision.photo import Photo, load_photo

Codes = NDArray[Any]
Load = Callable[[bytes], Photo]

ENCODING: dict[str, dict[str, Any]] = {
    "JPEG": {"quality": 95, "subsampling": 0}, "PNG": {}, "TIFF": {}, "WEBP": {"quality": 95}, "HEIF": {},
}  # fmt: skip


def picture(height: int = 240, width: int = 320) -> Codes:
    """Two colours with some noise: nowhere flat, like a photograph."""
    codes = np.full((height, width, 3), (200, 90, 40))
    codes[height // 3 :, width // 3 :] = (60, 120, 190)
    noise = np.random.default_rng(4).integers(-6, 7, codes.shape)
    return np.asarray(codes + noise, dtype=np.uint8)


def exif_bytes(orientation: int) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769)[0xA405] = 26
    return bytes(exif.tobytes())


def encode(codes: Codes, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    image = Image.fromarray(codes)
    if kind == "HEIF":
        pillow_heif.from_pillow(image).save(stream, quality=95, chroma=444, **options)
    else:
        image.save(stream, kind, **options)
    return stream.getvalue()


@functools.cache
def sound(kind: str) -> bytes:
    """An intact file; HEIC takes a second to encode."""
    return encode(picture(), kind, exif=exif_bytes(6), **ENCODING[kind])


def png_chunks(header: bytes, *others: tuple[bytes, bytes]) -> bytes:
    parts = [b"\x89PNG\r\n\x1a\n"]
    for name, body in ((b"IHDR", header), *others, (b"IEND", b"")):
        parts.append(struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)))
    return b"".join(parts)


def tiff_header(width: int, height: int, *, bits: int = 8, photometric: int = 1) -> bytes:
    """A grey TIFF with one strip behind its directory; the strip holds 4 bytes."""
    entries = [(256, width), (257, height), (258, bits), (259, 1), (262, photometric), (273, 8 + 2 + 9 * 12 + 4),
               (277, 1), (278, height), (279, 4)]  # fmt: skip
    table = b"".join(struct.pack(">HHII", tag, 4, 1, value) for tag, value in entries)
    return b"MM\0*" + struct.pack(">IH", 8, len(entries)) + table + bytes(8)


@pytest.fixture(name="load")
def fixture_load(tmp_path: Path) -> Load:
    def load(data: bytes) -> Photo:
        path = tmp_path / "photo.bin"
        path.write_bytes(data)
        return load_photo(path)

    return load


def refusal(load: Load, data: bytes) -> UnreadablePhoto:
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # nothing may leak on the user's terminal
        with pytest.raises(UnreadablePhoto) as caught:
            load(data)
    failure = caught.value
    for part in (failure.found, failure.needed, failure.advice):
        assert part
        assert not part.endswith(".")  # the command line closes the sentence
    return failure


BOMB = struct.pack(">IIBBBBB", 20_000, 15_000, 8, 2, 0, 0, 0)


def jpeg_bomb() -> bytes:
    data = encode(picture(), "JPEG")
    return data.replace(struct.pack(">HH", 240, 320), struct.pack(">HH", 15_000, 20_000))


def heif_bomb() -> bytes:
    data = sound("HEIF")
    return data.replace(struct.pack(">II", 320, 240), struct.pack(">II", 20_000, 15_000))


WEBP_BOMB = b"RIFF\x40\0\0\0WEBPVP8X\x0a\0\0\0" + bytes(4) + b"\x1f\x4e\0" + b"\x97\x3a\0" + bytes(34)


@pytest.mark.parametrize(
    ("make", "kind", "word"),
    [
        (lambda: b"", "empty_file", "0 bytes"),
        (lambda: b"no picture at all, only words" * 9, "not_a_picture", "no picture"),
        (lambda: b"GIF89a" + bytes(90), "unsupported_format", "GIF"),
        (lambda: b"%PDF-1.7" + bytes(90), "unsupported_format", "PDF"),
        (lambda: b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf" + bytes(90), "unsupported_format", "AVIF"),
        (lambda: b"\0\0\0\x1cftypmif1\0\0\0\0mif1avifmiaf" + bytes(90), "unsupported_format", "AVIF"),
        (lambda: b"\0\0\0\x18ftypisom\0\0\0\0isommp42" + bytes(90), "unsupported_format", "video"),
        (lambda: b"II*\0\x10\0\0\0CR\x02\0" + bytes(90), "unsupported_format", "raw"),
        (lambda: b"\xff\xd8\xff\xe0" + bytes(200), "damaged_file", "JPEG"),
        (lambda: b"\x89PNG\r\n\x1a\n" + bytes(200), "damaged_file", "0 x 0"),
        (lambda: png_chunks(struct.pack(">IIBBBBB", 0, 0, 8, 2, 0, 0, 0)), "damaged_file", "0 x 0"),
        (lambda: sound("HEIF")[:200], "incomplete_file", "HEIF"),
        (lambda: encode(picture(1, 1), "PNG"), "too_few_pixels", "1 x 1"),
        (lambda: encode(picture(150, 900), "JPEG"), "too_few_pixels", "900 x 150"),
        (lambda: png_chunks(BOMB, (b"IDAT", b"")), "too_many_pixels", "300 megapixels"),
        (jpeg_bomb, "too_many_pixels", "300 megapixels"),
        (lambda: WEBP_BOMB, "too_many_pixels", "300 megapixels"),
        (lambda: tiff_header(20_000, 15_000), "too_many_pixels", "300 megapixels"),
        (heif_bomb, "too_many_pixels", "300 megapixels"),
    ],
)
def test_refusals_say_what_was_found(make: Callable[[], bytes], kind: str, word: str, load: Load) -> None:
    failure = refusal(load, make())
    assert failure.kind == kind
    assert word in failure.found


def test_pixel_layouts_that_are_not_read_are_called_so(load: Load) -> None:
    white_is_zero = tiff_header(240, 240, bits=16, photometric=0)
    floating = encode(np.zeros((240, 240), np.float32), "TIFF")
    for data in (white_is_zero, floating):
        assert refusal(load, data).kind == "unsupported_format"


def test_raw_files_are_not_measured_by_their_preview(load: Load) -> None:
    for info in ({50706: b"\1\4\0\0"}, {254: 1}):
        failure = refusal(load, encode(picture(), "TIFF", tiffinfo=info))
        assert failure.kind == "unsupported_format"
        assert "raw" in failure.found


@pytest.mark.parametrize("kind", ENCODING)
@pytest.mark.parametrize("part", [0.3, 0.7, 0.97])
def test_files_cut_short_are_refused(kind: str, part: float, load: Load) -> None:
    data = sound(kind)
    failure = refusal(load, data[: int(len(data) * part)])
    assert failure.kind in ("incomplete_file", "damaged_file")


@pytest.mark.parametrize("part", [0.4, 0.8])
def test_jpeg_closed_after_breaking_off_is_refused(part: float, load: Load) -> None:
    """With an end mark set behind the cut, every decoder is content and fills the rest with one grey."""
    data = encode(picture(600, 800), "JPEG", quality=90)
    assert refusal(load, data[: int(len(data) * part)] + b"\xff\xd9").kind == "incomplete_file"
    assert refusal(load, data[: int(len(data) * part)] + bytes(2000)).kind == "incomplete_file"


@pytest.mark.parametrize("orientation", range(2, 9))
def test_broken_off_jpeg_is_noticed_however_it_is_turned(orientation: int, load: Load) -> None:
    data = encode(picture(600, 800), "JPEG", quality=90, exif=exif_bytes(orientation))
    assert refusal(load, data[: len(data) * 2 // 3] + b"\xff\xd9").kind == "incomplete_file"


def test_drawings_and_burnt_out_photos_with_a_flat_foot_are_read(load: Load) -> None:
    drawing = np.full((400, 400, 3), 180, np.uint8)
    drawing[100:200, 100:300] = 20
    assert load(encode(drawing, "JPEG")).format == "JPEG"
    burnt = picture(400, 400)
    burnt[300:] = 255
    assert load(encode(burnt, "JPEG", quality=95)).format == "JPEG"


@pytest.mark.parametrize("kind", ENCODING)
def test_random_damage_is_either_read_or_refused(kind: str, tmp_path: Path) -> None:
    """No damage may end in another exception or a warning on the terminal."""
    rng = np.random.default_rng(17)
    data = sound(kind)
    path = tmp_path / "damaged"
    for _ in range(60):
        damaged = bytearray(data)
        front = rng.random() < 0.5  # headers are where the trouble lies
        for _ in range(int(rng.integers(1, 6))):
            damaged[int(rng.integers(0, min(len(data), 600 if front else len(data))))] = int(rng.integers(0, 256))
        path.write_bytes(damaged)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with contextlib.suppress(UnreadablePhoto):
                load_photo(path)
