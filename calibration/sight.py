"""What one photograph of the card contributes to a camera profile: the frame's band and the markers' outlines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimsight.calibration import band
from rimsight.calibration.bundle import SeenLines, start_pose
from rimsight.calibration.camera import Camera, View
from rimsight.calibration.card import CardLayout, layout
from rimsight.calibration.errors import SquareCovered
from rimsight.calibration.homography import homography
from rimsight.calibration.orientation import turned_points, turned_size
from rimsight.calibration.pixels import FloatArray, LightImage
from rimsight.calibration.pose import EDGE_U_PX, Prior
from rimsight.calibration.print_check import PrintCheck
from rimsight.calibration.square import UNIT_SQUARE, Calibration, calibrate, refuse_poor

#: A profile wants tilted views; beyond this the far side of the card is out of focus.
LARGEST_TILT_DEG = 50.0
#: Every how many-th profile across a marker's side is used: neighbours there share their pixels.
MARKER_STRIDE = 4
#: Standard uncertainty of a point on a marker's edge, pixels: its bias is taken off with the band's, but not to the
#: last bit.
MARKER_U_PX = 0.16


@dataclass(frozen=True)
class Sight:
    """The card in one photograph, in the frame of the sensor.

    Parameters
    ----------
    name : str
        The photograph.
    calibration : Calibration
        The reading of this photograph alone, in the upright picture.
    seen : SeenLines
        Edges of the band and the markers.
    corners_px, corners_mm : ndarray of shape (4, 2)
        Corners of the frame's midline, where they are seen and where they are.
    size : (int, int)
        Width and height.
    turns : int
        Quarter turns clockwise from the sensor's frame to the upright picture.
    """

    name: str
    calibration: Calibration
    seen: SeenLines
    corners_px: FloatArray
    corners_mm: FloatArray
    size: tuple[int, int]
    turns: int = 0

    def start(self, camera: Camera) -> View:
        """Pose to start from with a camera."""
        return start_pose(self.corners_px, self.corners_mm, camera)


def look_at_card(
    name: str,
    light: LightImage,
    prior: Prior,
    *,
    check: PrintCheck | dict[float, PrintCheck] | None = None,
    turns: int = 0,
) -> Sight:
    """Observe the card in one photograph.

    Parameters
    ----------
    name : str
        The photograph, for reports.
    light : LightImage
        The upright picture.
    prior : Prior
        What is known of the camera; the rest is solved.
    check : PrintCheck or mapping of side to PrintCheck, optional
        The measured check lines.
    turns : int
        Quarter turns clockwise that made the picture upright.

    Raises
    ------
    PhotoError
        No card is seen, or not well enough.
    """
    calibration = calibrate(light, prior, check=check)
    refuse_poor(calibration, largest_tilt_deg=LARGEST_TILT_DEG)
    reference, view, edges = calibration.reference, calibration.view, calibration.edges
    if edges is None or not reference.oriented:
        raise SquareCovered(
            "neither of the card's two small markers can be read, so it could lie in four ways",
            "at least one marker in view",
            "uncover the small black markers above and below the frame",
        )
    card = layout(reference.side_mm)
    scale = np.array([reference.scale_across, reference.scale_down])
    excess_mm = calibration.band_excess_mm / 2.0

    pieces = [_band_lines(edges, card, scale)]
    for corners in card.marker_corners_mm.values():
        piece = _marker_lines(light, view, corners * scale, excess_mm)
        if piece is not None:
            pieces.append(piece)
    size = (light.width_px, light.height_px)
    count = max(piece.edge_px.shape[0] for piece in pieces)
    # One edge counts like two equal ones.
    edge_px = np.concatenate([np.broadcast_to(p.edge_px, (count, *p.edge_px.shape[1:])) for p in pieces], axis=1)
    offsets = np.concatenate([np.broadcast_to(p.offsets_mm, (count, p.offsets_mm.shape[1])) for p in pieces], axis=1)
    turned = turned_points(edge_px.reshape(-1, 2), size, -turns).reshape(edge_px.shape)
    corners_mm = UNIT_SQUARE * (reference.side_mm / 2) * scale
    return Sight(
        name=name,
        calibration=calibration,
        seen=SeenLines(
            turned,
            np.concatenate([p.normals for p in pieces]),
            offsets,
            np.concatenate([p.u_px for p in pieces]),
        ),
        corners_px=turned_points(view.to_pixels(corners_mm), size, -turns),
        corners_mm=corners_mm,
        size=turned_size(size, turns),
        turns=turns,
    )


def _band_lines(edges: band.SquareEdges, card: CardLayout, scale: FloatArray) -> SeenLines:
    normals = band.NORMALS[edges.side]
    half = card.side_mm / 2 * (np.abs(normals) @ scale)
    return SeenLines(
        edges.edge_px, normals, edges.edge_place[:, None] * half, np.full(len(edges.side), EDGE_U_PX)
    )


def _marker_lines(light: LightImage, view: View, corners_mm: FloatArray, excess_mm: float) -> SeenLines | None:
    """Outline of one marker: a plain black square whose edges are off by as much as the band's are."""
    side = float(np.linalg.norm(corners_mm[1] - corners_mm[0]))
    to_px = homography(UNIT_SQUARE * side / 2, view.to_pixels(corners_mm))
    edges = band.locate(light, to_px, side, None)
    if edges.found.min() < 0.7:
        return None
    used = np.arange(0, len(edges.side), MARKER_STRIDE)
    normals = band.NORMALS[edges.side[used]]
    half = 0.5 * np.abs(normals) @ (corners_mm[2] - corners_mm[0])
    offsets = normals @ corners_mm.mean(axis=0) + half + excess_mm
    return SeenLines(edges.edge_px[:, used], normals, offsets[None], np.full(len(used), MARKER_U_PX))
