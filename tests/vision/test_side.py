"""Side views: outlines of bodies of revolution, their fit to drawn pictures, and what a tube's edges tell."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from rimsight.calibration.camera import Camera, View
from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.vision.side import STONE_FIGURES, SideUnclear, _refuse_end_shadow, _refuse_odd, _stone_quantities
from rimsight.vision.side_beyond import STREAK_SHARE, burnt_out, own_colour_beyond
from rimsight.vision.side_body import StoneBody, TubeBody
from rimsight.vision.side_find import Thing, choose_thing
from rimsight.vision.side_fit import fit_body, outline_of
from rimsight.vision.side_lines import tube_lines
from rimsight.vision.side_model import Lie, Profile, from_ideal, ideal_view, outline_px, reach_px, to_ideal
from rimsight.vision.side_search import _culet, _outer_rims, _table, _without_end_shadows
from rimsight.vision.side_shading import across_axis
from rimsight.vision.side_strips import Crests, outer_edge
from rimsight.vision.subjects import TouchesFrame

FloatArray = NDArray[np.float64]

VIEW = View(Camera(4000.0, 399.5, 299.5), (0.0, 0.0, 0.0), (0.0, 0.0, 160.0))
#: Tolkowsky, Diamond Design (1919): table 53 %, crown 34.5 degrees, pavilion 40.75 degrees, knife-edge girdle.
TABLE, CROWN_DEG, PAVILION_DEG = 0.53, 34.5, 40.75


def tolkowsky(diameter_mm: float, girdle_mm: float = 0.1) -> FloatArray:
    """Figures of a `StoneBody` of Tolkowsky's proportions at the card's middle, the table to the right."""
    r = diameter_mm / 2
    crown = r * (1 - TABLE) * np.tan(np.radians(CROWN_DEG))
    pavilion = r * np.tan(np.radians(PAVILION_DEG))
    return np.array([0.3, -0.2, 0.4, 0.0, r, girdle_mm, crown, pavilion, TABLE * r, 0.0, 0.0, 0.0, 0.0])


def drawn(view: View, outline: FloatArray, *, inside: float = 0.15, blur: float = 1.0) -> LightImage:
    """A dark body of that outline on white, eight-fold supersampled, in linear light, then coded."""
    fold = 8
    big = np.zeros((600 * fold, 800 * fold), np.uint8)
    points = ((from_ideal(view, outline) + 0.5) * fold - 0.5) * 16
    cv2.fillPoly(big, [np.rint(points).astype(np.int32)], 255, cv2.LINE_8, 4)
    # `fillPoly` paints the border too: half a fine pixel too much all round, 0.06 px.
    cover = cv2.resize(big, (800, 600), interpolation=cv2.INTER_AREA).astype(np.float64) / 255.0
    light = cv2.GaussianBlur(0.8 - (0.8 - inside) * cover, (0, 0), blur)
    codes = np.rint(encode_srgb(np.asarray(light)) * 255.0).astype(np.uint8)
    return LightImage(np.repeat(codes[:, :, None], 3, axis=2))


def drawn_body(body: StoneBody | TubeBody, figures: FloatArray, inside: float, *, blur: float = 1.0) -> LightImage:
    """A body of these figures on white."""
    return drawn(VIEW, outline_px(ideal_view(VIEW), *body.place(figures)), inside=inside, blur=blur)


def darker(one: LightImage, other: LightImage) -> LightImage:
    """Two pictures laid on each other."""
    return LightImage(np.minimum(np.asarray(one.codes), np.asarray(other.codes)))


# --- the model --------------------------------------------------------------------------------------------------------


def test_lines_of_sight_graze_a_cylinder_where_geometry_says() -> None:
    """From a distance d of its axis a cylinder fills the angle 2 asin(R / d), which is more than 2 atan(R / d)."""
    lie = Lie(0.0, 0.0, 12.0, 0.0)
    outline = outline_px(VIEW, lie, Profile(np.array([20.0, -20.0]), np.array([12.0, 12.0])))
    centre = np.array([[VIEW.camera.cx_px, VIEW.camera.cy_px]])
    reach = reach_px(outline, centre, np.array([[0.0, 1.0]]))[0]
    distance = VIEW.distance_mm - 12.0
    # The polygon of a circle of 80 points lies up to 8e-4 R inside of it.
    assert reach == pytest.approx(4000.0 * np.tan(np.arcsin(12.0 / distance)), abs=0.3)
    assert reach - 4000.0 * 12.0 / distance > 0.6


def test_ideal_pixels_agree_with_opencv() -> None:
    view = VIEW.with_camera(k1=-0.05, k2=0.02, p1=0.001, p2=-0.0005)
    points = np.array([[10.0, 20.0], [399.5, 299.5], [780.0, 590.0], [100.0, 500.0]])
    matrix = view.camera.matrix
    expected = cv2.undistortPoints(points[:, None], matrix, view.camera.distortion, P=matrix).reshape(-1, 2)
    np.testing.assert_allclose(to_ideal(view, points), expected, rtol=0, atol=0.02)
    np.testing.assert_allclose(from_ideal(view, to_ideal(view, points)), points, rtol=0, atol=1e-6)


def test_outline_of_a_leaning_disc_is_an_ellipse() -> None:
    lie = Lie(0.0, 0.0, 2.0, 0.0, np.radians(30.0))
    outline = outline_px(VIEW, lie, Profile(np.array([0.0, -0.001]), np.array([2.0, 2.0])))
    scale = 4000.0 / (VIEW.distance_mm - 2.0)
    size = np.ptp(outline, axis=0) / scale
    assert size[1] == pytest.approx(4.0, rel=2e-3)
    assert size[0] == pytest.approx(4.0 * np.sin(np.radians(30.0)), rel=5e-3)


# --- the fit ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lean_deg", [0.0, 4.0])
def test_drawn_stone_of_tolkowskys_proportions_is_read(lean_deg: float) -> None:
    """Tolkowsky 1919: crown 16.2 %, pavilion 43.1 %, total depth 59.3 % of the girdle (without its thickness).

    Reported as ISO 24016:2020 does, in percent of the girdle's diameter.
    """
    lean = np.radians(lean_deg)
    body = StoneBody(0.2, lean=lean)
    figures = tolkowsky(5.0)
    figures[3] = lean
    image = drawn(VIEW, outline_px(ideal_view(VIEW), *body.place(figures)))
    start = figures + np.array([0.2, -0.15, 0.05, 0.0, 0.2, 0.05, 0.1, -0.2, 0.15, 0.1, 0.02, 0.05, 0.02])
    fit = fit_body(image, VIEW, body, start, 1.0)
    value = dict(zip(STONE_FIGURES, _stone_quantities(fit.figures), strict=True))
    assert fit.support > 0.95
    assert value["diameter"] == pytest.approx(5.0, abs=0.02)
    assert value["height"] == pytest.approx(5.0 * 0.5923 + 0.1, abs=0.03)
    assert 100 * value["crown"] / value["diameter"] == pytest.approx(16.2, abs=1.0)
    assert 100 * value["pavilion"] / value["diameter"] == pytest.approx(43.1, abs=1.0)
    assert 2 * fit.named("table") == pytest.approx(0.53 * 5.0, abs=0.15)
    assert value["pavilion angle"] == pytest.approx(PAVILION_DEG, abs=0.8)


@pytest.mark.parametrize("share", [0.0, 0.065])
def test_a_large_culet_read_for_a_point_is_found_again(share: float) -> None:
    """Of old cuts the culet takes 5 to 10 % of the girdle (common practice, no source); a point stays one."""
    body = StoneBody(0.2)
    figures = tolkowsky(5.0)
    pointed = figures.copy()
    figures[7] *= 1.0 - share
    figures[9] = share * 2.5
    image = drawn(VIEW, outline_px(ideal_view(VIEW), *body.place(figures)))
    # Rounds as narrow as the last ones are: from the point the end, 3.5 px inside of it, isn't seen.
    sharp = fit_body(image, VIEW, body, pointed, 1.0, rounds=((0.0, 1.0, 0.4),))
    assert sharp.named("pavilion") == pytest.approx(pointed[7], abs=0.06)
    found = _culet(image, VIEW, sharp, 1.0)
    assert found.named("pavilion") == pytest.approx(figures[7], abs=0.02)
    # The end's width is lost in the blur (1 px, 0.04 mm, at either side) sooner than its place.
    assert abs(found.named("culet")) == pytest.approx(figures[9], abs=0.08)


def test_an_edge_inside_of_the_table_is_not_the_table() -> None:
    """A facet's edge 4 px inside of the table stands out better than the table does."""
    body, true = StoneBody(0.2), tolkowsky(5.0)
    short = true.copy()
    short[6] -= 0.16
    short[8] += 0.16 * (short[4] - short[8]) / true[6]
    whole, inner = (
        drawn_body(body, figures, inside) for figures, inside in ((true, 0.55), (short, 0.15))
    )
    image = darker(whole, inner)
    fit = fit_body(image, VIEW, body, short, 1.0, rounds=((0.0, 1.0, 0.4),))
    assert fit.named("crown") < true[6] - 0.08
    assert _table(image, VIEW, fit, 1.0).named("crown") == pytest.approx(true[6], abs=0.03)
    right = fit_body(whole, VIEW, body, true, 1.0)
    assert _table(whole, VIEW, right, 1.0).named("crown") == pytest.approx(true[6], abs=0.02)


def test_colour_is_read_at_its_steepest_place() -> None:
    """Of light a seam's outer end counts; a colour's faint outer end is the coding's."""
    offsets = np.arange(-10.0, 10.25, 0.25)
    # A step with a seam of a third of its height, 2 px wide, outside of it.
    light = 0.5 - 0.6 * norm.cdf(offsets, 0.0, 1.0) - 0.3 * norm.cdf(offsets, 2.0, 1.0)
    light = np.tile(light, (2, 1, 1))
    place, step = np.zeros((2, 1, len(offsets))), np.full((2, 1, len(offsets)), -0.9)
    found = Crests(offsets, np.ones_like(place), place, step, light)
    at = np.array([int(np.argmin(np.abs(offsets)))])
    assert outer_edge(found, np.array([0]), at, 1.0)[0] > 0.3
    assert outer_edge(found, np.array([1]), at, 1.0)[0] == 0.0


def test_drawn_tube_is_read() -> None:
    body = TubeBody()
    true = np.array([-0.4, 0.3, 0.7, 1.5, 6.2, 0.0, 0.0])
    image = drawn(VIEW, outline_px(ideal_view(VIEW), *body.place(true)), inside=0.4)
    fit = fit_body(image, VIEW, body, true + np.array([0.1, -0.1, 0.03, 0.1, 0.3, 0.02, 0.02]), 1.0)
    assert fit.named("length") == pytest.approx(6.2, abs=0.015)
    assert 2 * fit.named("radius") == pytest.approx(3.0, abs=0.012)
    assert outline_of(VIEW, fit).shape[1] == 2


def test_the_lower_rim_is_taken_before_the_upper() -> None:
    """An end that faces the camera by 2.5 degrees shows its face, 4.4 mm sin 2.5 deg wide, fainter than the metal."""
    body = TubeBody()
    true = np.array([10.0, 0.0, 0.0, 2.2, 6.2, 0.0, 0.0])
    face = 0.19
    short = true + np.array([face / 2, 0.0, 0.0, 0.0, -face, 0.0, 0.0])
    whole, metal = (
        drawn_body(body, figures, inside) for figures, inside in ((true, 0.65), (short, 0.4))
    )
    image = darker(whole, metal)
    fit = fit_body(image, VIEW, body, short, 1.0, rounds=((0.0, 1.5, 0.7),))
    assert fit.named("length") < 6.2 - face / 2
    assert _outer_rims(image, VIEW, fit, 1.0).named("length") == pytest.approx(6.2, abs=0.03)
    right = fit_body(whole, VIEW, body, true, 1.0)
    assert _outer_rims(whole, VIEW, right, 1.0).named("length") == pytest.approx(6.2, abs=0.015)


def test_a_shadows_rounded_end_is_not_the_tubes() -> None:
    """A soft shadow goes on from a tube's end with corners rounded by 0.4 mm: read 0.39 mm too long, stated 0.06."""
    body = TubeBody()
    true = np.array([-0.4, 0.3, 0.0, 1.5, 6.2, 0.0, 0.0])
    shadow = np.array([-0.2, 0.3, 0.0, 1.5, 6.6, 0.4, 0.0])
    image = darker(drawn_body(body, true, 0.2), drawn_body(body, shadow, 0.45, blur=2.0))
    fit = fit_body(image, VIEW, body, shadow, 1.0, rounds=((0.0, 2.0, 0.8),))
    assert fit.named("length") > 6.5
    with pytest.raises(SideUnclear, match="a shadow there looks like the end"):
        _refuse_end_shadow(fit)
    found = _without_end_shadows(image, VIEW, fit, 1.0)
    # The shadow's corners lie beside the end's: it comes out 0.03 mm short.
    assert found.named("length") == pytest.approx(6.2, abs=0.05)
    _refuse_end_shadow(found)


def test_nothing_to_fit_shows_no_support() -> None:
    image = LightImage(np.full((600, 800, 3), 200, np.uint8))
    fit = fit_body(image, VIEW, StoneBody(0.2), tolkowsky(5.0), 1.0)
    assert fit.support < 0.1


def test_proportions_of_no_stone_are_refused() -> None:
    good = _stone_quantities(tolkowsky(5.0))
    _refuse_odd(good)
    odd = tolkowsky(5.0)
    odd[6] *= 2.0
    with pytest.raises(SideUnclear, match="crown"):
        _refuse_odd(_stone_quantities(odd))


# --- tubes ------------------------------------------------------------------------------------------------------------


def test_rectangle_is_found_between_streaks_and_a_shadow() -> None:
    """A grey tube with two bright streaks on white paper, its shadow going on at one end as wide as the tube."""
    x, y = np.meshgrid(np.arange(800.0), np.arange(600.0))
    turn = np.radians(25.0)
    c, s = np.cos(turn), np.sin(turn)
    at = VIEW.to_plane(np.column_stack([x.ravel(), y.ravel()]), 0.0).reshape(600, 800, 2)
    along, aside = at[..., 0] * c + at[..., 1] * s, at[..., 1] * c - at[..., 0] * s
    light = np.full((600, 800), 0.7)
    light[(along > 0) & (along < 4.6) & (np.abs(aside) < 1.2)] = 0.45
    light = cv2.GaussianBlur(light, (0, 0), 14.0)  # a shadow's edge is soft
    tube = (np.abs(along) < 3.0) & (np.abs(aside) < 1.2)
    light[tube] = np.where(np.abs(np.abs(aside[tube]) - 0.4) < 0.15, 0.6, 0.25)
    noise = np.random.default_rng(4).normal(0.0, 0.006, (600, 800))
    codes = np.rint(encode_srgb(cv2.GaussianBlur(light, (0, 0), 1.0) + noise) * 255.0).astype(np.uint8)
    image = LightImage(np.repeat(codes[:, :, None], 3, axis=2))
    t = np.linspace(-3.0, 3.0, 100)
    spin = np.array([[c, s], [-s, c]])
    edges = np.vstack([np.column_stack([t, np.full(100, v)]) for v in (-1.2, 1.2)]) @ spin
    hull = np.array([[-3.0, -1.2], [4.6, -1.2], [4.6, 1.2], [-3.0, 1.2]]) @ spin
    thing = Thing(hull, edges_mm=edges, normals=np.tile(np.array([0.0, 1.0]) @ spin, (200, 1)))
    lines, found = tube_lines(image, VIEW, thing, 1.0)
    assert lines is not None
    assert (2 * found[0].radius_mm, found[0].ahead_mm + found[0].behind_mm) == pytest.approx((2.4, 6.0), abs=0.1)
    # With the shadow the light changes along the tube; without its outer parts the ends go on beyond the sides.
    right, longer, narrower = (
        lines.rectangle(np.array([[-3.0, -v], [end, -v], [end, v], [-3.0, v]]) @ spin)
        for end, v in ((3.0, 1.2), (4.6, 1.2), (3.0, 0.55))
    )
    assert right is not None
    assert longer is not None
    assert narrower is not None
    assert lines.judge(right).uneven < 0.05
    assert lines.judge(longer).uneven > 0.15
    assert lines.judge(right).beyond < 0.3
    assert lines.judge(narrower).beyond > 0.7


def test_shading_tells_the_axis() -> None:
    """Bright lines run along a cylinder, so the light changes across its axis."""
    body = TubeBody()
    figures = np.array([0.0, 0.0, 0.0, 2.0, 4.4, 0.0, 0.0])
    image = drawn(VIEW, outline_px(ideal_view(VIEW), *body.place(figures)))
    codes = np.array(image.codes, dtype=np.uint8)
    codes[295:305] = 250  # a streak along x
    lit = LightImage(codes)
    fit = fit_body(image, VIEW, body, figures, 1.0)
    assert not across_axis(lit, VIEW, fit)
    turned = figures.copy()
    turned[2], turned[3], turned[4] = np.pi / 2, 2.2, 4.0
    assert across_axis(lit, VIEW, fit_body(image, VIEW, body, turned, 1.0))


@pytest.mark.parametrize(("streak", "least", "most"), [(False, 0.0, 0.3), (True, 0.6, 9.0)])
def test_a_streak_is_told_from_a_side_by_the_metal_beyond_it(streak: bool, least: float, most: float) -> None:
    """A drawn gold band 6 mm wide on grey paper, read as 6 mm or as its 2.4 mm streak of light."""
    codes = np.full((600, 800, 3), 190, dtype=np.uint8)
    codes[225:375, 250:550] = (170, 140, 60)
    codes[270:330, 250:550] = (250, 235, 170)
    radius = 1.2 if streak else 3.0
    share = own_colour_beyond(LightImage(codes), VIEW, Lie(0.0, 0.0, 0.0, 0.0), 6.0, radius)
    assert least <= share <= most


def test_a_streak_is_burnt_out_and_a_tube_is_not() -> None:
    """A tube 4 mm wide, grey, with a white streak 0.9 mm wide along it."""
    lie = Lie(0.0, 0.0, 0.0, 0.0)
    codes = np.full((600, 800, 3), 200, np.uint8)
    codes[250:350, 200:600] = 120
    codes[289:311] = np.where(codes[289:311] == 120, 255, codes[289:311])
    image = LightImage(codes)
    assert burnt_out(image, VIEW, lie, 6.0, 0.42) > STREAK_SHARE
    assert burnt_out(image, VIEW, lie, 6.0, 2.0) < STREAK_SHARE


def test_a_block_before_the_card_is_told_what_to_do() -> None:
    hull = np.array([[-2.0, 14.0], [-2.0, 0.0], [0.0, -2.0], [2.0, 0.0], [2.0, 14.0]])
    with pytest.raises(TouchesFrame, match="at its bottom") as refused:
        choose_thing([Thing(hull, touches=(0.0, 1.0))], None)
    assert "girdle in a little wax" in refused.value.advice
