"""Clock positions follow what is seen, whichever way the card lies."""

from __future__ import annotations

import numpy as np
import pytest

from rimsight.cli.values import clock_text
from rimsight.vision.clock import clock_in_photo
from tests.synthetic import look


@pytest.mark.parametrize("roll_deg", [0.0, 30.0, 90.0, 180.0, 275.0])
@pytest.mark.parametrize("hours", [0.5, 3.0, 4.5, 9.25, 12.0])
def test_against_the_projection(roll_deg: float, hours: float) -> None:
    """A point is put where the clock says, in pixels, and mapped back to the card."""
    view = look(tilt_deg=8.0, roll_deg=roll_deg)
    turn = np.radians(30.0 * hours)
    start = view.to_pixels(np.array([[3.0, -2.0]]), 5.0)
    end = view.to_plane(start + 2.0 * np.array([[np.sin(turn), -np.cos(turn)]]), 5.0)[0]
    direction = (end - (3.0, -2.0)) / np.linalg.norm(end - (3.0, -2.0))
    found = clock_in_photo(view, (3.0, -2.0), (float(direction[0]), float(direction[1])), 5.0)
    assert abs((found - hours + 6.0) % 12.0 - 6.0) < 0.01
    assert 0.0 < found <= 12.0


def test_words() -> None:
    assert clock_text(clock_in_photo(look(tilt_deg=0.0, roll_deg=0.0), (0.0, 0.0), (1.0, 0.0), 0.0)) == "3:00"


def test_no_direction() -> None:
    with pytest.raises(ValueError, match="points nowhere"):
        clock_in_photo(look(), (0.0, 0.0), (0.0, 0.0), 0.0)
