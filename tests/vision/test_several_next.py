"""Where one more photograph is best taken from: what it is said to give is what it gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.several import measure_several
from rimsight.vision import several_figures
from rimsight.vision.several import Common
from rimsight.vision.several_edges import Known
from rimsight.vision.several_next import next_photo, with_clear_edges
from tests.synthetic import Disc, Scene, write_photo, write_two

#: A matte tube's end in the air, millimetres.
OUTER, BORE, HEIGHT, X, Y = 5.0, 3.4, 6.3, 3.0, -2.0
LINES = {"check_lines": "150,150"}
SCENE = Scene(things=(Disc(X, Y, OUTER / 2, HEIGHT, 0.3), Disc(X, Y, BORE / 2, HEIGHT, 0.05)))


@pytest.fixture(scope="module")
def near(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two photographs 25 mm apart, without EXIF."""
    return write_two(tmp_path_factory.mktemp("near"), SCENE)


def solved(paths: list[Path]) -> Common:
    """The photographs' common solution."""
    found: list[Common] = []
    real = several_figures.figures

    def keep(kind: str, common: Common, known: Known) -> several_figures.SeveralReading:
        found.append(common)
        return real(kind, common, known)

    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("RIMSIGHT_HOME", str(paths[0].parent / "home"))
        patched.setattr(several_figures, "figures", keep)
        measure_several(read_inputs("tube", LINES), paths)
    return found[-1]


@pytest.fixture(scope="module")
def common(near: list[Path]) -> Common:
    return solved(near)


def test_one_more_photo_gives_what_was_promised(near: list[Path], common: Common) -> None:
    now = common.solved.u("top")
    step = next_photo("tube", common, Known(), [0.7 * now])
    assert step is not None
    assert step.u_mm <= 0.7 * now
    places = [view.position_mm for view in common.solved.views]
    # Beyond one of both, away from the other, not between them nor back.
    assert np.linalg.norm(step.view.position_mm - places[step.beyond]) == pytest.approx(step.move_mm, rel=1e-6)
    apart = np.linalg.norm(step.view.position_mm - places[1 - step.beyond])
    assert apart > 0.95 * (step.move_mm + np.linalg.norm(places[0] - places[1]))
    third = near[0].parent / "three.png"
    write_photo(third, step.view, SCENE)
    after = solved([*near, third]).solved
    assert after.u("top") == pytest.approx(step.u_mm, rel=0.25)
    assert after.heights["top"] == pytest.approx(HEIGHT, abs=2.0 * after.u("top"))


def test_nothing_is_promised_that_no_place_gives(common: Common) -> None:
    assert next_photo("tube", common, Known(), [1e-4]) is None
    # A second wish is looked at where the first can't be had.
    assert next_photo("tube", common, Known(), [1e-4, 0.7 * common.solved.u("top")]) is not None


def test_clear_edges_tell_more(common: Common) -> None:
    assert with_clear_edges("tube", common, Known(), 10.0).u("top") == pytest.approx(common.solved.u("top"), rel=0.05)
    assert with_clear_edges("tube", common, Known(), 0.01).u("top") < 0.9 * common.solved.u("top")
