"""What of a parcel's things is given a size."""

from __future__ import annotations

import numpy as np
import pytest

from rimsight.vision.candidates import Candidate
from rimsight.vision.parcel import is_part
from tests.synthetic import look

THING = Candidate((4.0, -3.0), 1.0, 0.9, True, False)


@pytest.mark.parametrize(("aside_mm", "part"), [(0.0, False), (0.3, False), (0.8, True)])
def test_a_circle_beside_the_middle_is_a_part(aside_mm: float, part: bool) -> None:
    """Seen at 12 degrees a girdle 2 mm up appears 0.4 mm aside of what lies there: that alone is no offset."""
    view = look(tilt_deg=12.0, azimuth_deg=200.0)
    height_mm = 2.0
    seen = view.to_plane(view.to_pixels(np.array([THING.centre_mm]), 0.0), height_mm)[0]
    assert np.hypot(*(seen - THING.centre_mm)) > 0.25
    assert is_part(view, THING, (float(seen[0]) + aside_mm, float(seen[1])), height_mm) is part
