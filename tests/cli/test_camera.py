"""`rimsight camera` as it is typed: a profile from photos, kept, shown and removed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from rimsight.calibration.profile_match import match_profile
from rimsight.cli.app import main
from rimsight.vision.photo import load_photo
from tests.synthetic import Scene, look, render

POSES = ((3.0, 0.0, 150.0), (22.0, 0.0, 165.0), (24.0, 90.0, 165.0), (20.0, 180.0, 175.0), (25.0, 270.0, 190.0))


@pytest.fixture(name="home", autouse=True)
def make_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture(name="photos", scope="module")
def make_photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Five photos of the card from an invented phone, one of them stored for an upright display."""
    folder = tmp_path_factory.mktemp("photos")
    paths = []
    for k, (tilt, azimuth, distance) in enumerate(POSES):
        view = look(tilt_deg=tilt, azimuth_deg=azimuth, distance_mm=distance, f_px=1500.0, k1=-0.08)
        paths.append(folder / f"IMG_{k}.jpg")
        store(paths[-1], render(view, Scene(seed=k)), orientation=6 if k == 2 else 1)
    return paths


def store(path: Path, codes: np.ndarray, *, orientation: int = 1, focal_mm: float = 5.6) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Umbra", "P5", orientation
    detail = exif.get_ifd(0x8769)
    detail[0x920A], detail[0xA405] = focal_mm, 33
    detail[0xA002], detail[0xA003] = codes.shape[1], codes.shape[0]
    Image.fromarray(codes).save(path, quality=92, exif=exif)


def call(*arguments: str | Path) -> int:
    """Run the command line and return its exit code."""
    with pytest.raises(SystemExit) as caught:
        main([str(one) for one in arguments])
    code = caught.value.code
    return code if isinstance(code, int) else 0


def test_a_profile_is_made_kept_applied_shown_and_removed(
    photos: list[Path], home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("camera", "profile", *photos, "--name", "phone") == 0
    printed = capsys.readouterr().out
    assert "IMG_0.jpg     3 deg, from above" in printed
    assert "IMG_1.jpg    22 deg, right edge nearer" in printed
    # Stored with a quarter turn clockwise: what was the picture's bottom is the upright picture's left.
    assert "IMG_2.jpg    24 deg, left edge nearer" in printed
    assert "phone: Umbra P5, 5.6 mm, 1600 x 1200 px" in printed
    assert "kept as 'phone'" in printed

    photo = load_photo(photos[0])
    match = match_profile(photo.exif, photo.light.width_px, photo.light.height_px)
    assert match.prior is not None
    assert match.prior.camera.f_px == pytest.approx(1500.0, rel=2e-3)

    assert call("camera", "list") == 0
    assert capsys.readouterr().out.startswith("phone: Umbra P5, 5.6 mm, 1600 x 1200 px, 20")
    assert call("camera", "show", "phone", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["schema"] == "rimsight/1"
    assert shown["camera"]["k1"] == pytest.approx(-0.08, abs=0.01)
    assert shown["camera"]["photos"] == 5
    assert call("camera", "remove", "phone") == 0
    assert "removed the profile 'phone'" in capsys.readouterr().out
    assert call("camera", "list") == 0
    assert "no camera has a profile yet" in capsys.readouterr().out
    assert call("camera", "show", "phone") == 2


def test_json_of_a_profile_that_is_not_kept(
    photos: list[Path], home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blurred = tmp_path / "blurred.jpg"
    store(blurred, render(look(f_px=1500.0, k1=-0.08), Scene(blur_px=6.0)))
    assert call("camera", "profile", *photos, blurred, "--name", "phone", "--dry-run", "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["kept"] is False
    assert not (home / "cameras.json").exists()
    assert printed["card_checked"] is False
    by_name = {one["photo"]: one for one in printed["photos"]}
    assert by_name["IMG_4.jpg"]["used"] is True
    assert by_name["blurred.jpg"]["used"] is False
    assert "smeared" in by_name["blurred.jpg"]["problem"]
    assert by_name["blurred.jpg"]["rms_px"] is None


def test_too_few_photos(photos: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert call("camera", "profile", *photos[:2], "--name", "phone", "--json") == 3
    error = json.loads(capsys.readouterr().out)["error"]
    assert error["kind"] == "too_few_views"
    assert "2 photos are too few" in error["found"]


def test_another_zoom_among_them(photos: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "tele.jpg"
    store(other, render(look(), Scene()), focal_mm=9.0)
    assert call("camera", "profile", *photos, other, "--name", "phone") == 3
    assert "focal length: 5.6 in IMG_0.jpg, 9.0 in tele.jpg" in capsys.readouterr().err


def test_wrong_calls(photos: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert call("camera", "profile", photos[0], photos[0], "--name", "phone") == 2
    assert "named twice" in capsys.readouterr().err
    assert call("camera", "profile", *photos, "--name", "phone", "--card", "loft") == 2
    assert "no printed card named 'loft'" in capsys.readouterr().err
    assert call("camera", "remove", "tablet") == 2
    assert "no camera named 'tablet'" in capsys.readouterr().err
