"""Projective maps between two planes, for starting values: the measuring itself goes through `View`."""

from __future__ import annotations

import cv2
import numpy as np

from rimsight.calibration.pixels import FloatArray


def homography(from_points: FloatArray, to_points: FloatArray) -> FloatArray:
    """Projective map (3, 3) that takes four points (4, 2) to four others."""
    return np.asarray(
        cv2.getPerspectiveTransform(from_points.astype(np.float32), to_points.astype(np.float32)), dtype=np.float64
    )


def apply_homography(matrix: FloatArray, xy: FloatArray) -> FloatArray:
    """Map points (N, 2) by a projective map (3, 3)."""
    xy = np.asarray(xy, dtype=np.float64)
    mapped = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:3])
