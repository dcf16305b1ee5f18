"""Which two rings of a photograph are the edge of a tube and the girdle of the stone that lies on it.

Either may be fainter than something else: the foot of the wall, a chamfer, a ring of facets. A pair is worth what both
show together: where the stone's girdle is taken for the tube, there is no good girdle inside of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.height import GirdleHeights, Height, girdle_on_tube
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.outline import RoundEdge
from rimsight.vision.rim_edges import Found, faint_outer_edge, girdle_on_face
from rimsight.vision.tube_edges import SMALLEST_OUTER_SHARE, Scored

FloatArray = NDArray[np.float64]

#: Where neither bore nor wall was typed: the ledge under the stone is 0.2 to 0.6 mm (common practice, no source).
DEFAULT_LEDGE_MM, DEFAULT_LEDGE_U_MM = 0.4, 0.13
#: A pair is taken at once when both edges show this well.
CLEAR_TUBE_MERIT, CLEAR_STONE_MERIT = 0.8, 1.0
#: A pair's score is the girdle's merit times this power of the tube's: chosen, with the two below, on 102 rendered
#: stones on tubes (63 right pairs before, 71 after). The power is low because a polished lip on white paper hardly
#: shows.
TUBE_POWER = 0.3
#: The pair with the outermost clear edge keeps its place unless another has this many times its score.
FIRST_SHARE = 1.5
#: A stone whose pavilion dips into the bore centres itself: an offset of this share of the tube's diameter halves the
#: score.
OFFSET_SHARE = 0.1
#: A girdle located this near to its height need not be looked for again, millimetres.
NEAR_HEIGHT_MM = 0.12
#: Edges of less merit are not considered for the tube beside the first; below the second figure they raise doubt only:
#: at 0.4 the foot of a gold wall was taken for the end of a tube that the stone hides.
SMALLEST_TUBE_MERIT, TAKEN_TUBE_MERIT = 0.25, 0.5
#: An edge of this merit and of the tube's size (within so many pixels) with another centre (further off than this) may
#: be the face, and the tube's edge the outline of face and foot in one: the centre is in doubt then.
SHIFTED_MERIT, SHIFTED_SIZE_PX, SHIFTED_FROM_PX = 0.35, 2.5, 3.0
#: So many edges beside the first are tried, and a faint one: each costs a search for a girdle.
MOST_OTHERS = 2
#: A tube's edge that only a search for faint ones found may be another ring, so far away in radius, pixels.
FAINT_GAP_PX = 3.0
#: Another pair makes the reading doubtful from this share of the best one's score on.
RIVAL_SHARE = 0.6


@dataclass(frozen=True)
class Seating:
    """What is known of how the stone sits.

    Parameters
    ----------
    top : Height
        Height of the tube's end.
    bore, wall : uncertainties.UFloat or None
        Typed bore or wall of the tube, millimetres.
    girdle_above : Height or None
        Typed height of the girdle above the tube's end.
    """

    top: Height
    bore: UFloat | None
    wall: UFloat | None
    girdle_above: Height | None

    def heights(self, stone_mm: float, outer_mm: float) -> GirdleHeights:
        """Heights of the girdle of a stone of that diameter."""
        return girdle_on_tube(stone_mm, self.seat_mm(stone_mm, outer_mm), self.top, self.girdle_above)

    @property
    def known(self) -> bool:
        """Whether anything typed says how high the girdle stands above the tube's end."""
        return self.bore is not None or self.wall is not None or self.girdle_above is not None

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader should know of it."""
        unknown = "the ledge under the stone is not known: type --bore or --wall to place the girdle better"
        return () if self.known else (unknown,)

    def u_above_mm(self, heights: GirdleHeights) -> float:
        """Standard uncertainty of the girdle's height above the tube's end."""
        return heights.u_mm if self.known else float(np.hypot(heights.u_mm, DEFAULT_LEDGE_U_MM))

    def seat_mm(self, stone_mm: float, outer_mm: float) -> float:
        """Diameter on which a stone of that diameter or width rests: the bore, or what a usual ledge leaves."""
        bore = self.bore_mm(outer_mm)
        return stone_mm - 2.0 * DEFAULT_LEDGE_MM if bore is None else float(bore.nominal_value)

    def bore_mm(self, outer_mm: float | UFloat) -> UFloat | None:
        """The bore, if it or the wall was typed."""
        if self.bore is None and self.wall is not None:
            return outer_mm - 2 * self.wall
        return self.bore

    def smallest_stone_mm(self, outer_mm: float) -> float:
        """Diameter below which a stone would fall into the bore; 0 where the bore isn't known."""
        bore = self.bore_mm(outer_mm)
        return 0.0 if bore is None else bore.nominal_value - 2.0 * bore.std_dev


@dataclass(frozen=True)
class Pair:
    """A tube's edge and the girdle inside of it.

    Parameters
    ----------
    tube : RoundEdge
        The tube's edge.
    found : Found or None
        The girdle; None where no ring inside is convincing.
    heights : GirdleHeights
        Heights of the girdle that were used.
    score : float
        How well both show together.
    tube_gap_px, stone_gap_px : float
        Distance in radius to the edges of other pairs that would do nearly as well, pixels.
    tube_shift_px : float
        Distance of the tube's centre to that of another edge of its size that shows well, pixels.
    """

    tube: RoundEdge
    found: Found | None
    heights: GirdleHeights
    score: float
    tube_gap_px: float = 0.0
    stone_gap_px: float = 0.0
    tube_shift_px: float = 0.0


def choose_pair(
    image: LightImage,
    calibration: Calibration,
    edges: list[Scored],
    first: Scored,
    seating: Seating,
    radius_mm: float,
    blur_px: float,
) -> Pair:
    """Find the edge of a tube and the girdle of a stone on it.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    edges : list of Scored
        Rings in the plane of the tube's end.
    first : Scored
        The one that is the tube's by itself.
    seating : Seating
        What is known of how the stone sits.
    radius_mm : float
        Rough outer radius of what lies there.
    blur_px : float
        Blur, pixels.
    """
    best = _pair(image, calibration, first, seating, blur_px)
    if first.merit >= CLEAR_TUBE_MERIT and best.found is not None and best.found.merit >= CLEAR_STONE_MERIT:
        return replace(best, tube_shift_px=_shift_px(best.tube, edges))
    others = [
        item
        for item in edges
        if item is not first
        and item.merit >= SMALLEST_TUBE_MERIT
        and item.edge.circle.radius >= SMALLEST_OUTER_SHARE * radius_mm
    ][:MOST_OTHERS]
    faint = faint_outer_edge(image, calibration.view, first.edge, seating.top.mm, blur_px)
    if faint is not None:
        others.append(Scored(faint.merit, faint))
    pairs = [best, *(_pair(image, calibration, item, seating, blur_px) for item in others)]
    scores = [best.score * FIRST_SHARE, *(pair.score for pair in pairs[1:])]
    taken = [True, *(item.merit >= TAKEN_TUBE_MERIT for item in others)]
    leading = int(np.argmax(np.where(taken, scores, -1.0)))
    chosen = pairs[leading]
    if chosen.found is None:
        return best
    rivals = [
        pair
        for pair, score in zip(pairs, scores, strict=True)
        if pair is not chosen and pair.found is not None and score > RIVAL_SHARE * scores[leading]
    ]
    gaps = [_gap_px(pair.tube, chosen.tube) for pair in rivals]
    if chosen.tube is faint:
        gaps.append(FAINT_GAP_PX)
    return replace(
        chosen,
        tube_gap_px=max(gaps, default=0.0),
        stone_gap_px=max((_gap_px(pair.found.edge, chosen.found.edge) for pair in rivals if pair.found), default=0.0),
        tube_shift_px=_shift_px(chosen.tube, edges),
    )


def _shift_px(tube: RoundEdge, edges: list[Scored]) -> float:
    """Distance of the centre to that of the furthest clear edge of the same size, pixels; 0 when there is none."""
    scale = tube.px_per_mm
    shifts = [
        float(np.hypot(*(item.edge.circle.centre - tube.circle.centre))) * scale
        for item in edges
        if item.merit >= SHIFTED_MERIT and abs(item.edge.circle.radius - tube.circle.radius) * scale < SHIFTED_SIZE_PX
    ]
    return max((shift for shift in shifts if shift > SHIFTED_FROM_PX), default=0.0)


def _gap_px(edge: RoundEdge, other: RoundEdge) -> float:
    gap = abs(edge.circle.radius - other.circle.radius) * other.px_per_mm
    # Nearer than half a pixel they are one edge, seen twice.
    return gap if gap > 0.5 else 0.0


def _pair(image: LightImage, calibration: Calibration, tube: Scored, seating: Seating, blur_px: float) -> Pair:
    """The girdle inside a tube's edge, in two rounds: its heights depend on its size."""
    edge = tube.edge
    heights = seating.heights(0.92 * edge.diameter_mm, edge.diameter_mm)
    found = None
    for _ in range(2):
        found = girdle_on_face(
            image, calibration.view, edge, heights, blur_px, smallest_mm=seating.smallest_stone_mm(edge.diameter_mm)
        )
        if found is None:
            return Pair(edge, None, heights, 0.0)
        before, heights = heights, seating.heights(found.edge.diameter_mm, edge.diameter_mm)
        if abs(heights.mean_mm - before.mean_mm) < NEAR_HEIGHT_MM:
            break  # seen at 10 degrees the ring moves by less than a pixel; the circle is fitted at the new height
    assert found is not None
    seen = found.edge.refit(calibration.view, edge.heights)
    offset = float(np.hypot(*(seen.centre - edge.circle.centre))) / (OFFSET_SHARE * edge.diameter_mm)
    return Pair(edge, found, heights, found.merit * tube.merit**TUBE_POWER / (1.0 + offset**2))
