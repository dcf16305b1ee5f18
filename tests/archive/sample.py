"""Invented photos and results to keep: drawn, never measured; no person, brand or place in them is real."""

from __future__ import annotations

import io
import math
import random
from pathlib import Path
from typing import Any

from PIL import Image, ImageCms, ImageDraw

from rimsight.archive.records import Labels, Measured

OWNER = "Ottilie Sampleowner"
SERIAL = "SN-0123456789-SECRET"
COMMENT = b"shot at the bench of Ottilie Sampleowner"
#: Degrees, minutes, seconds of a spot in the open Atlantic.
POSITION = {1: "N", 2: (12.0, 34.0, 56.78), 3: "W", 4: (34.0, 56.0, 12.34)}


def draw(size: tuple[int, int] = (1200, 900), *, seed: int = 0) -> Image.Image:
    """Draw a stone lying on a tube inside a black square, as seen from above."""
    rng = random.Random(seed)
    width, height = size
    image = Image.new("RGB", size, (214, 208, 198))
    pen = ImageDraw.Draw(image)
    cx, cy, unit = width / 2, height / 2, height / 100
    pen.rectangle((cx - 42 * unit, cy - 42 * unit, cx + 42 * unit, cy + 42 * unit), fill=(30, 28, 28))
    pen.rectangle((cx - 37 * unit, cy - 37 * unit, cx + 37 * unit, cy + 37 * unit), fill=(246, 244, 240))
    pen.ellipse((cx - 24 * unit, cy - 24 * unit, cx + 24 * unit, cy + 24 * unit), fill=(196, 168, 96))
    hue = rng.choice([(58, 96, 170), (160, 44, 70), (52, 128, 92), (120, 90, 160)])
    pen.ellipse((cx - 20 * unit, cy - 20 * unit, cx + 20 * unit, cy + 20 * unit), fill=hue)
    for step in range(16):
        angle = math.tau * step / 16
        tip = (cx + 20 * unit * math.cos(angle), cy + 20 * unit * math.sin(angle))
        pen.line((cx, cy, *tip), fill=tuple(min(255, part + 70) for part in hue), width=max(1, int(unit / 3)))
    pen.ellipse((cx - 10 * unit, cy - 10 * unit, cx + 10 * unit, cy + 10 * unit), outline=(235, 235, 245), width=2)
    return image


def mark(image: Image.Image) -> Image.Image:
    """Draw outlines on a photo, as a measuring command would."""
    marked = image.copy()
    pen = ImageDraw.Draw(marked)
    width, height = marked.size
    cx, cy, unit = width / 2, height / 2, height / 100
    for radius, colour in ((24, (0, 114, 178)), (20, (230, 159, 0))):
        box = (cx - radius * unit, cy - radius * unit, cx + radius * unit, cy + radius * unit)
        pen.ellipse(box, outline=colour, width=max(3, int(unit / 2)))
    pen.line((cx - 24 * unit, cy + 30 * unit, cx + 24 * unit, cy + 30 * unit), fill=(0, 114, 178), width=3)
    pen.text((cx, cy + 33 * unit), "6.12 mm", fill=(0, 0, 0), anchor="mm", font_size=max(12, int(3 * unit)))
    return marked


def encode(image: Image.Image, kind: str = "JPEG", **options: Any) -> bytes:
    """Return an image as a file."""
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def telling_exif(orientation: int = 1) -> Image.Exif:
    """Return EXIF with all that must not leave the house."""
    exif = Image.Exif()
    exif[0x010F] = "Imaginary Cameras"
    exif[0x0110] = "Model Zero"
    exif[0x0112] = orientation
    exif[0x013B] = OWNER  # Artist
    exif[0x8298] = OWNER  # Copyright
    exif[0x9C9D] = (OWNER + "\0").encode("utf-16-le")  # XPAuthor
    inside = exif.get_ifd(0x8769)
    inside[0xA430] = OWNER  # CameraOwnerName
    inside[0xA431] = SERIAL  # BodySerialNumber
    inside[0xA435] = SERIAL  # LensSerialNumber
    inside[0x9286] = b"ASCII\0\0\0" + OWNER.encode()  # UserComment
    position = exif.get_ifd(0x8825)
    for tag, value in POSITION.items():
        position[tag] = value
    return exif


def telling_jpeg(size: tuple[int, int] = (1200, 900), *, orientation: int = 1, seed: int = 0) -> bytes:
    """Return a photo that tells everything: position, serial numbers, owner, small picture, comment, profile."""
    image = draw(size, seed=seed)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = encode(
        image,
        quality=90,
        exif=telling_exif(orientation).tobytes(),
        icc_profile=profile.replace(b"sRGB", b"OWNR"),
        comment=COMMENT,
        xmp=f"<x:xmpmeta xmlns:x='adobe:ns:meta/'><dc:creator>{OWNER}</dc:creator></x:xmpmeta>".encode(),
    )
    return with_exif_thumbnail(data, encode(Image.new("RGB", (160, 120), (255, 0, 255)), quality=60))


def with_exif_thumbnail(jpeg: bytes, small: bytes) -> bytes:
    """Return a JPEG whose EXIF holds a small picture (IFD1, EXIF 2.32 section 4.5.5), which Pillow can't write."""
    start = jpeg.index(b"Exif\0\0") + 6
    length = int.from_bytes(jpeg[start - 8 : start - 6], "big")
    tiff = bytearray(jpeg[start : start - 8 + length])
    order = "little" if tiff[:2] == b"II" else "big"

    def number(value: int, size: int) -> bytes:
        return value.to_bytes(size, order)  # type: ignore[arg-type]

    first = int.from_bytes(tiff[4:8], order)  # type: ignore[arg-type]
    link = first + 2 + 12 * int.from_bytes(tiff[first : first + 2], order)  # type: ignore[arg-type]
    place = len(tiff)
    tiff[link : link + 4] = number(place, 4)
    entries = (  # compression JPEG, where it is, how long it is
        (0x0103, 3, number(6, 2) + b"\0\0"),
        (0x0201, 4, number(place + 42, 4)),
        (0x0202, 4, number(len(small), 4)),
    )
    tiff += number(3, 2)
    for tag, form, value in entries:
        tiff += number(tag, 2) + number(form, 2) + number(1, 4) + value
    tiff += number(0, 4) + small
    segment = b"Exif\0\0" + bytes(tiff)
    return jpeg[: start - 8] + (len(segment) + 2).to_bytes(2, "big") + segment + jpeg[start - 8 + length :]


def quantity(value: float, u95: float) -> dict[str, Any]:
    """Return a measured quantity as the measuring commands print it."""
    return {"value": value, "u95": u95, "budget": {"print scale": u95 / 4, "edge": u95 / 3}}


def rim_result(
    stone: float = 6.124, tube: float = 7.012, *, verdict: str = "adequate", photo: str = "IMG_0001.jpg"
) -> dict[str, Any]:
    """Return what measuring a stone on a tube prints."""
    rim = (tube - stone) / 2
    return {
        "schema": "rimsight/1",
        "photo": photo,
        "card": {"name": "bench card", "side_mm": 60, "checked": True},
        "scale": {"px_per_mm": 33.1, "tilt_deg": 2.4, "camera_distance_mm": 210.0},
        "warnings": [],
        "stone": {
            "diameter_mm": quantity(stone, 0.012),
            "smallest_mm": quantity(stone - 0.021, 0.014),
            "largest_mm": quantity(stone + 0.019, 0.014),
        },
        "tube": {
            "outer_diameter_mm": quantity(tube, 0.016),
            "bore_diameter_mm": quantity(tube - 1.3, 0.024),
            "wall_mm": quantity(0.65, 0.012),
        },
        "rim": {
            "centred_mm": quantity(rim, 0.009),
            "smallest_mm": quantity(rim - 0.07, 0.011),
            "smallest_at_clock": 4.5,
            "mean_mm": quantity(rim + 0.001, 0.009),
            "offset_mm": quantity(0.071, 0.010),
        },
        "verdict": verdict,
        "reasons": [f"rim when centred {rim:.2f} mm, at least 0.30 mm wanted"],
    }


def parcel_result(count: int = 5) -> dict[str, Any]:
    """Return what measuring a parcel prints: a list of stones."""
    stones = [{"diameter_mm": quantity(2.0 + 0.1 * number, 0.011)} for number in range(count)]
    return {"schema": "rimsight/1", "photo": "parcel.jpg", "card": {"side_mm": 30}, "warnings": [], "stones": stones}


def rim(seed: int = 0, **result: Any) -> tuple[bytes, Measured]:
    """Return a small photo with a reading of it."""
    image = draw((320, 240), seed=seed)
    photo = encode(image, quality=80, comment=f"seed {seed}".encode())
    measured = Measured(
        kind="rim",
        result=rim_result(**result),
        inputs={"height_mm": 5.0, "card": "bench card"},
        program="0.1.0",
        overlay=encode(mark(image), "PNG"),
        camera={"name": "Model Zero", "focal_px": 3300.0},
    )
    return photo, measured


def labels(**changes: Any) -> Labels:
    """Return labels of an invented job."""
    return Labels(
        **{
            "job": "M-104",
            "stone": "blue spinel",
            "tube": "7.0 x 5.7",
            "metal": "18k yellow",
            "note": "Cushion bezel asked for first, then tube.",
            "tags": ("ring",),
        }
        | changes
    )


def write(path: Path, data: bytes) -> Path:
    """Write bytes to a file and return its path."""
    path.write_bytes(data)
    return path
