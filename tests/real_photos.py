"""Where the photographs by others lie that checks against the real world use; they are not part of this repository."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from rimsight.calibration.pixels import LightImage

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "photos"


def photo_folder(name: str) -> Path:
    """Return the folder of that name, or skip the test."""
    folder = FOLDER / name
    if not folder.is_dir():
        pytest.skip(f"the photographs {name!r} are not here ({folder})")
    return folder


def load(path: Path) -> LightImage:
    """Read a photograph as it is stored, without turning it."""
    codes = cv2.imread(str(path), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    if codes is None:
        pytest.fail(f"{path} can't be decoded")
    return LightImage(np.ascontiguousarray(codes[:, :, ::-1], dtype=np.uint8))
