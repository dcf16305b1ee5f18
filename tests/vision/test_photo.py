"""Reading photographs: every format upright, whole and in its full depth. Damage: see test_photo_damage.py."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import sys
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

from rimsight.vision.photo import LARGEST_PIXELS, Photo, camera_hint, load_photo

Codes = NDArray[Any]


def picture(height: int = 240, width: int = 320, *, seed: int = 4) -> Codes:
    """Four quarters of different colour with some noise: no turn or mirror image equals another."""
    codes = np.empty((height, width, 3), np.uint8)
    for rows, columns, colour in (
        (slice(None, height // 2), slice(None, width // 2), (200, 40, 40)),
        (slice(None, height // 2), slice(width // 2, None), (40, 190, 50)),
        (slice(height // 2, None), slice(None, width // 2), (50, 60, 210)),
        (slice(height // 2, None), slice(width // 2, None), (220, 220, 200)),
    ):
        codes[rows, columns] = colour
    noise = np.random.default_rng(seed).integers(-6, 7, codes.shape)
    return np.asarray(np.clip(codes + noise, 0, 255), dtype=np.uint8)


def stored_for(orientation: int, upright: Codes) -> Codes:
    """Stored rows and columns by the definition of the tag (CIPA DC-008, 4.6.4.A Orientation).

    The tag says on which visual side the stored 0th row and the stored 0th column lie.
    """
    row_side, column_side = {
        1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
        5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
    }[orientation]  # fmt: skip
    height, width = upright.shape[:2]
    places = {"top": range(height), "bottom": range(height)[::-1], "left": range(width), "right": range(width)[::-1]}
    first, second = np.array(places[row_side]), np.array(places[column_side])
    if row_side in ("top", "bottom"):
        return np.asarray(upright[np.ix_(first, second)])
    return np.asarray(upright[np.ix_(second, first)]).swapaxes(0, 1)


def exif_bytes(**entries: Any) -> bytes:
    exif = Image.Exif()
    for name, value in entries.items():
        if name == "orientation":
            exif[0x0112] = value
        else:
            exif.get_ifd(0x8769)[{"width": 0xA002, "height": 0xA003, "f35": 0xA405}[name]] = value
    return bytes(exif.tobytes())


def encode(codes: Codes, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    image = Image.fromarray(codes)
    if kind == "HEIF":
        pillow_heif.from_pillow(image).save(stream, quality=95, chroma=444, **options)
    else:
        image.save(stream, kind, **options)
    return stream.getvalue()


def png_chunks(header: bytes, *others: tuple[bytes, bytes]) -> bytes:
    parts = [b"\x89PNG\r\n\x1a\n"]
    for name, body in ((b"IHDR", header), *others, (b"IEND", b"")):
        parts.append(struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)))
    return b"".join(parts)


def png_16(codes: Codes, *others: tuple[bytes, bytes]) -> bytes:
    """A 16-bit PNG written by hand, as Pillow writes none in colour; channels 1, 2, 3 or 4."""
    height, width = codes.shape[:2]
    channels = 1 if codes.ndim == 2 else codes.shape[2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in codes)
    header = struct.pack(">IIBBBBB", width, height, 16, {1: 0, 2: 4, 3: 2, 4: 6}[channels], 0, 0, 0)
    return png_chunks(header, *others, (b"IDAT", zlib.compress(rows)))


def tiff_16(codes: Codes, order: str, *, orientation: int = 1, photometric: int | None = None, bits: int = 16) -> bytes:
    """A one-strip TIFF written by hand: order "<" or ">"; grey or R G B."""
    channels = 1 if codes.ndim == 2 else 3
    if bits == 16:
        body = codes.astype(order + "u2").tobytes()
    else:  # two 12-bit values in three bytes, high bits first
        low, high = codes.reshape(-1, 2).astype(np.uint16).T
        body = np.stack([low >> 4, (low & 15) << 4 | high >> 8, high & 255], axis=1).astype(np.uint8).tobytes()
    shape = photometric if photometric is not None else (1 if channels == 1 else 2)
    entries = [(256, 4, codes.shape[1]), (257, 4, codes.shape[0]), (258, 3, bits), (259, 3, 1), (262, 3, shape),
               (273, 4, 8), (274, 3, orientation), (277, 3, channels), (278, 4, codes.shape[0]),
               (279, 4, len(body))]  # fmt: skip
    start = 8 + len(body)
    out = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, start) + body
    out += struct.pack(order + "H", len(entries))
    for tag, kind, value in entries:
        count, field = 1, struct.pack(order + ("I" if kind == 4 else "HH"), *((value,) if kind == 4 else (value, 0)))
        if tag == 258 and channels == 3:
            count, field = 3, struct.pack(order + "I", start + 2 + 12 * len(entries) + 4)
        out += struct.pack(order + "HHI", tag, kind, count) + field
    return out + struct.pack(order + "I", 0) + struct.pack(order + "3H", bits, bits, bits)


@pytest.fixture(name="load")
def fixture_load(tmp_path: Path) -> Callable[..., Photo]:
    def load(data: bytes, name: str = "photo.bin") -> Photo:
        path = tmp_path / name
        path.write_bytes(data)
        return load_photo(path)

    return load


Load = Callable[..., Photo]
EXACT = {"PNG": 0, "TIFF": 0, "JPEG": 12, "WEBP": 30, "HEIF": 12}
ENCODING: dict[str, dict[str, Any]] = {
    "JPEG": {"quality": 95, "subsampling": 0}, "PNG": {}, "TIFF": {}, "WEBP": {"quality": 95}, "HEIF": {},
}  # fmt: skip


def assert_same(found: Codes, expected: Codes, kind: str) -> None:
    assert found.shape == expected.shape
    if EXACT[kind] == 0:
        np.testing.assert_array_equal(found, expected)
        return
    # Lossy: judged by 8 x 8 means, away from the borders between the quarters.
    means = [a[:240, :240].reshape(30, 8, 30, 8, 3).mean(axis=(1, 3)) for a in (found, expected)]
    assert np.abs(means[0] - means[1]).max() < EXACT[kind]


# --- formats and orientation ------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", EXACT)
def test_every_orientation_comes_out_upright(kind: str, orientation: int, load: Load) -> None:
    upright = picture(240, 320)
    stored = stored_for(orientation, upright)
    options = dict(ENCODING[kind])
    if kind == "TIFF":
        options["tiffinfo"] = {274: orientation}
    else:
        options["exif"] = exif_bytes(orientation=orientation, width=stored.shape[1], height=stored.shape[0])
    photo = load(encode(stored, kind, **options))
    assert_same(photo.light.codes, upright, kind)
    assert photo.format == kind
    assert photo.exif.orientation == orientation
    assert photo.warnings == ()
    if kind != "TIFF":  # the stated size turns with the picture
        assert (photo.exif.pixel_width, photo.exif.pixel_height) == (320, 240)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_16_bit_colour_tiff_is_turned_once(order: str, orientation: int, load: Load) -> None:
    upright = picture().astype(np.uint16) * 257 - 3
    photo = load(tiff_16(stored_for(orientation, upright), order, orientation=orientation))
    assert photo.light.codes.dtype == np.uint16
    np.testing.assert_array_equal(photo.light.codes, upright)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_16_bit_colour_png_is_turned_once(orientation: int, load: Load) -> None:
    upright = picture().astype(np.uint16) * 257 - 3
    tag = (b"eXIf", exif_bytes(orientation=orientation).removeprefix(b"Exif\0\0"))
    photo = load(png_16(stored_for(orientation, upright), tag))
    np.testing.assert_array_equal(photo.light.codes, upright)


def test_heif_container_overrules_exif(load: Load) -> None:
    """ISO/IEC 23008-12: irot and imir rule, EXIF only informs. A file whose EXIF alone asks is not turned."""
    upright = picture()
    data = encode(upright, "HEIF", exif=exif_bytes(orientation=1))
    entry = struct.pack(">HHIH", 0x0112, 3, 1, 1)
    assert data.count(entry) == 1
    photo = load(data.replace(entry, struct.pack(">HHIH", 0x0112, 3, 1, 6)))
    assert_same(photo.light.codes, upright, "HEIF")
    assert photo.exif.orientation == 6
    assert any("container counts" in note for note in photo.warnings)


def test_orientation_in_xmp_counts_where_exif_has_none(load: Load) -> None:
    upright = picture()
    xmp = b'<x:xmpmeta><rdf:Description tiff:Orientation="6"/></x:xmpmeta>'
    photo = load(encode(stored_for(6, upright), "JPEG", xmp=xmp, **ENCODING["JPEG"]))
    assert_same(photo.light.codes, upright, "JPEG")


@pytest.mark.parametrize("value", [0, 9, 77])
def test_meaningless_orientation_turns_nothing(value: int, load: Load) -> None:
    photo = load(encode(picture(), "PNG", exif=exif_bytes(orientation=value)))
    np.testing.assert_array_equal(photo.light.codes, picture())
    assert bool(photo.warnings) == (value > 8)  # 0 is a common "unknown"


def test_mpo_gives_its_first_picture(load: Load) -> None:
    stream = io.BytesIO()
    second = Image.fromarray(255 - picture())
    Image.fromarray(picture()).save(stream, "MPO", save_all=True, append_images=[second], quality=95, subsampling=0)
    photo = load(stream.getvalue(), "IMG_1.JPG")
    assert photo.format == "MPO"
    assert_same(photo.light.codes, picture(), "JPEG")
    assert photo.warnings == ()


@pytest.mark.parametrize("kind", ["WEBP", "PNG", "TIFF"])
def test_several_frames_give_the_first_and_a_warning(kind: str, load: Load) -> None:
    stream = io.BytesIO()
    second = Image.fromarray(255 - picture())
    options: dict[str, Any] = {"lossless": True} if kind == "WEBP" else {}
    Image.fromarray(picture()).save(stream, kind, save_all=True, append_images=[second], **options)
    photo = load(stream.getvalue())
    np.testing.assert_array_equal(photo.light.codes, picture())
    assert any("2 pictures" in note for note in photo.warnings)


# --- kinds of pixels --------------------------------------------------------------------------------------------


def test_16_bit_grey_png_keeps_every_code(load: Load) -> None:
    codes = np.arange(256 * 256, dtype=np.uint16).reshape(256, 256)
    photo = load(png_16(codes))
    assert photo.light.codes.dtype == np.uint16
    np.testing.assert_array_equal(photo.light.codes, codes)


@pytest.mark.parametrize(("order", "photometric"), [("<", 0), ("<", 1), (">", 1)])
def test_16_bit_grey_tiff(order: str, photometric: int, load: Load) -> None:
    codes = np.arange(256 * 256, dtype=np.uint16).reshape(256, 256)
    photo = load(tiff_16(codes, order, photometric=photometric))
    np.testing.assert_array_equal(photo.light.codes, 65535 - codes if photometric == 0 else codes)


def test_12_bit_grey_tiff_fills_the_range(load: Load) -> None:
    codes = (np.arange(256 * 256) % 4096).astype(np.uint16).reshape(256, 256)
    photo = load(tiff_16(codes, "<", bits=12))
    assert photo.light.codes.max() == 65535
    np.testing.assert_allclose(photo.light.codes / 65535, codes / 4095, rtol=0, atol=1e-4)


def test_10_bit_heic_keeps_its_depth(load: Load) -> None:
    codes = np.repeat(np.linspace(0, 65535, 256).astype(np.uint16)[None, :, None], 240, axis=0).repeat(3, axis=2)
    stream = io.BytesIO()
    pillow_heif.from_bytes("RGB;16", (256, 240), codes.tobytes()).save(stream, quality=-1, chroma=444)
    found = load(stream.getvalue()).light.codes
    assert found.dtype == np.uint16
    assert found.max() == 65535  # full scale is white, also after 10 bits
    # One 10-bit step is 64 codes; the detour by luma and chroma may cost one or two.
    assert np.abs(found.astype(int) - codes).max() <= 160


@pytest.mark.parametrize("mode", ["L", "RGBA"])
def test_grey_and_transparent_heic(mode: str, load: Load) -> None:
    image = Image.fromarray(picture()).convert("L" if mode == "L" else "RGBA")
    if mode == "RGBA":
        image.putalpha(Image.new("L", image.size, 0))
    found = load(encode(np.asarray(image), "HEIF")).light.codes
    if mode == "L":
        assert found.ndim == 2
        assert np.abs(found.astype(int) - np.asarray(image)).mean() < 4
    else:
        assert found.shape == (240, 320, 3)
        assert found.min() == 255  # wholly transparent: white


@pytest.mark.parametrize("deep", [False, True])
def test_alpha_is_laid_on_white(deep: bool, load: Load) -> None:
    full = 65535 if deep else 255
    codes = np.zeros((220, 240, 4), np.uint16 if deep else np.uint8)
    codes[..., 0], codes[..., 3] = full, full
    codes[:, 80:160, 3] = 0  # clear: white
    codes[:, 160:, 3] = full // 2  # half: pink
    photo = load(png_16(codes) if deep else encode(codes, "PNG"))
    row = photo.light.codes[100]
    assert row[10].tolist() == [full, 0, 0]
    assert row[100].tolist() == [full, full, full]
    assert row[200].tolist() == [full, full - full // 2, full - full // 2]
    assert any("transparent" in note for note in photo.warnings)


@pytest.mark.parametrize("mode", ["L", "1", "P", "LA", "CMYK"])
def test_other_pixel_modes(mode: str, load: Load) -> None:
    source = Image.fromarray(picture())
    image = source.quantize(200) if mode == "P" else source.convert(mode)
    stream = io.BytesIO()
    image.save(stream, "TIFF" if mode == "CMYK" else "PNG")
    photo = load(stream.getvalue())
    expected = np.asarray(image.convert("L" if mode in ("L", "1", "LA") else "RGB"))
    np.testing.assert_array_equal(photo.light.codes, expected)
    assert any("CMYK" in note for note in photo.warnings) == (mode == "CMYK")


def test_palette_with_transparent_entry(load: Load) -> None:
    image = Image.new("P", (240, 220), 1)
    image.putpalette([10, 20, 30, 90, 60, 30])
    image.paste(0, (0, 0, 120, 220))
    stream = io.BytesIO()
    image.save(stream, "PNG", transparency=0)
    row = load(stream.getvalue()).light.codes[50]
    assert row[10].tolist() == [255, 255, 255]
    assert row[200].tolist() == [90, 60, 30]


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
def test_compressed_tiff(compression: str, load: Load) -> None:
    photo = load(encode(picture(), "TIFF", compression=compression))
    assert_same(photo.light.codes, picture(), "JPEG" if compression == "jpeg" else "TIFF")


# --- the file ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["IMG 0042 (1).HEIC", "Fassung – Größe Ø 6,5 石.jpg", "no_suffix", "wrong.png"])
def test_names_do_not_matter(name: str, load: Load) -> None:
    photo = load(encode(picture(), "JPEG", **ENCODING["JPEG"]), name)
    assert photo.format == "JPEG"
    assert photo.path.name == name


def test_hash_and_length_are_those_of_the_file(load: Load) -> None:
    data = encode(picture(), "JPEG")
    photo = load(data)
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.size_bytes == len(data)


def test_missing_file_and_folder_keep_their_names(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as missing:
        load_photo(tmp_path / "gone.jpg")
    assert str(missing.value.filename).endswith("gone.jpg")
    with pytest.raises(IsADirectoryError) as folder:
        load_photo(str(tmp_path))
    assert folder.value.filename == str(tmp_path)


def test_camera_hint_of_a_photo(load: Load) -> None:
    photo = load(encode(picture(), "JPEG", exif=exif_bytes(f35=26, width=320, height=240)))
    hint = camera_hint(photo)
    assert hint.f_px == pytest.approx(26 * 400 / 43.2666, abs=0.01)  # CIPA DCG-001, from memory: by the diagonal
    assert not hint.cropped


# --- limits -----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_200_megapixel_picture_is_read(load: Load) -> None:
    """Above the 179 megapixels at which Pillow refuses, below the program's own limit."""
    width, height = 16_320, 12_240
    assert 2 * Image.MAX_IMAGE_PIXELS < width * height < LARGEST_PIXELS  # type: ignore[operator]
    stream = io.BytesIO()
    Image.new("1", (width, height), 1).save(stream, "PNG")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        photo = load(stream.getvalue())
    assert photo.light.codes.shape == (height, width)


PEAK = """
import resource, sys
from rimsight.vision.photo import load_photo
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
load_photo(sys.argv[1])
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read in the units of Linux")
@pytest.mark.parametrize("orientation", [1, 6])
def test_memory_of_a_12_megapixel_jpeg(orientation: int, tmp_path: Path) -> None:
    """Pillow's picture (4 bytes a pixel) and the result (3), no further whole copy."""
    path = tmp_path / "photo.jpg"
    small = Image.fromarray(picture(756, 1008))
    small.resize((4032, 3024)).save(path, quality=90, exif=exif_bytes(orientation=orientation))
    run = subprocess.run([sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True)
    assert float(run.stdout) < 7 * 4032 * 3024 / 2**20 + 25
