"""What leaves the house is pixels alone, read back with other programs' eyes."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from rimsight.archive import pictures
from rimsight.archive.errors import PictureUnreadable
from tests.archive import sample

#: What no exported byte may contain.
SECRETS = [
    *(text.encode(coding) for text in (sample.OWNER, sample.SERIAL) for coding in ("utf-8", "utf-16-le")),
    *(b"Exif", b"xmpmeta", b"OWNR"),
]


def opened(data: bytes) -> Image.Image:
    return Image.open(io.BytesIO(data))


def exif_tags(data: bytes) -> dict[str, object]:
    """Return what the independent reader exifread finds."""
    exifread = pytest.importorskip("exifread")
    tags: dict[str, object] = exifread.process_file(io.BytesIO(data), details=True)
    return tags


def test_the_sample_photo_tells_everything_to_another_reader() -> None:
    tags = exif_tags(sample.telling_jpeg())
    assert str(tags["Image Artist"]) == sample.OWNER
    assert str(tags["EXIF BodySerialNumber"]) == sample.SERIAL
    assert "GPS GPSLatitude" in tags
    assert tags["JPEGThumbnail"]


@pytest.mark.parametrize("make", [pictures.thumbnail, lambda data: pictures.clean_jpeg(data, 1200)])
def test_an_exported_picture_tells_nothing(make: object) -> None:
    assert callable(make)
    data = make(sample.telling_jpeg())
    assert exif_tags(data) == {}
    assert not any(secret in data for secret in (*SECRETS, sample.COMMENT))
    assert set(opened(data).info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression"}


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed")
def test_exiftool_finds_nothing_but_the_files_form(tmp_path: Path) -> None:
    path = sample.write(tmp_path / "out.jpg", pictures.clean_jpeg(sample.telling_jpeg(), 1200))
    done = subprocess.run(["exiftool", "-json", "-G", "-a", "-u", str(path)], capture_output=True, check=True)
    found = {name.split(":")[0] for name in json.loads(done.stdout)[0]}
    assert found <= {"SourceFile", "ExifTool", "File", "JFIF", "Composite"}
    whole = sample.write(tmp_path / "in.jpg", sample.telling_jpeg())
    done = subprocess.run(["exiftool", "-json", "-G", "-a", "-u", str(whole)], capture_output=True, check=True)
    assert {"EXIF", "XMP", "ICC_Profile"} <= {name.split(":")[0] for name in json.loads(done.stdout)[0]}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_an_exported_picture_stands_upright(orientation: int) -> None:
    """A corner of each colour, and the eight ways of EXIF 2.32 (tag 0x0112) to have stored it."""
    upright = Image.new("RGB", (80, 48), (200, 200, 200))
    upright.paste((220, 30, 30), (0, 0, 30, 20))
    upright.paste((30, 200, 30), (50, 28, 80, 48))
    undo = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    stored = upright.transpose(undo[orientation]) if orientation > 1 else upright
    exif = Image.Exif()
    exif[0x0112] = orientation
    data, size = pictures.clean_jpeg_and_size(sample.encode(stored, "PNG", exif=exif.tobytes()), 400, quality=95)
    assert size == (80, 48)
    shown = opened(data)
    assert shown.size == (80, 48)
    assert np.abs(np.asarray(shown, float) - np.asarray(upright, float)).mean() < 3


def test_a_wide_gamut_profile_becomes_srgb() -> None:
    """A profile with its red and green exchanged shows whether it was applied or dropped unread."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    at = {tag: profile.index(tag, 128) for tag in (b"rXYZ", b"gXYZ")}
    swapped = bytearray(profile)
    for tag, other in ((b"rXYZ", b"gXYZ"), (b"gXYZ", b"rXYZ")):
        swapped[at[tag] + 4 : at[tag] + 12] = profile[at[other] + 4 : at[other] + 12]
    image = Image.new("RGB", (32, 32), (200, 40, 40))
    data = pictures.clean_jpeg(sample.encode(image, "PNG", icc_profile=bytes(swapped)), 400, quality=95)
    red, green, _ = opened(data).getpixel((16, 16))  # type: ignore[misc]
    assert green > 150
    assert red < 90
    assert "icc_profile" not in opened(data).info


@pytest.mark.parametrize("profile", [b"", b"nonsense", b"\0" * 200])
def test_a_broken_profile_is_passed_over(profile: bytes) -> None:
    data = sample.encode(Image.new("RGB", (32, 32), (200, 40, 40)), "PNG", icc_profile=profile)
    assert opened(pictures.clean_jpeg(data, 400)).size == (32, 32)


@pytest.mark.parametrize(
    ("mode", "kind"),
    [
        *((mode, "PNG") for mode in ("L", "P", "RGBA", "LA", "1")),
        ("CMYK", "JPEG"),
        ("RGB", "WEBP"),
        ("RGB", "TIFF"),
    ],
)
def test_every_kind_of_picture_becomes_a_jpeg(mode: str, kind: str) -> None:
    image = Image.new("RGB", (40, 30), (128, 128, 128)).convert(mode)
    shown = opened(pictures.clean_jpeg(sample.encode(image, kind), 400))
    assert (shown.format, shown.mode, shown.size) == ("JPEG", "RGB", (40, 30))


def test_sixteen_bits_are_scaled_not_cut() -> None:
    image = Image.fromarray(np.full((20, 20), 30_000, np.uint16))
    value = opened(pictures.clean_jpeg(sample.encode(image, "PNG"), 400)).getpixel((5, 5))
    assert value == pytest.approx((117, 117, 117), abs=2)


def test_a_heic_photo_is_cleaned_too() -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    buffer = io.BytesIO()
    pillow_heif.from_pillow(sample.draw((320, 240))).save(buffer, exif=sample.telling_exif().tobytes())
    assert sample.OWNER.encode() in buffer.getvalue()
    data = pictures.clean_jpeg(buffer.getvalue(), 400)
    assert opened(data).size == (320, 240)
    assert exif_tags(data) == {}
    assert not any(secret in data for secret in SECRETS)


def test_a_large_photo_is_reduced_and_a_small_one_left() -> None:
    data, size = pictures.clean_jpeg_and_size(sample.encode(sample.draw((2000, 1500))), 500)
    assert (opened(data).size, size) == ((500, 375), (2000, 1500))
    assert opened(pictures.clean_jpeg(sample.encode(sample.draw((300, 200))), 500)).size == (300, 200)


def png_bomb(width: int, height: int) -> bytes:
    """Return a PNG of a few bytes that says it has very many pixels."""
    header = width.to_bytes(4, "big") + height.to_bytes(4, "big") + b"\x08\x02\0\0\0"

    def chunk(name: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")

    pixels = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"not a picture",
        png_bomb(60_000, 60_000),
        png_bomb(300_000_000, 1),
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(/etc/passwd) run\n",
        b"GIF89a\x01\0\x01\0\0\0\0;",
        sample.encode(sample.draw((300, 200)))[:2000],
    ],
    ids=["empty", "text", "bomb", "long bomb", "svg", "postscript", "gif", "cut off"],
)
def test_what_is_no_photo_is_refused_quietly(data: bytes) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(PictureUnreadable):
            pictures.clean_jpeg(data, 400)
        with pytest.raises(PictureUnreadable):
            pictures.check_whole(data)


def test_pillows_own_limit_is_as_it_was() -> None:
    before = Image.MAX_IMAGE_PIXELS
    pictures.thumbnail(sample.encode(sample.draw((300, 200))))
    assert before == Image.MAX_IMAGE_PIXELS


def test_bytes_made_to_hurt_never_do_more_than_fail() -> None:
    """Two hundred photos with a few bytes changed at random."""
    rng = np.random.default_rng(7)
    whole = sample.telling_jpeg((160, 120))
    for _ in range(200):
        broken = bytearray(whole)
        for place in rng.integers(0, len(broken), size=4):
            broken[place] = rng.integers(0, 256)
        try:
            data = pictures.clean_jpeg(bytes(broken), 200)
        except PictureUnreadable:
            continue
        assert exif_tags(data) == {}
