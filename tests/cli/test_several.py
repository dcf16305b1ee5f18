"""Several photos of one scene on the command line: heights solved, refusals, text, JSON, marked photo, archive."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rimsight.cli.app import main
from rimsight.cli.guidance import guidance
from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.measure_text import text_of
from rimsight.cli.measuring import Measurement, measure
from rimsight.cli.result import result_of
from rimsight.cli.several import DifferentCards, measure_several
from rimsight.cli.several_heights import LARGEST_HEIGHT_U95_MM, BaselineTooShort, HeightUnclear
from rimsight.vision.several import HeightImpossible
from rimsight.vision.several_edges import PhotosDisagree
from tests.synthetic import Disc, PrintedCard, Scene, look, write_photo

PAIRS = Path(__file__).parents[2] / "fixtures" / "pairs"
#: A matte tube's end in a drawn scene: outside, bore and height, millimetres.
OUTER, BORE, HEIGHT, X, Y = 5.0, 3.4, 6.3, 3.0, -2.0
LINES = {"check_lines": "150,150"}


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))


def ring(x_mm: float = X, outer_mm: float = OUTER) -> Scene:
    """A matte ring in the air, which is all that a photo from above shows of a tube's end."""
    face = Disc(x_mm, Y, outer_mm / 2, HEIGHT, 0.3)
    return Scene(things=(face, Disc(x_mm, Y, BORE / 2, HEIGHT, 0.05)))


def photograph(path: Path, scene: Scene, tilt_deg: float, azimuth_deg: float, distance_mm: float = 160.0) -> Path:
    """A photo without EXIF."""
    view = look(tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, distance_mm=distance_mm, f_px=2300.0)
    return write_photo(path, view, scene)


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("two")
    return (
        photograph(folder / "above.png", ring(), 3.0, 200.0),
        photograph(folder / "side.png", ring(), 18.0, 60.0, 170.0),
    )


@pytest.fixture(scope="module")
def measured(two: tuple[Path, Path]) -> Measurement:
    return measure_several(read_inputs("tube", LINES), two)


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


def test_height_bore_and_outside_without_anything_typed(measured: Measurement) -> None:
    found = result_of(measured)
    top = found["height"]["tube_top_mm"]
    assert top["value"] == pytest.approx(HEIGHT, abs=0.05)
    assert top["u95"] < LARGEST_HEIGHT_U95_MM
    assert abs(top["value"] - HEIGHT) <= top["u95"]
    assert found["tube"]["outer_diameter_mm"]["value"] == pytest.approx(OUTER, abs=0.01)
    assert found["tube"]["bore_diameter_mm"]["value"] == pytest.approx(BORE, abs=0.01)
    # The focal length (2300 px) was told by nobody.
    assert found["scale"]["focal_px"] == pytest.approx(2300.0, rel=0.01)
    assert found["scale"]["focal_source"] == "solved from several photos"
    assert found["heights"]["source"] == "solved from several photos"
    assert [photo["file"] for photo in found["photos"]] == ["above.png", "side.png"]
    assert len({photo["sha256"] for photo in found["photos"]}) == 2
    assert 40.0 < found["baseline_mm"] < 70.0


def test_the_second_photo_gains_what_the_advice_for_the_first_promised(
    measured: Measurement, two: tuple[Path, Path]
) -> None:
    alone = measure(read_inputs("tube", LINES), two[0])
    step = guidance(alone)
    assert step.remedy is not None
    assert "second photo of the untouched scene from" in step.remedy.text
    assert step.shares[0][0] == "height"
    after = result_of(measured)["tube"]["outer_diameter_mm"]["u95"]
    assert after < 0.5 * result_of(alone)["tube"]["outer_diameter_mm"]["u95"]
    # Promised for a place of its own choice; the two edges' doubt is averaged here.
    assert 0.4 * step.u95_after_mm < after < 1.6 * step.u95_after_mm


def test_text_names_photos_height_and_places(measured: Measurement) -> None:
    told = text_of(measured)
    assert told.startswith("Tube: above.png + side.png\n")
    assert "tube's end above the table   6.3" in told
    assert "places         2, up to " in told


def test_marked_and_kept_with_the_solved_height_as_input(
    two: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marked = tmp_path / "marked.png"
    given = ["--check-lines", "150,150", "--keep", "--json", "--out", str(marked)]
    assert run("tube", *map(str, two), *given) == 0
    told = capsys.readouterr()
    assert marked.stat().st_size > 10_000
    assert "Kept as record 1." in told.err
    height = json.loads(told.out)["height"]["tube_top_mm"]["value"]
    assert run("archive", "show", "1", "--json") == 0
    shown = json.dumps(json.loads(capsys.readouterr().out))
    assert f'"length": {height}' in shown
    assert "side.png" in shown


def test_photos_from_one_place_are_refused_with_the_move_that_helps(two: tuple[Path, Path], tmp_path: Path) -> None:
    near = photograph(tmp_path / "near.png", ring(), 3.5, 205.0)
    with pytest.raises(BaselineTooShort) as refused:
        measure_several(read_inputs("tube", LINES), (two[0], near))
    assert "cm apart would give" in refused.value.needed
    assert "cm to the side" in refused.value.advice


def test_a_height_that_two_photos_leave_too_vague_is_refused_with_the_photo_that_is_missing(
    tmp_path: Path,
) -> None:
    # 35 mm apart, the tube's edge half hidden by the stone: its height was told to 0.25 mm, and the tube's outside came
    # out 0.03 mm wide.
    known = truth("pair-rim-00-a")
    lines = {"check_lines": f"{known['card']['across_mm']:.2f} {known['card']['down_mm']:.2f}"}
    with pytest.raises((HeightUnclear, BaselineTooShort)) as refused:
        measure_several(read_inputs("rim", lines), without_exif("pair-rim-00", tmp_path))
    assert "one more photo would give" in refused.value.needed
    assert "beyond the place of pair-rim-00-" in refused.value.advice
    assert "name all 3" in refused.value.advice


def test_a_subject_that_was_moved_is_noticed(two: tuple[Path, Path], tmp_path: Path) -> None:
    # 0.4 mm across the line between both places of the camera, which no height explains.
    moved = ring(X)
    shifted = replace(moved, things=tuple(replace(one, x_mm=one.x_mm + 0.35, y_mm=Y - 0.2) for one in moved.things))
    other = photograph(tmp_path / "moved.png", shifted, 18.0, 60.0, 170.0)
    with pytest.raises((PhotosDisagree, HeightImpossible)):
        measure_several(read_inputs("tube", LINES), (two[0], other))


def test_a_subject_of_another_size_is_noticed(two: tuple[Path, Path], tmp_path: Path) -> None:
    other = photograph(tmp_path / "wider.png", ring(outer_mm=OUTER + 0.3), 18.0, 60.0, 170.0)
    with pytest.raises(PhotosDisagree, match=r"mm wide in one photo"):
        measure_several(read_inputs("tube", LINES), (two[0], other))


def test_another_card_is_refused(two: tuple[Path, Path], tmp_path: Path) -> None:
    small = replace(ring(x_mm=0.0), cards=(PrintedCard(side_mm=30.0),))
    other = photograph(tmp_path / "small.png", small, 18.0, 60.0, 120.0)
    with pytest.raises(DifferentCards, match="30 mm card"):
        measure_several(read_inputs("tube", LINES), (two[0], other))


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--camera-distance", "160"], "--camera-distance holds for one photo only"),
        (["--square-side", "30"], "printed card"),
    ],
)
def test_inputs_for_one_photo_only_are_refused(
    two: tuple[Path, Path], extra: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("tube", *map(str, two), *extra) == 2
    assert words in capsys.readouterr().err


def test_the_same_photo_twice_and_too_many_are_refused(
    two: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("tube", str(two[0]), str(two[0])) == 2
    assert "named twice" in capsys.readouterr().err
    assert run("tube", *(f"{k}.jpg" for k in range(7))) == 2
    assert "two to 6" in capsys.readouterr().err


def without_exif(scene: str, folder: Path) -> list[Path]:
    """The first two photographs of a rendered scene as PNG."""
    from PIL import Image

    photos = []
    for path in sorted(PAIRS.glob(f"{scene}-?.jpg"))[:2]:
        photos.append(folder / f"{path.stem}.png")
        Image.open(path).convert("RGB").save(photos[-1])
    return photos


def truth(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((PAIRS / f"{name}.json").read_text())
    return found


@pytest.mark.parametrize("scene", ["pair-tube-04", "pair-stone-08"])
def test_rendered_scenes_without_exif(scene: str, tmp_path: Path) -> None:
    # Path-traced photographs with exact truth; PNG, so that nothing tells the focal length.
    photos = without_exif(scene, tmp_path)
    known = truth(f"{scene}-a")
    lines = {"check_lines": f"{known['card']['across_mm']:.2f} {known['card']['down_mm']:.2f}"}
    found = result_of(measure_several(read_inputs(known["kind"], lines), photos))
    if known["kind"] == "tube":
        height, true = found["height"]["tube_top_mm"], known["tube"]["length_mm"]
        size, true_size = found["tube"]["outer_diameter_mm"], known["tube"]["outer_diameter_mm"]
    else:
        height = found["height"]["girdle_mm"]
        true = 0.5 * (known["stone"]["girdle_lower_mm"] + known["stone"]["girdle_upper_mm"])
        size, true_size = found["stone"]["diameter_mm"], known["stone"]["diameter_mm"]
    assert abs(height["value"] - true) <= max(height["u95"], 0.1)
    assert abs(size["value"] - true_size) <= size["u95"]
    # It is solved with the heights, and a typed camera distance, which one photo may need, would be refused.
    assert not any("focal length is not known" in warning for warning in found["warnings"])


def test_exif_of_two_cameras_is_kept_apart(tmp_path: Path) -> None:
    # The second file says that it was taken at another zoom, so its focal length is solved by itself.
    from PIL import Image

    paths = sorted(PAIRS.glob("pair-tube-04-?.jpg"))[:2]
    other = tmp_path / "other.jpg"
    shutil.copy(paths[1], other)
    exif = Image.open(other).getexif()
    exif[0x0110] = "Another model"
    Image.open(paths[1]).save(other, exif=exif, quality=95)
    known = truth("pair-tube-04-a")
    lines = {"check_lines": f"{known['card']['across_mm']:.2f} {known['card']['down_mm']:.2f}"}
    several = measure_several(read_inputs("tube", lines), (paths[0], other)).several
    assert several is not None
    focal = [calibration.view.camera.f_px for calibration in several.calibrations]
    assert focal[0] != focal[1]
    assert several.heights["tube_top"].nominal_value == pytest.approx(known["tube"]["length_mm"], abs=0.15)
    assert np.allclose(focal, known["camera"]["f_px"], rtol=0.03)
