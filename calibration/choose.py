"""Which square in the photograph is the reference, or why there is none."""

from __future__ import annotations

import cv2
import numpy as np

from rimsight.calibration.card import LAYOUTS, MARKER_DICTIONARY, CardLayout
from rimsight.calibration.detect import Identified, Quad, find_quads, identify
from rimsight.calibration.errors import SeveralSquares, SquareCutOff, SquareNotFound
from rimsight.calibration.homography import apply_homography
from rimsight.calibration.pixels import FloatArray, LightImage

#: Longer side of the reduced copy in which markers are searched for when no frame is seen as a whole, pixels.
MARKER_SEARCH_PX = 1600

ADVICE_CUT = "go further away or aim so that the whole black frame and both small markers are in the picture"


def own_card(light: LightImage) -> Identified:
    """Find the program's own card.

    Raises
    ------
    SquareNotFound, SeveralSquares, SquareCutOff, MirrorImage
        There is no card, or more than one, or it is not whole, or the photograph is mirrored.
    """
    quads = find_quads(light)
    whole = [quad for quad in quads if not quad.cut_off and quad.hollow]
    cards = [identified for quad in whole if (identified := identify(light, quad)) is not None]
    if any(card.oriented for card in cards):
        cards = [card for card in cards if card.oriented]
    if not cards:
        # Something lies across the frame, or a shadow: its outline is no quadrilateral, but the markers may be seen.
        cards = _from_markers(light)
    if len(cards) == 1:
        return cards[0]
    if cards:
        raise SeveralSquares(f"{len(cards)} cards are in the picture", "one", "cover the others or come closer")
    if any(quad.cut_off for quad in quads):
        raise SquareCutOff("a dark square is cut off by the picture's edge", "the whole frame in view", ADVICE_CUT)
    plain = any(not quad.hollow for quad in quads)
    raise SquareNotFound(
        "no reference card was found" + (", but a plain dark square was" if plain else ""),
        "the printed card (rimsight card) in the picture, its black frame whole, flat and evenly lit",
        "give the side of a plain square with --square-side" if plain else "photograph the stone on the printed card",
    )


def _from_markers(light: LightImage) -> list[Identified]:
    """Cards whose markers are seen, their frames where they must lie by the markers."""
    factor = max(1, round(max(light.width_px, light.height_px) / MARKER_SEARCH_PX))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    parameters = cv2.aruco.DetectorParameters()
    # The frame is five times as large as a marker: whole pixels would put its far corners 3 mm off.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found, ids = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(light.reduced_gray(factor))[:2]
    seen = [
        (int(marker_id), (np.asarray(corners, dtype=np.float64).reshape(4, 2) + 0.5) * factor - 0.5)
        for corners, marker_id in zip(found, [] if ids is None else np.asarray(ids).reshape(-1), strict=True)
    ]
    cards = []
    for card in LAYOUTS.values():
        own = [(marker_id, corners) for marker_id, corners in seen if marker_id in card.marker_ids]
        if len(own) > len({marker_id for marker_id, _ in own}):
            raise SeveralSquares(
                "the same marker is in the picture more than once", "one card", "cover the others or come closer"
            )
        if own:
            cards.append(_by_markers(light, card, own))
    return cards


def _by_markers(light: LightImage, card: CardLayout, own: list[tuple[int, FloatArray]]) -> Identified:
    from_mm = np.concatenate([card.marker_corners_mm[marker_id] for marker_id, _ in own])
    matrix = cv2.findHomography(from_mm, np.concatenate([corners for _, corners in own]))[0]
    frame = apply_homography(np.asarray(matrix, dtype=np.float64), card.outer_corners_mm)
    if (frame < 0).any() or (frame > (light.width_px - 1, light.height_px - 1)).any():
        raise SquareCutOff("the black frame runs out of the picture", "the whole frame in view", ADVICE_CUT)
    return Identified(card, frame, oriented=True, rough=True)


def plain_square(light: LightImage, near_px: tuple[float, float] | None) -> Quad:
    """Find a plain black square: the largest, or the one nearest to a point.

    Raises
    ------
    SquareNotFound, SeveralSquares, SquareCutOff
        There is no square, or several of about the same size, or it is not whole.
    """
    quads = find_quads(light)
    whole = [quad for quad in quads if not quad.cut_off and not quad.from_hole]
    # A frame is no plain square, unless there is nothing else (a glossy tile that mirrors a lamp has a light patch).
    whole = [quad for quad in whole if not quad.hollow] or whole
    if not whole:
        if quads:
            raise SquareCutOff("the square runs out of the picture", "the whole square in view", "go further away")
        raise SquareNotFound(
            "no dark square was found", "a black square on a light ground", "put the square flat beside the stone"
        )
    if near_px is not None:
        return min(whole, key=lambda quad: float(np.linalg.norm(quad.centre_px - np.array(near_px))))
    largest = whole[0]
    rivals = [quad for quad in whole[1:] if quad.side_px > 0.6 * largest.side_px]
    if rivals:
        raise SeveralSquares(
            f"{len(rivals) + 1} dark squares of about the same size are in the picture", "one", "cover the others"
        )
    return largest
