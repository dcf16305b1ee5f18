"""A tube's end in several photographs: which edge is the outside, on drawn ends whose sizes are known exactly."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.vision.candidates import Candidate
from rimsight.vision.several_edges import Known, Shot, share_left
from rimsight.vision.several_rings import LevelRing, level_rings
from rimsight.vision.several_tube import tube_end
from rimsight.vision.stone import OutlineUnclear
from tests.synthetic import look

FloatArray = NDArray[np.float64]
Colour = tuple[float, float, float]

#: Millimetres: outside and bore of a tube's end, height of it.
OUTER, BORE, HEIGHT = 1.6, 0.9, 6.0
SIZE = (130, 130)
#: Linear light of the same luminance (0.2126, 0.7152, 0.0722 of ITU-R BT.709).
PAPER: Colour = (0.55, 0.55, 0.55)
GOLD: Colour = (0.68, 0.54, 0.27)
VIEWS = [
    look(tilt_deg=tilt, azimuth_deg=azimuth, f_px=2400.0, size=SIZE, aim_mm=aim)
    for tilt, azimuth, aim in ((3.0, 200.0, (-0.3, -0.1)), (12.0, 60.0, (0.6, 1.0)))
]


def photo(view: View, metal: Colour, seed: int) -> LightImage:
    """A tube's end and nothing else: circles filled by OpenCV at 8 times the size, then blurred, with noise."""
    factor = 8
    angle = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    fine = np.full((SIZE[1] * factor, SIZE[0] * factor, 3), PAPER)
    for radius, light in ((OUTER, metal), (BORE, (0.03, 0.02, 0.01))):
        edge = view.to_pixels(radius * np.column_stack([np.cos(angle), np.sin(angle)]), HEIGHT)
        points = np.round(((edge + 0.5) * factor - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(fine, [points], light, shift=4)
    small = cv2.GaussianBlur(cv2.resize(fine, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.9)
    small += np.random.default_rng(seed).normal(0.0, 0.004, small.shape)
    return LightImage(np.round(encode_srgb(np.clip(small, 0.0, 1.0)) * 65535.0).astype(np.uint16))


def shots(metal: Colour, seen_mm: float) -> list[Shot]:
    """Two photographs; from afar something of this radius is seen."""
    found = []
    for k, view in enumerate(VIEWS):
        place = view.to_plane(view.to_pixels(np.zeros((1, 2)), HEIGHT), 0.0)[0]
        calibration: Any = SimpleNamespace(view=view, blur_px=0.9, px_per_mm=15.0, spread=None, overshoot_share=0.0)
        candidate = Candidate((float(place[0]), float(place[1])), seen_mm, 1.0, True, False)
        found.append(Shot(f"{k}", photo(view, metal, k), calibration, None, 0, candidate))  # type: ignore[arg-type]
    return found


def test_a_faint_outside_is_not_given_up_for_the_bore(monkeypatch: pytest.MonkeyPatch) -> None:
    # As light as the paper, gold shows by its colour only; from afar the bore was taken for all of it. Which edges are
    # meant is tested; telling them from chamfers takes long and has its own tests.
    monkeypatch.setattr("rimsight.vision.several_tube.common_face", lambda *_, **__: None)
    monkeypatch.setattr("rimsight.vision.several_tube.level_rings", without_outside)
    both_are_found(GOLD)


def test_an_outside_that_neither_search_brings_up_is_looked_for_round_a_ring_without_a_bore(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The dark bore of a rendered silver tube, its wall 1.1 mm, hid all else: 1.88 mm was read for 4.07, stated 0.01.
    monkeypatch.setattr("rimsight.vision.several_tube.common_face", lambda *_, **__: None)
    monkeypatch.setattr("rimsight.vision.several_tube.level_rings", without_outside)
    monkeypatch.setattr("rimsight.vision.several_tube._others", lambda *_: [])
    both_are_found(GOLD)


def without_outside(*a: Any, **named: Any) -> list[LevelRing]:
    """In a rendered gold tube the search at one height lost the outside, which single photographs did show."""
    return [ring for ring in level_rings(*a, **named) if ring.radius_mm < 0.5 * (OUTER + BORE)]


def both_are_found(metal: Colour) -> None:
    for own in tube_end(shots(metal, BORE), Known()).edges:
        assert own["outer"].edge.circle.radius == pytest.approx(OUTER, abs=0.04)
        assert own["bore"].edge.circle.radius == pytest.approx(BORE, abs=0.03)


def test_a_bore_without_an_outside_is_refused() -> None:
    # Metal and paper are one light and one colour but for a shade: nothing tells where the tube ends.
    with pytest.raises(OutlineUnclear):
        tube_end(shots((0.56, 0.55, 0.54), BORE), Known())


@pytest.mark.parametrize(("shown", "left"), [(0.2, 1.0), (0.3, 1.0), (0.5, 0.775), (0.7, 0.55), (0.95, 0.55)])
def test_an_edge_that_shows_on_little_of_its_round_keeps_its_doubt(shown: float, left: float) -> None:
    """A white tube's edge on white paper, seen on 0.36 of its round, was read 0.061 mm small, stated 0.029."""
    assert share_left("outer", shown) == pytest.approx(left)
