"""The rim coloured by its width, and the arrow at its smallest place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from rimsight.vision.overlay_colour import INK, width_colours
from rimsight.vision.overlay_frame import Frame
from rimsight.vision.overlay_ink import Ink, along, at_length
from rimsight.vision.overlay_model import RimBand

FloatArray = NDArray[np.float64]

#: The photo shows through a little, so that the metal under the colour is still seen.
OPACITY = 0.8
OPACITY_PLAIN = 0.62
#: Stripes under the limit: width, period and slant along the rim, 1/1600 of the picture's width.
STRIPE, PERIOD, SLANT = 8.0, 20.0, 10.0
STRIPE_OPACITY = 0.88
#: A rim that is narrower on the picture is drawn this wide: under the limit wide enough to show on both sides of the
#: outlines, which tell the true edges. Else the worst rims would be the ones that are not seen.
LEAST_SHOWN, LEAST_SHOWN_UNDER = 9.0, 24.0
#: Neighbours further apart than this many usual steps have a gap between them where nothing was measured.
GAP_STEPS = 8.0


class ShownRim:
    """A rim band in panel pixels.

    Parameters
    ----------
    band : RimBand
        The measured band.
    frame : Frame
        The part of the photo that is shown.
    unit : float
        Pixels per 1/1600 of the picture's width.
    """

    def __init__(self, band: RimBand, frame: Frame, unit: float) -> None:
        self.band = band
        self.unit = unit
        inner, outer = frame.place(band.inner_px), frame.place(band.outer_px)
        width = np.asarray(band.width_mm, dtype=np.float64)
        middle = 0.5 * (inner + outer)
        follow = np.roll(np.arange(len(middle)), -1)
        step = np.hypot(*(middle[follow] - middle).T) if len(middle) else np.zeros(0)
        usual = float(np.nanmedian(step)) if np.isfinite(step).any() else 0.0
        sound = np.isfinite(middle).all(axis=1) & np.isfinite(width)
        under = width < band.limit_mm if band.limit_mm is not None else np.zeros(len(width), dtype=bool)
        least = np.where(under, LEAST_SHOWN_UNDER, LEAST_SHOWN)
        self.inner, self.outer = _at_least(inner, outer, middle, least * unit)
        self.joined = sound & sound[follow] & (step <= GAP_STEPS * usual)
        if len(middle) < 3:
            self.joined[:] = False
        self.follow = follow
        self.width = 0.5 * (width + width[follow])

    def quads(self) -> list[FloatArray]:
        """The coloured pieces, (4, 2) each."""
        return [
            np.vstack([self.inner[k], self.inner[self.follow[k]], self.outer[self.follow[k]], self.outer[k]])
            for k in np.flatnonzero(self.joined)
        ]

    def stripes(self) -> list[FloatArray]:
        """The dark stripes where the rim is under the limit: slanted pieces that follow the rim's own course.

        Stripes of one direction all over the picture would vanish where a narrow rim runs along them.
        """
        limit = self.band.limit_mm
        if limit is None:
            return []
        stripes: list[FloatArray] = []
        for run in _runs(self.joined & (self.width < limit)):
            round_trip = run[0] == run[-1]
            # Once more round, so that stripes at the end of a whole ring run on over its beginning.
            laps = np.concatenate([run, run[1:]]) if round_trip else run
            inner, outer = self.inner[laps], self.outer[laps]
            _, length = along(0.5 * (inner + outer))
            total = float(length[len(run) - 1])
            last = float(length[-1])
            on, slant, period = STRIPE * self.unit, SLANT * self.unit, PERIOD * self.unit
            if round_trip:
                count = max(1, round(total / period))
                starts = np.arange(count) * (total / count)
            else:
                starts = np.arange(-slant, total, period)
            for start in starts:
                near = np.clip(np.linspace(start, start + on, 3), 0.0, last)
                far = np.clip(np.linspace(start + slant, start + slant + on, 3), 0.0, last)
                piece = np.vstack([at_length(inner, length, near), at_length(outer, length, far)[::-1]])
                if np.ptp(near) > 0.0 or np.ptp(far) > 0.0:
                    stripes.append(piece)
        return stripes

    def draw(self, ink: Ink) -> None:
        """Draw the colours and the stripes."""
        quads = self.quads()
        masked = ink.mask_of(quads)
        if masked is None:
            return
        mask, (x, y) = masked
        colours = Image.new("RGB", mask.size, INK)
        pen = ImageDraw.Draw(colours)
        codes = width_colours(self.band.width_mm, self.band.limit_mm)
        mean = width_colours(self.width, self.band.limit_mm) if self.band.limit_mm is not None else codes
        for quad, colour in zip(quads, mean[self.joined], strict=True):
            shape = [(float(px), float(py)) for px, py in quad - (x, y)]
            code = (int(colour[0]), int(colour[1]), int(colour[2]))
            # Drawn larger than it is; the mask cuts it to size, so that no seams and no dark fringe arise.
            pen.polygon(shape, fill=code)
            pen.line([*shape, shape[0]], fill=code, width=5)
        opacity = OPACITY_PLAIN if self.band.limit_mm is None else OPACITY
        ink.picture.paste(colours, (x, y), mask.point([round(level * opacity) for level in range(256)]))
        ink.fill(self.stripes(), INK, opacity=STRIPE_OPACITY)

    def smallest(self) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Inner and outer end of the rim at its smallest place, and the unit vector outwards; None if not known."""
        if not len(self.inner):
            return None
        k = self.band.smallest_index
        if self.band.smallest_text is None and not np.isfinite(self.band.width_mm[k]):
            return None
        inner, outer = self.inner[k], self.outer[k]
        outward = outer - inner
        size = float(np.hypot(*outward))
        if not (np.isfinite(size) and size > 0.0):
            return None
        outward = outward / size
        # Where the stone stands over the metal the ends change places; outwards is still away from the middle.
        if float(outward @ (outer - np.nanmean(self.inner, axis=0))) < 0.0:
            return outer, inner, -outward
        return inner, outer, outward

    def text(self) -> str:
        """Return the arrow's words."""
        band = self.band
        if band.smallest_text is not None:
            return band.smallest_text
        width = float(band.width_mm[band.smallest_index])
        # Two decimals, three where they are needed to tell the width from the limit.
        close = band.limit_mm is not None and width != band.limit_mm and f"{width:.2f}" == f"{band.limit_mm:.2f}"
        figure = f"{width:.3f}" if close else f"{width:.2f}"
        return f"{band.name} {figure.replace('-', '−')} mm"


def _at_least(
    inner: FloatArray, outer: FloatArray, middle: FloatArray, least: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Both edges, moved apart where they are closer than `least`."""
    across = outer - inner
    size = np.hypot(across[:, 0], across[:, 1])
    ahead = np.roll(middle, -1, axis=0) - np.roll(middle, 1, axis=0)
    side = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    length = np.maximum(np.hypot(side[:, 0], side[:, 1]), 1e-9)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        direction = np.where(size[:, None] > 1e-6, across / np.maximum(size, 1e-9)[:, None], side / length)
        narrow = (size < least)[:, None]
    half = 0.5 * least[:, None] * direction
    return np.where(narrow, middle - half, inner), np.where(narrow, middle + half, outer)


def _runs(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Point indices of each unbroken run of pieces, round the end of the list too."""
    count = len(flags)
    if not flags.any():
        return []
    if flags.all():
        return [np.append(np.arange(count), 0)]
    starts = np.flatnonzero(flags & ~np.roll(flags, 1))
    runs = []
    for start in starts:
        stop = int(start)
        while flags[stop % count]:
            stop += 1
        runs.append(np.arange(start, stop + 1) % count)
    return runs
