"""Which photographs a camera profile is applied to, which not, and what is said; and the file it is kept in."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.profile_match import match_profile, refuse_mixed
from rimsight.calibration.profile_store import CameraProfile, load_profiles, remove_profile, save_profile


@dataclass(frozen=True)
class Facts:
    """Stands for what is read from EXIF."""

    make: str | None = "Umbra"
    model: str | None = "P5"
    lens: str | None = "P5 back camera 5.6mm f/1.8"
    focal_mm: float | None = 5.6
    f35_mm: float | None = 26.0
    digital_zoom: float | None = None
    pixel_width: int | None = 4000
    pixel_height: int | None = 3000
    orientation: int | None = 1


U = np.diag([0.006, 0.002, 0.01, 8.0, 8.0])
CORRELATION = np.eye(5)
CORRELATION[1, 2] = CORRELATION[2, 1] = -0.9
COVARIANCE = U @ CORRELATION @ U
PROFILE = CameraProfile(
    name="phone",
    make="Umbra",
    model="P5",
    lens="P5 back camera 5.6mm f/1.8",
    focal_mm=5.6,
    f35_mm=26.0,
    digital_zoom=None,
    width_px=4000,
    height_px=3000,
    f_px=3010.0,
    cx_px=2011.0,
    cy_px=1489.0,
    k1=0.05,
    k2=-0.1,
    p1=0.001,
    p2=-0.0005,
    covariance=tuple(tuple(float(value) for value in row) for row in COVARIANCE),
    photos=7,
    rms_px=0.08,
    nearest_mm=140.0,
    furthest_mm=220.0,
)


@pytest.fixture(name="path")
def make_path(tmp_path: Path) -> Path:
    path = tmp_path / "deep" / "cameras.json"
    save_profile(path, PROFILE)
    return path


def test_the_same_camera_gets_its_profile(path: Path) -> None:
    match = match_profile(Facts(), 4000, 3000, path=path)
    assert match.prior is not None
    assert match.prior.camera == PROFILE.camera
    assert match.reason == "camera profile 'phone'"
    assert match.prior.source == match.reason
    assert match.prior.u_log_f == pytest.approx(0.006)
    np.testing.assert_allclose(match.prior.intrinsic_covariance(), COVARIANCE, rtol=1e-12)


def test_names_are_compared_without_case_and_spaces(path: Path) -> None:
    assert match_profile(Facts(make="UMBRA ", model="p5"), 4000, 3000, path=path).prior is not None


@pytest.mark.parametrize(("size", "factor"), [((2000, 1500), 0.5), ((8000, 6000), 2.0), ((1024, 768), 0.256)])
def test_another_resolution_of_the_whole_frame_is_scaled(path: Path, size: tuple[int, int], factor: float) -> None:
    match = match_profile(Facts(), *size, path=path)
    assert match.prior is not None
    camera = match.prior.camera
    assert camera.f_px == pytest.approx(3010.0 * factor)
    assert camera.cx_px == pytest.approx((2011.5) * factor - 0.5)
    assert (camera.k1, camera.k2) == (PROFILE.k1, PROFILE.k2)
    u = np.sqrt(np.diag(match.prior.intrinsic_covariance()))
    np.testing.assert_allclose(u, [0.006, 0.002, 0.01, 8.0 * factor, 8.0 * factor], rtol=1e-9)


@pytest.mark.parametrize(
    ("orientation", "centre"),
    [(6, (3000 - 1 - 1489.0, 2011.0)), (3, (4000 - 1 - 2011.0, 3000 - 1 - 1489.0)), (8, (1489.0, 4000 - 1 - 2011.0))],
)
def test_a_turned_picture_gets_the_turned_lens(
    path: Path, orientation: int, centre: tuple[float, float]
) -> None:
    upright = (4000, 3000) if orientation == 3 else (3000, 4000)
    facts = Facts(orientation=orientation, pixel_width=upright[0], pixel_height=upright[1])
    match = match_profile(facts, *upright, path=path)
    assert match.prior is not None
    assert (match.prior.camera.cx_px, match.prior.camera.cy_px) == pytest.approx(centre)


NOT_APPLIED = {
    "another camera": (Facts(model="P6"), (4000, 3000), "no camera profile for Umbra P6"),
    "no name": (Facts(make=None, model=None), (4000, 3000), "does not name its camera"),
    "another lens": (Facts(lens="P5 tele 9mm f/2.4"), (4000, 3000), "for the lens"),
    "another focal length": (Facts(lens=None, focal_mm=2.2), (4000, 3000), "focal length 2.2 mm"),
    "no focal length": (Facts(focal_mm=None), (4000, 3000), "only one of profile and photo states the focal length"),
    "cropped zoom": (Facts(f35_mm=52.0), (4000, 3000), "35 mm equivalent 52 mm"),
    "digital zoom": (Facts(digital_zoom=1.4), (4000, 3000), "another digital zoom: 1.4"),
    "cropped file": (Facts(), (2500, 2500), "was cropped to 2500 x 2500 px from the 4000 x 3000 px"),
    "another shape": (Facts(pixel_width=4000, pixel_height=2250), (4000, 2250), "no whole frame"),
    "turned by an editor": (Facts(pixel_width=3000, pixel_height=4000), (3000, 4000), "no whole frame"),
    "mirrored": (Facts(orientation=2), (4000, 3000), "mirror image"),
}


@pytest.mark.parametrize("case", NOT_APPLIED)
def test_not_applied_and_why(path: Path, case: str) -> None:
    facts, size, reason = NOT_APPLIED[case]
    match = match_profile(facts, *size, path=path)
    assert match.prior is None
    assert reason in match.reason


def test_a_profile_asked_for_by_name_needs_only_the_shape(path: Path) -> None:
    anonymous = Facts(None, None, None, None, None, None, None, None, None)
    assert match_profile(anonymous, 2000, 1500, path=path).prior is None
    assert match_profile(anonymous, 2000, 1500, path=path, name="phone").prior is not None
    assert match_profile(anonymous, 2000, 1600, path=path, name="phone").prior is None
    with pytest.raises(ValueError, match="no camera named 'tablet' is on record; known: 'phone'"):
        match_profile(anonymous, 2000, 1500, path=path, name="tablet")


def test_the_newest_of_several_that_fit_is_taken(path: Path) -> None:
    save_profile(path, replace(PROFILE, name="phone, winter", f_px=3020.0))
    match = match_profile(Facts(), 4000, 3000, path=path)
    assert match.profile is not None
    assert match.profile.name == "phone, winter"
    save_profile(path, replace(PROFILE, f_px=3030.0))  # made anew under its old name
    match = match_profile(Facts(), 4000, 3000, path=path)
    assert match.prior is not None
    assert match.prior.camera.f_px == 3030.0


def test_of_two_lenses_of_one_phone_the_right_one_is_taken(path: Path) -> None:
    save_profile(path, replace(PROFILE, name="tele", lens="P5 tele", focal_mm=9.0, f35_mm=77.0, f_px=8900.0))
    match = match_profile(Facts(), 4000, 3000, path=path)
    assert match.prior is not None
    assert match.prior.source == "camera profile 'phone'"


def test_photos_of_one_profile_must_come_from_one_lens() -> None:
    names, sizes = ["a.jpg", "b.jpg"], [(4000, 3000), (4000, 3000)]
    refuse_mixed(names, [Facts(), Facts()], sizes)
    turned = Facts(orientation=6, pixel_width=3000, pixel_height=4000)
    refuse_mixed(names, [Facts(), turned], [(4000, 3000), (3000, 4000)])
    for other, size, what in (
        (Facts(model="P6"), (4000, 3000), "camera: Umbra P5 in a.jpg, Umbra P6 in b.jpg"),
        (Facts(focal_mm=2.2), (4000, 3000), "focal length"),
        (Facts(digital_zoom=2.0), (4000, 3000), "digital zoom"),
        (Facts(), (2000, 1500), "picture size: 4000 x 3000 px in a.jpg, 2000 x 1500 px in b.jpg"),
    ):
        with pytest.raises(PhotoError) as caught:
            refuse_mixed(names, [Facts(), other], [(4000, 3000), size])
        assert caught.value.kind == "mixed_cameras"
        assert what in caught.value.found
    with pytest.raises(PhotoError, match=r"a\.jpg was cropped"):
        refuse_mixed(["a.jpg"], [Facts()], [(3000, 3000)])


def test_the_file_keeps_everything(path: Path) -> None:
    stored = load_profiles(path)["phone"]
    assert replace(stored, date="") == PROFILE
    assert stored.date
    assert load_profiles(path.with_name("none.json")) == {}


def test_removing(path: Path) -> None:
    assert remove_profile(path, "phone").name == "phone"
    assert load_profiles(path) == {}
    with pytest.raises(ValueError, match="no camera named 'phone'"):
        remove_profile(path, "phone")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("not json", "can't be read"),
        ("[]", "holds no camera profiles"),
        ('{"version": 99, "cameras": {}}', "install a newer rimsight"),
        ('{"version": 1, "cameras": {"x": {"make": "a"}}}', "model is missing|is missing"),
        ('{"version": 1, "cameras": {"x": 3}}', "is broken"),
    ],
)
def test_a_broken_file_is_never_passed_over(tmp_path: Path, content: str, message: str) -> None:
    path = tmp_path / "cameras.json"
    path.write_text(content)
    with pytest.raises(ValueError, match=message):
        match_profile(Facts(), 4000, 3000, path=path)
    with pytest.raises(ValueError, match=message):
        save_profile(path, PROFILE)
    assert path.read_text() == content


def test_a_broken_figure_is_told(path: Path) -> None:
    data = json.loads(path.read_text())
    data["cameras"]["phone"]["covariance"][0][0] = -1.0
    path.write_text(json.dumps(data))
    with pytest.raises(ValueError, match="positive definite"):
        load_profiles(path)
    data["cameras"]["phone"]["f_px"] = "wide"
    path.write_text(json.dumps(data))
    with pytest.raises(ValueError, match="'phone'"):
        load_profiles(path)


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "x" * 101])
def test_names_that_are_none(name: str) -> None:
    with pytest.raises(ValueError, match="name of a camera"):
        replace(PROFILE, name=name)
