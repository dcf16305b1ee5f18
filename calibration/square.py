"""Reading the reference square: from a photograph to a calibration in true millimetres, or a clear refusal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration import band, pose
from rimsight.calibration.camera import View
from rimsight.calibration.card import CardLayout
from rimsight.calibration.choose import ADVICE_CUT, own_card, plain_square
from rimsight.calibration.errors import (
    Blurred,
    BurntOut,
    CardNotFlat,
    SquareCovered,
    SquareCutOff,
    TooOblique,
    TooSmall,
)
from rimsight.calibration.homography import apply_homography, homography
from rimsight.calibration.pixels import FloatArray, LightImage
from rimsight.calibration.print_check import UNCHECKED_HALF_WIDTH, PrintCheck
from rimsight.calibration.spread import EdgeSpread, measure_spread

#: Corners of a square, top left first, clockwise as printed.
UNIT_SQUARE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
#: Beyond this the far edge of a stone hides behind it and heights act several times their size.
LARGEST_TILT_DEG = 35.0
#: Below this a rim of 0.15 mm is one pixel wide.
SMALLEST_PX_PER_MM = 6.0
#: Blur (standard deviation) beyond which a rim's two edges melt into one.
LARGEST_BLUR_MM = 0.16
#: Edge points that lie further from straight sides than this (root mean square; the larger of both limits) belong to a
#: bent card or a warped picture. Real prints photographed by others stay below 0.13 px.
LARGEST_CROOKED_PX, LARGEST_CROOKED_MM = 1.0, 0.06
#: More than this share of the paper at the top of the scale: the light on the paper's side is not known.
LARGEST_CLIPPED = 0.5
#: Each side of the square must show at least this share of its edge.
SMALLEST_FOUND = 0.45
#: A side with more than this share of its surroundings outside of the photograph is cut off, not covered.
LARGEST_OUTSIDE = 0.2
#: A plain square's edge is located with an unknown bias: black prints measured 0.1 to 0.35 px per edge too small
#: on real photographs; taken as the standard uncertainty of one edge.
PLAIN_EDGE_U_PX = 0.2


@dataclass(frozen=True)
class Reference:
    """What the square is.

    Parameters
    ----------
    name : str
        Name of the card's record, or "card-60", "plain square".
    side_mm : float
        Nominal side: of the midline for a card, of the outer edge for a plain square.
    checked : bool
        The print was checked with a rule or calipers (for a plain square: its side was typed).
    scale_across, scale_down : float
        True size over nominal size.
    u_scale : float
        Relative standard uncertainty of each.
    oriented : bool
        It is known which way round the square lies.
    plain : bool
        A plain square without a midline.
    """

    name: str
    side_mm: float
    checked: bool
    scale_across: float
    scale_down: float
    u_scale: float
    oriented: bool
    plain: bool


@dataclass(frozen=True)
class Calibration:
    """The photograph's geometry in true millimetres.

    Parameters
    ----------
    view : View
        Camera and pose; its millimetres are true (print scale applied).
    variants : tuple of (str, View)
        Views moved by one standard uncertainty each; the name is the budget's component.
    reference : Reference
        The square that was read.
    stage_mm : float
        Half the side of the clear region inside the frame; for a plain square, half its outer side.
    blur_px, blur_spread_px : float
        Gaussian-equivalent blur of the square's edges, and how much it differs between sides.
    white, black : float
        Light of paper and print, linear, 0 to 1.
    clipped : float
        Share of the paper at the top of the scale.
    straightness_px : float
        Root mean square distance of the edge points from the solved square's sides.
    band_excess_mm : float
        How much wider the black band reads than it should be (ink spread and glare); NaN for a plain square.
    u_rel_f : float
        Relative standard uncertainty of the focal length after the reading.
    focal_source : str
        Where the focal length comes from.
    edges : band.SquareEdges or None
        The edge points that it rests on.
    kept : ndarray of shape (N,), bool, or None
        Those of them that agree with the square.
    u_proportion : float
        Standard uncertainty of the logarithm of (scale across / scale down) before the photograph was read.
    spread : EdgeSpread or None
        How a sharp step of light looks in the photograph; None where only the blur is known.
    """

    view: View
    variants: tuple[tuple[str, View], ...]
    reference: Reference
    stage_mm: float
    blur_px: float
    blur_spread_px: float
    white: float
    black: float
    clipped: float
    straightness_px: float
    band_excess_mm: float
    u_rel_f: float
    focal_source: str
    edges: band.SquareEdges | None = None
    kept: NDArray[np.bool_] | None = None
    u_proportion: float = 0.0
    spread: EdgeSpread | None = None

    @property
    def px_per_mm(self) -> float:
        """Scale at the card's centre, pixels per millimetre."""
        return self.view.px_per_mm()

    @property
    def overshoot_share(self) -> float:
        """How far sharpened light overshoots beyond a step, share of the step; 0 where that isn't known."""
        return 0.0 if self.spread is None else self.spread.overshoot_share


def read_square(
    light: LightImage,
    prior: pose.Prior,
    *,
    check: PrintCheck | dict[float, PrintCheck] | None = None,
    square_side_mm: float | None = None,
    u_square_side_mm: float = 0.02 / 3**0.5,
    near_px: tuple[float, float] | None = None,
) -> Calibration:
    """Read the reference square, or refuse a photograph that is not good enough to measure on.

    Parameters
    ----------
    light : LightImage
        The photograph.
    prior : pose.Prior
        What is known of the camera.
    check : PrintCheck or mapping of side to PrintCheck, optional
        The measured check lines of the card; with a mapping the one of the card that is found is used.
    square_side_mm : float, optional
        Side of a plain black square (outer edges), instead of the program's own card.
    u_square_side_mm : float
        Standard uncertainty of that side; default that of a caliper (DIN 862, 0.02 mm).
    near_px : tuple of 2 floats, optional
        Of several plain squares, take the one whose centre is nearest to this point.

    Returns
    -------
    Calibration

    Raises
    ------
    PhotoError
        One of its kinds, when the photograph does not allow it.
    """
    calibration = calibrate(
        light,
        prior,
        check=check,
        square_side_mm=square_side_mm,
        u_square_side_mm=u_square_side_mm,
        near_px=near_px,
    )
    refuse_poor(calibration)
    return calibration


def calibrate(
    light: LightImage,
    prior: pose.Prior,
    *,
    check: PrintCheck | dict[float, PrintCheck] | None = None,
    square_side_mm: float | None = None,
    u_square_side_mm: float = 0.02 / 3**0.5,
    near_px: tuple[float, float] | None = None,
) -> Calibration:
    """Read the reference square as `read_square` does, however small, oblique or blurred it is."""
    if square_side_mm is None:
        found = own_card(light)
        card: CardLayout | None = found.card
        to_px = homography(found.card.outer_corners_mm, found.corners_px)
        edges = band.locate(light, to_px, found.card.side_mm, found.card.band_mm)
        if found.rough:
            edges, to_px = _located_again(light, edges, to_px, found.card, prior)
        _refuse_unusable(edges, rough=found.rough)
        side, stage = found.card.side_mm, found.card.inner_mm / 2
        reference, u_proportion = _card_reference(found.card, check, found.oriented)
    else:
        if not square_side_mm > 0:
            raise ValueError(f"the side of the square must be above zero, not {square_side_mm:g} mm")
        card, side, stage = None, square_side_mm, square_side_mm / 2
        to_px = homography(UNIT_SQUARE * stage, plain_square(light, near_px).corners_px)
        edges = band.locate(light, to_px, side, None)
        _refuse_unusable(edges)
        reference, u_proportion = _plain_reference(side, u_square_side_mm, to_px)
    half_mm = (side / 2 * reference.scale_across, side / 2 * reference.scale_down)
    solution = pose.solve(edges, apply_homography(to_px, UNIT_SQUARE * (side / 2)), half_mm, prior, u_proportion)
    view = solution.view
    # Both directions together; what they differ by is among the solution's variants.
    stretched = _scaled(view, 1.0 + reference.u_scale / (1.0 if reference.plain else 2**0.5))
    mean_scale = 0.5 * (reference.scale_across + reference.scale_down)
    return Calibration(
        view=view,
        variants=(("print scale" if not reference.plain else "square", stretched), *solution.variants),
        reference=reference,
        stage_mm=stage * mean_scale,
        blur_px=edges.blur_px,
        blur_spread_px=edges.blur_spread_px,
        white=edges.white,
        black=edges.black,
        clipped=edges.clipped,
        straightness_px=float(np.sqrt(np.mean(solution.residual_px[solution.kept] ** 2))),
        band_excess_mm=_band_excess_mm(edges, solution, card.band_mm * mean_scale) if card else float("nan"),
        u_rel_f=solution.u_rel_f,
        focal_source=prior.source,
        edges=edges,
        kept=solution.kept,
        u_proportion=u_proportion,
        spread=measure_spread(light, edges),
    )


def refuse_poor(calibration: Calibration, *, largest_tilt_deg: float = LARGEST_TILT_DEG) -> None:
    """Refuse a photograph that is too oblique, too small, crooked or too blurred to measure on.

    Raises
    ------
    TooOblique, TooSmall, CardNotFlat, Blurred
    """
    view = calibration.view
    if view.tilt_deg > largest_tilt_deg:
        raise TooOblique(
            f"the camera looks at the card {view.tilt_deg:.0f} degrees from the side",
            f"at most {largest_tilt_deg:.0f} degrees, best under 8",
            "hold the phone flat above the stone, its screen level with the table",
        )
    if view.px_per_mm() < SMALLEST_PX_PER_MM:
        raise TooSmall(
            f"one millimetre is only {view.px_per_mm():.1f} pixels",
            f"at least {SMALLEST_PX_PER_MM:.0f}, better 25",
            "come closer, or use the 30 mm card",
        )
    crooked_px = calibration.straightness_px
    if crooked_px > max(LARGEST_CROOKED_PX, LARGEST_CROOKED_MM * view.px_per_mm()):
        raise CardNotFlat(
            f"the sides of the square are not straight: {crooked_px:.1f} px off, root mean square",
            "a card that lies flat, in a picture that no app has warped or stitched",
            "press the card flat (a sheet of glass, or tape at its corners) and use the phone's plain photo mode",
        )
    blur_mm = calibration.blur_px / view.px_per_mm()
    if not blur_mm < LARGEST_BLUR_MM:
        raise Blurred(
            f"the edges of the square are smeared over {blur_mm:.2f} mm (standard deviation)",
            f"less than {LARGEST_BLUR_MM:.2f} mm",
            "tap on the square to focus, hold still or lean the phone on something, use more light",
        )


def _band_excess_mm(edges: band.SquareEdges, solution: pose.Solution, band_mm: float) -> float:
    """How much wider the band is seen than it was printed, through the solved lens and pose."""
    outer, inner = (solution.view.to_plane(points) for points in edges.edge_px)
    width = np.sum((outer - inner) * band.NORMALS[edges.side], axis=1)
    return float(np.median(width[solution.kept])) - band_mm


def _scaled(view: View, factor: float) -> View:
    x, y, z = view.t_mm
    return View(view.camera, view.rvec, (x * factor, y * factor, z * factor))


def _located_again(
    light: LightImage, edges: band.SquareEdges, to_px: FloatArray, card: CardLayout, prior: pose.Prior
) -> tuple[band.SquareEdges, FloatArray]:
    """Edges from a better start than the markers give: the pose that the edges found so far have."""
    for _ in range(3):
        if np.sum(edges.found > 0.0) < 3:
            break
        half = card.side_mm / 2
        solution = pose.solve(edges, apply_homography(to_px, UNIT_SQUARE * half), (half, half), prior, 0.01)
        to_px = homography(UNIT_SQUARE * half, solution.view.to_pixels(UNIT_SQUARE * half))
        edges = band.locate(light, to_px, card.side_mm, card.band_mm)
    return edges, to_px


def _card_reference(
    card: CardLayout, check: PrintCheck | dict[float, PrintCheck] | None, oriented: bool
) -> tuple[Reference, float]:
    """The reference and the standard uncertainty of log(scale across / scale down)."""
    record = check.get(card.side_mm) if isinstance(check, dict) else check
    if record is not None and record.side_mm != card.side_mm:
        raise ValueError(
            f"the record {record.name!r} is of a {record.side_mm:g} mm card, "
            f"but the photo shows one of {card.side_mm:g} mm"
        )
    if record is None:
        u = UNCHECKED_HALF_WIDTH / 3**0.5
        return Reference(f"card-{card.side_mm:g}", card.side_mm, False, 1.0, 1.0, u, oriented, False), 2**0.5 * u
    across, down, u = record.scale_across, record.scale_down, record.u_scale
    u_proportion = 2**0.5 * u
    if not oriented:
        # Which line is which is not known: take the mean, and let the square itself decide the proportion.
        u_proportion = float(np.hypot(u_proportion, abs(np.log(across / down))))
        across = down = (across * down) ** 0.5
    return Reference(record.name, card.side_mm, True, across, down, u, oriented, False), u_proportion


def _plain_reference(side_mm: float, u_side_mm: float, to_px: FloatArray) -> tuple[Reference, float]:
    """The reference and the standard uncertainty of log(one side / the other)."""
    px_per_mm = float(np.sqrt(abs(np.linalg.det(to_px[:2, :2] / to_px[2, 2]))))
    u_scale = float(np.hypot(u_side_mm, 2.0 * PLAIN_EDGE_U_PX / px_per_mm)) / side_mm
    # The edge bias is the same on all four sides; only the typed side's own error differs between directions.
    return Reference("plain square", side_mm, True, 1.0, 1.0, u_scale, False, True), 2**0.5 * u_side_mm / side_mm


def _refuse_unusable(edges: band.SquareEdges, *, rough: bool = False) -> None:
    poorest = float(edges.found.min())
    if poorest < SMALLEST_FOUND:
        if edges.outside[int(edges.found.argmin())] > LARGEST_OUTSIDE:
            raise SquareCutOff(
                "the black frame touches the picture's edge",
                "the whole frame with a little white round it in view",
                ADVICE_CUT,
            )
        if edges.found.max() < SMALLEST_FOUND and rough:
            raise SquareCovered(
                "a marker of the card is there, but the black frame is hardly seen",
                "all four sides of the frame in view",
                "move whatever lies on the frame (stone, tube, finger, a hard shadow) and photograph again",
            )
        if edges.found.max() < SMALLEST_FOUND:
            raise Blurred(
                "the square's edges are too faint or too blurred to be located",
                "a sharp photo with the black frame clearly darker than the paper",
                "tap on the square to focus and use more light",
            )
        names = ("top", "right", "bottom", "left")
        raise SquareCovered(
            f"the {names[int(edges.found.argmin())]} side of the square shows only {100 * poorest:.0f} % of its edge",
            f"at least {100 * SMALLEST_FOUND:.0f} % of each side",
            "move whatever lies on the black frame (stone, tube, finger, a hard shadow) inside it",
        )
    if edges.clipped > LARGEST_CLIPPED:
        raise BurntOut(
            f"{100 * edges.clipped:.0f} % of the paper round the square is burnt out to pure white",
            f"less than {100 * LARGEST_CLIPPED:.0f} %",
            "tap on the paper so that the camera exposes for it, or turn the exposure down",
        )
