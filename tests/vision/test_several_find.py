"""The same subject in several photographs: places that some height explains, and none else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.multiview import ANY_HEIGHT_U_MM
from rimsight.calibration.sighting import Solved
from rimsight.vision.candidates import Candidate
from rimsight.vision.several import impossible, impossible_height
from rimsight.vision.several_find import NotInAll, same_subject
from rimsight.vision.subjects import SeveralSubjects, Subject
from tests.synthetic import look

ABOVE, SIDE = look(tilt_deg=3.0, azimuth_deg=200.0), look(tilt_deg=20.0, azimuth_deg=60.0)


@dataclass(frozen=True)
class Geometry:
    """All that is asked of a calibration here."""

    view: View


def on_card(view: View, x_mm: float, y_mm: float, height_mm: float, radius_mm: float = 2.5) -> Subject:
    """A ring at a height, as it is found in the card's plane."""
    x, y = view.to_plane(view.to_pixels(np.array([[x_mm, y_mm]]), height_mm))[0]
    candidate = Candidate((float(x), float(y)), radius_mm, 1.0, True, False)
    return Subject(candidate, candidate.centre_mm, radius_mm)


def same(first: tuple[Subject, ...], second: tuple[Subject, ...], pick: int | None = None) -> list[Candidate]:
    geometry = [Geometry(ABOVE), Geometry(SIDE)]
    return same_subject(["a", "b"], geometry, [first, second], pick, "tube")  # type: ignore[arg-type]


def test_a_tubes_end_is_told_from_its_foot() -> None:
    top = [on_card(view, 4.0, 1.0, 9.0) for view in (ABOVE, SIDE)]
    foot = on_card(SIDE, 4.0, 1.0, 0.0, 2.4)
    assert same((top[0],), (foot, top[1])) == [top[0].candidate, top[1].candidate]
    # Seen twice in both, the higher one is meant.
    both = (on_card(ABOVE, 4.0, 1.0, 0.0, 2.4), top[0])
    assert same(both, (foot, top[1])) == [top[0].candidate, top[1].candidate]


def test_of_two_things_the_picked_one_is_followed() -> None:
    one = [on_card(view, -8.0, 3.0, 5.0) for view in (ABOVE, SIDE)]
    other = [on_card(view, 9.0, -6.0, 5.0) for view in (ABOVE, SIDE)]
    # Numbers count in the first photo; in the second the things may be found in another order.
    assert same((one[0], other[0]), (other[1], one[1]), pick=2) == [other[0].candidate, other[1].candidate]
    with pytest.raises(SeveralSubjects):
        same((one[0], other[0]), (other[1], one[1]))


def test_what_no_height_explains_is_not_the_same() -> None:
    with pytest.raises(NotInAll, match="not there in b"):
        same((on_card(ABOVE, -8.0, 3.0, 5.0),), (on_card(SIDE, 9.0, -6.0, 5.0),))


def solved(girdle_mm: float, u_mm: float = 0.03) -> Solved:
    names = ("girdle", "stone x", "stone y", "stone radius")
    return Solved(
        (ABOVE, SIDE), {"girdle": girdle_mm}, {"stone": np.array([0.0, 0.0, 2.5])}, names,
        {"edge": np.diag([u_mm, 0.01, 0.01, 0.01]) ** 2}, {}, 0.5, (0.01, 0.01),
    )  # fmt: skip


def test_heights_of_girdles_that_cant_be() -> None:
    # Crowns are 0.09 to 0.19 of the diameter (common practice, no source): a 5 mm stone's girdle lies at 0.5 to 1.1 mm.
    assert impossible_height("stone", solved(0.85), 0.0) is None
    found = impossible_height("stone", solved(2.4), 0.0)
    assert found is not None
    assert (found.name, found.height_mm) == ("girdle", 2.4)
    assert "2.40 mm above the table" in impossible("stone", solved(2.4), 0.0).found
    assert impossible_height("stone", solved(0.05), 0.0) is not None
    # A shadow's outline, on the paper but for the doubt of its height.
    assert impossible_height("stone", solved(0.18, u_mm=0.085), 0.0) is not None
    assert impossible_height("stone", solved(0.40, u_mm=0.085), 0.0) is None
    assert impossible_height("stone", solved(0.05), 0.8) is None, "the card lies on a block"
    assert impossible_height("stone", solved(2.4, u_mm=0.5), 0.0) is None, "too uncertain to be impossible"
    assert ANY_HEIGHT_U_MM > 50.0
