"""Colour profiles: bring every photo to values coded with the sRGB curve.

What matters for measuring is the CURVE: an edge lies where the light is half way, so the decoding must be right.
The primaries only weigh the three channels against each other and do not move an edge. Therefore a profile whose
curve is sRGB's (sRGB itself, Display P3, the default of many phones) leaves the codes as they are, exactly and at
no cost; the profile travels along so that a copy of the picture can be shown in its right colours. Any other
profile is converted to sRGB, relative colorimetric.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from rimsight.calibration.pixels import decode_srgb, encode_srgb

Codes: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16]
FloatArray = NDArray[np.float64]

#: Largest difference in linear light at which a curve counts as sRGB's: about one 8-bit step near white.
SAME_CURVE = 0.005
#: Largest difference of a primary (XYZ, D50) at which the primaries count as sRGB's.
SAME_PRIMARIES = 0.005
#: sRGB primaries adapted to D50, one column each for R, G, B: ICC's sRGB profile (IEC 61966-2-1, Bradford).
SRGB_TO_XYZ_D50 = np.array([[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]])
#: PNG's gAMA of an ordinary picture, 1/2.2, and how far from it a file may be to count as ordinary.
PNG_GAMMA, PNG_GAMMA_SLACK = 0.45455, 0.02

_HEADER = struct.Struct(">I12x4s4s12x4s")  # size, data space, connection space, 'acsp' (ICC.1:2022, 7.2)


class BrokenProfile(ValueError):
    """The profile can't be read or does not fit the picture."""


@dataclass(frozen=True)
class Colour:
    """How the codes of a picture become sRGB-coded ones.

    Parameters
    ----------
    name : str
        The colour space of the codes after `convert`, in words.
    profile : bytes or None
        The ICC profile of the codes after `convert`, where they are not plain sRGB.
    convert : callable or None
        Takes a strip (h, w), (h, w, 3) or CMYK (h, w, 4) and returns sRGB-coded (h, w) or (h, w, 3);
        None where the codes stay as they are.
    """

    name: str
    profile: bytes | None = None
    convert: Callable[[Codes], Codes] | None = None


def colour_of(profile: bytes | None, channels: int, dtype: Any, *, gamma: float | None = None) -> tuple[Colour, str]:
    """Decide what a profile means for the codes.

    Parameters
    ----------
    profile : bytes or None
        ICC profile of the file.
    channels : int
        1 grey, 3 R G B, 4 C M Y K.
    dtype : numpy dtype
        uint8 or uint16.
    gamma : float, optional
        PNG's gAMA entry; used only where there is no profile.

    Returns
    -------
    colour : Colour
        What to do.
    warning : str
        Empty unless the profile is broken; the picture is then taken as sRGB.
    """
    levels = 256 if dtype == np.uint8 else 65536
    warning = ""
    if profile:
        try:
            return _from_profile(profile, channels, levels), ""
        except (BrokenProfile, ImageCms.PyCMSError, struct.error, OSError) as failure:
            warning = f"the colour profile is unusable and was ignored ({str(failure).strip() or 'damaged'})"
    if channels == 4:
        note = "ink colours (CMYK) without a usable profile were converted by the plain formula"
        return Colour("sRGB (from CMYK)", convert=_plain_cmyk), warning or note
    if not profile and gamma and gamma > 0.0 and abs(gamma - PNG_GAMMA) > PNG_GAMMA_SLACK:
        light = np.linspace(0.0, 1.0, levels) ** (1.0 / gamma)
        return Colour(f"sRGB (from gamma {gamma:.3g})", convert=_table_step(encode_srgb(light), levels)), warning
    return Colour("sRGB"), warning


def _from_profile(profile: bytes, channels: int, levels: int) -> Colour:
    if len(profile) < 132:
        raise BrokenProfile("too short")
    size, space, connection, magic = _HEADER.unpack_from(profile)
    if magic != b"acsp" or size > len(profile):
        raise BrokenProfile("no ICC profile or cut short")
    if {b"GRAY": 1, b"RGB ": 3, b"CMYK": 4}.get(space) != channels:
        raise BrokenProfile(f"made for {space.decode('latin-1').strip() or 'nothing'}, not for this picture")
    tags = _tags(profile)
    name = _description(profile)
    if channels == 1:
        if b"kTRC" not in tags:
            raise BrokenProfile("no grey curve")
        light = _curve(tags[b"kTRC"], levels)
        if _is_srgb_curve(light):
            return Colour("sRGB")
        return Colour(f"sRGB (from {name})", convert=_table_step(encode_srgb(light), levels))
    if channels == 3 and not any(tag.startswith(b"A2B") for tag in tags) and connection == b"XYZ ":
        curves = np.stack([_curve(_need(tags, tag), levels) for tag in (b"rTRC", b"gTRC", b"bTRC")])
        primaries = np.stack([_xyz(_need(tags, tag)) for tag in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
        if all(_is_srgb_curve(curve) for curve in curves):
            if np.abs(primaries - SRGB_TO_XYZ_D50).max() < SAME_PRIMARIES:
                return Colour("sRGB")
            return Colour(name, profile=profile)
        if levels > 256:
            return Colour(f"sRGB (from {name})", convert=_matrix_step(curves, primaries))
    elif levels > 256:
        raise BrokenProfile("a table profile can't be applied to 16-bit codes")
    return Colour(f"sRGB (from {name})", convert=_cms_step(profile, "CMYK" if channels == 4 else "RGB"))


def _tags(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", profile, 128)
    if count > 200:
        raise BrokenProfile("damaged tag table")
    tags = {}
    for index in range(count):
        name, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        tags[name] = profile[offset : offset + size]
    return tags


def _need(tags: dict[bytes, bytes], name: bytes) -> bytes:
    if name not in tags:
        raise BrokenProfile(f"no {name.decode('latin-1')}")
    return tags[name]


def _xyz(tag: bytes) -> FloatArray:
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _curve(tag: bytes, levels: int) -> FloatArray:
    """Linear light of each code, from a curveType or parametricCurveType (ICC.1:2022, 10.6 and 10.18)."""
    x = np.linspace(0.0, 1.0, levels)
    if tag[:4] == b"curv":
        light = _points_curve(tag, x)
    elif tag[:4] == b"para":
        with np.errstate(over="ignore", invalid="ignore"):  # damaged parameters; judged below
            light = _formula_curve(tag, x)
    else:
        raise BrokenProfile("unknown kind of curve")
    # Pieces of a formula with rounded constants may meet with a tiny step down.
    if not np.isfinite(light).all() or np.any(np.diff(light) < -1e-4) or light[-1] - light[0] < 0.5:
        raise BrokenProfile("a curve that does not rise from dark to bright")
    return np.clip(light, 0.0, 1.0)


def _points_curve(tag: bytes, x: FloatArray) -> FloatArray:
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return x
    if len(tag) < 12 + 2 * count:
        raise BrokenProfile("curve cut short")
    values = np.frombuffer(tag, ">u2", count, 12)
    if count == 1:
        return np.asarray(x ** (float(values[0]) / 256.0))
    return np.interp(x, np.linspace(0.0, 1.0, count), values / 65535.0)


def _formula_curve(tag: bytes, x: FloatArray) -> FloatArray:
    (form,) = struct.unpack_from(">H", tag, 8)
    counts = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
    if form not in counts:
        raise BrokenProfile("unknown kind of curve")
    given = [value / 65536.0 for value in struct.unpack_from(f">{counts[form]}i", tag, 12)]
    # All forms are (a x + b)^g + e from d on, c x + f below; the short ones leave out parameters.
    g, a, b, c, d, e, f = (given + [0.0] * 7)[:7]
    if form == 0:
        a = 1.0
    elif form in (1, 2):
        d = -b / a if a else 0.0
        e = f = c if form == 2 else 0.0
        c = 0.0
    return np.asarray(np.where(x >= d, np.maximum(a * x + b, 0.0) ** g + e, c * x + f))


def _is_srgb_curve(light: FloatArray) -> bool:
    return bool(np.abs(light - decode_srgb(np.linspace(0.0, 1.0, len(light)))).max() < SAME_CURVE)


def _table_step(coded: FloatArray, levels: int) -> Callable[[Codes], Codes]:
    steps = np.rint(np.clip(coded, 0.0, 1.0) * (levels - 1))
    table: Codes = steps.astype(np.uint8) if levels == 256 else steps.astype(np.uint16)

    def convert(strip: Codes) -> Codes:
        return table[strip]

    return convert


def _matrix_step(curves: FloatArray, primaries: FloatArray) -> Callable[[Codes], Codes]:
    """16-bit RGB of a curve-and-matrix profile to sRGB; Pillow's ImageCms only takes 8 bits."""
    to_srgb = (np.linalg.inv(SRGB_TO_XYZ_D50) @ primaries).astype(np.float32)
    tables = curves.astype(np.float32)
    encode = np.rint(encode_srgb(np.linspace(0.0, 1.0, 65536)) * 65535).astype(np.uint16)
    # The curve is steep near black, where a table over linear light is coarse: 16 steps finer below 1/16.
    encode_dark = np.rint(encode_srgb(np.linspace(0.0, 1.0 / 16.0, 65536)) * 65535).astype(np.uint16)

    def convert(strip: Codes) -> Codes:
        light = np.stack([tables[channel][strip[..., channel]] for channel in range(3)], axis=-1) @ to_srgb.T
        np.clip(light, 0.0, 1.0, out=light)
        steps = np.rint(light * 65535).astype(np.intp)
        dark = np.rint(np.minimum(light * 16.0, 1.0) * 65535).astype(np.intp)
        return np.where(light < 1.0 / 16.0, encode_dark[dark], encode[steps])

    return convert


def _cms_step(profile: bytes, mode: str) -> Callable[[Codes], Codes]:
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        mode,
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )

    def convert(strip: Codes) -> Codes:
        source = Image.frombytes(mode, (strip.shape[1], strip.shape[0]), np.ascontiguousarray(strip).tobytes())
        result = ImageCms.applyTransform(source, transform)
        return np.asarray(result, dtype=np.uint8)

    return convert


def _plain_cmyk(strip: Codes) -> Codes:
    source = Image.frombytes("CMYK", (strip.shape[1], strip.shape[0]), np.ascontiguousarray(strip).tobytes())
    return np.asarray(source.convert("RGB"), dtype=np.uint8)


def _description(profile: bytes) -> str:
    try:
        text = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))
    except (ImageCms.PyCMSError, OSError) as failure:
        raise BrokenProfile("damaged") from failure
    clean = "".join(letter for letter in text if letter.isprintable()).strip()
    return clean[:60] or "an unnamed profile"
