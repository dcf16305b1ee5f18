"""A check-up as a picture: each photo's reading with its interval about the part's figure.

Told apart by shape as well as by colour: an interval that holds the figure has a filled dot, one that misses it has a
cross.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from PIL import ImageDraw

    from rimsight.calibration.edge_bias import Outcome

SIZE = (1600, 900)
LEFT, RIGHT, TOP, BOTTOM = 190, 60, 150, 150
#: Rough number of marks on the scale.
MARKS = 10


def plot(outcome: Outcome, format: Literal["png", "jpg"]) -> bytes:
    """Draw a check-up.

    Parameters
    ----------
    outcome : Outcome
        What came of it.
    format : {"png", "jpg"}
        Of the picture.

    Returns
    -------
    bytes
        The picture's file.
    """
    from PIL import Image, ImageDraw

    from rimsight.vision.overlay_colour import BAD, FAINT, GOOD, INK, PAPER
    from rimsight.vision.overlay_ink import font

    image = Image.new("RGB", SIZE, PAPER)
    pen = ImageDraw.Draw(image)
    figure, n = outcome.diameter_mm, len(outcome.trials)
    ends = [abs(trial.value_mm - figure) + trial.u95_mm for trial in outcome.trials]
    reach = 1.12 * max(*ends, outcome.u95_diameter_mm, abs(outcome.bias_mm) + outcome.u95_bias_mm)
    height = SIZE[1] - TOP - BOTTOM

    def y(off_mm: float) -> float:
        return TOP + height * (0.5 - 0.5 * off_mm / reach)

    placings = list(dict.fromkeys(trial.placing for trial in outcome.trials))
    step = (SIZE[0] - LEFT - RIGHT) / (n + len(placings) - 1)
    right = SIZE[0] - RIGHT
    pen.rectangle((LEFT, y(outcome.u95_diameter_mm), right, y(-outcome.u95_diameter_mm)), fill=(222, 226, 230))
    _scale(pen, reach, y)
    pen.line((LEFT, y(0.0), right, y(0.0)), fill=INK, width=3)
    small, normal, large = font(24), font(28), font(36, bold=True)
    title = f"{n} photos of a part of {figure:g} \N{PLUS-MINUS SIGN} {outcome.u95_diameter_mm:g} mm"
    pen.text((LEFT, 36), title, fill=INK, font=large)
    told = (
        f"bias {outcome.bias_mm:+.4f} \N{PLUS-MINUS SIGN} {outcome.u95_bias_mm:.4f} mm (dashed)   "
        f"s_r {outcome.spread.s_r:.4f}   s_L {outcome.spread.s_l:.4f} mm   {outcome.held} of {n} intervals hold"
    )
    pen.text((LEFT, 92), told, fill=INK, font=normal)
    for dash in range(LEFT, right, 28):
        pen.line((dash, y(outcome.bias_mm), min(dash + 14, right), y(outcome.bias_mm)), fill=FAINT, width=3)
    x = LEFT + 0.5 * step
    for placing in placings:
        begun = x
        for trial in (one for one in outcome.trials if one.placing == placing):
            off = trial.value_mm - figure
            holds = abs(off) <= trial.u95_mm
            _bar(pen, x, y(off), y(off - trial.u95_mm), y(off + trial.u95_mm), GOOD if holds else BAD, holds)
            x += step
        middle = (begun + x - step) / 2
        shown = placing if len(placing) <= 18 else placing[:17] + "\N{HORIZONTAL ELLIPSIS}"
        pen.line((begun - 12, SIZE[1] - BOTTOM + 18, x - step + 12, SIZE[1] - BOTTOM + 18), fill=FAINT, width=3)
        pen.text((middle, SIZE[1] - BOTTOM + 46), shown, fill=INK, font=small, anchor="mm")
        x += step
    legend = "dot: the interval (95 %) holds the figure   cross: it does not   grey band: the figure's own uncertainty"
    pen.text((LEFT, SIZE[1] - 52), legend, fill=INK, font=small)
    pen.text((24, TOP - 40), "off by, mm", fill=INK, font=small)
    buffer = io.BytesIO()
    image.save(buffer, "PNG" if format == "png" else "JPEG", quality=92)
    return buffer.getvalue()


def _scale(pen: ImageDraw.ImageDraw, reach: float, y: Callable[[float], float]) -> None:
    import math

    from rimsight.vision.overlay_colour import FAINT, INK
    from rimsight.vision.overlay_ink import font

    rough = 2 * reach / MARKS
    power = 10.0 ** math.floor(math.log10(rough))
    unit = next(power * nice for nice in (1, 2, 5, 10) if power * nice >= rough)
    decimals = max(0, -math.floor(math.log10(unit)))
    count = math.floor(reach / unit)
    for k in range(-count, count + 1):
        pen.line((LEFT - 10, y(k * unit), SIZE[0] - RIGHT, y(k * unit)), fill=FAINT if k else INK, width=1)
        pen.text(
            (LEFT - 20, y(k * unit)), f"{k * unit:+.{decimals}f}" if k else "0", fill=INK, font=font(24), anchor="rm"
        )


def _bar(
    pen: ImageDraw.ImageDraw, x: float, at: float, low: float, high: float, colour: tuple[int, int, int], holds: bool
) -> None:
    pen.line((x, low, x, high), fill=colour, width=4)
    for end in (low, high):
        pen.line((x - 11, end, x + 11, end), fill=colour, width=4)
    if holds:
        pen.ellipse((x - 10, at - 10, x + 10, at + 10), fill=colour)
    else:
        pen.line((x - 12, at - 12, x + 12, at + 12), fill=colour, width=6)
        pen.line((x - 12, at + 12, x + 12, at - 12), fill=colour, width=6)
