"""A check-up in place of the default edge bias: figures, budget, and intervals that hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from rimsight.calibration.edge_bias import EdgeBias, Trial, analyse
from rimsight.calibration.uncertainty import from_ufloat
from rimsight.vision.edge_correction import TAG, corrected
from rimsight.vision.influences import Influences
from rimsight.vision.reading import METAL_EDGE_U_PX

PX_PER_MM, U_FOCAL, U_SCALE = 25.0, 0.04, 0.0007
BIAS = EdgeBias("outer", 0.2, 0.05, 0.0, 0.0, U_FOCAL, "the check-up of 2026-11-25")


@dataclass(frozen=True)
class Reading:
    """A tube's figures as the readers give them, with the variables that they rest on."""

    outer: Any
    bore: Any
    wall: Any
    note: str
    influences: Influences


def reading(outer_mm: float, height_mm: float = 6.0, own_mm: float = 0.0, bore_mm: float = 4.0) -> Reading:
    """Read diameters under the causes that a photo has; `own_mm` is the piece's own doubt, of radius."""
    influences = Influences()
    per_scale, per_focal = -U_SCALE, U_FOCAL * height_mm / 165.0
    edge = 2.0 * np.hypot(METAL_EDGE_U_PX / PX_PER_MM, own_mm)

    def diameter(name: str, value: float) -> Any:
        changes = {
            ("view 0", "print scale"): per_scale * value,
            ("view 1", "focal length"): per_focal * value,
            (f"{name} edge", "edge"): float(edge),
            (f"{name} fit", "fit"): 0.001,
        }
        return influences.figure(value, changes)

    outer, bore = diameter("outer", outer_mm), diameter("bore", bore_mm)
    return Reading(outer, bore, (outer - bore) / 2, "", influences)


def test_every_figure_moves_by_its_share() -> None:
    before = reading(6.0)
    after, told = corrected(before, BIAS, PX_PER_MM, U_FOCAL)
    assert after.outer.nominal_value == pytest.approx(6.0 - 2 * 0.2 / PX_PER_MM)
    assert after.bore.nominal_value == 4.0
    assert after.wall.nominal_value == pytest.approx(1.0 - 0.2 / PX_PER_MM)
    assert told is not None
    assert told.change_mm == pytest.approx(-2 * 0.2 / PX_PER_MM)
    assert told.default_u_mm == pytest.approx(2 * METAL_EDGE_U_PX / PX_PER_MM)
    assert told.source == BIAS.source


def test_the_budget_names_it_and_keeps_what_the_piece_adds() -> None:
    own_mm = 0.013
    after, _ = corrected(reading(6.0, own_mm=own_mm), BIAS, PX_PER_MM, U_FOCAL)
    budget = from_ufloat(after.outer).budget
    assert budget[TAG] == pytest.approx(2 * BIAS.u_px / PX_PER_MM)
    assert budget["edge"] == pytest.approx(2 * own_mm, rel=1e-6)
    plain = from_ufloat(reading(6.0).outer).budget
    assert plain["edge"] == pytest.approx(2 * METAL_EDGE_U_PX / PX_PER_MM)
    clean, _ = corrected(reading(6.0), BIAS, PX_PER_MM, U_FOCAL)
    assert "edge" not in from_ufloat(clean.outer).budget


def test_common_causes_cancel_only_as_far_as_they_are_common() -> None:
    """A later piece just like the part: print scale and focal length drop out of the corrected diameter altogether."""
    like = reading(6.0)
    scale, focal = (like.outer.derivatives[like.influences.known(key)] for key in ("view 0", "view 1"))
    bias = replace(BIAS, print_scale_px=scale * PX_PER_MM / 2, focal_px=focal * PX_PER_MM / 2)
    same, _ = corrected(reading(6.0), bias, PX_PER_MM, U_FOCAL)
    assert from_ufloat(same.outer).budget.get("focal length", 0.0) == pytest.approx(0.0, abs=1e-12)
    other, _ = corrected(reading(6.0, height_mm=0.0), bias, PX_PER_MM, U_FOCAL)
    assert from_ufloat(other.outer).budget["focal length"] == pytest.approx(abs(focal))
    known, _ = corrected(reading(6.0), bias, PX_PER_MM, U_FOCAL / 4)  # the same error in a smaller unit
    assert from_ufloat(known.outer).budget["focal length"] == pytest.approx(0.75 * abs(focal))


def test_a_reading_without_that_edge_is_left() -> None:
    before = replace(reading(6.0), bore=None)
    after, told = corrected(before, replace(BIAS, edge="bore"), PX_PER_MM, U_FOCAL)
    assert told is None
    assert after is before


def test_later_intervals_hold_and_are_narrower() -> None:
    """Simulated worlds, each with its own focal length, print, edge bias, part, check-up and later tube."""
    rng = np.random.default_rng(12)
    held, wide, narrow, corrections = 0, [], [], 0
    worlds = 900
    for _ in range(worlds):
        focal, print_scale = rng.normal(0, U_FOCAL), rng.normal(0, U_SCALE)
        bias_mm = 2 * rng.normal(0, METAL_EDGE_U_PX) / PX_PER_MM

        def read(
            true_mm: float, height_mm: float, f: float = focal, s: float = print_scale, b: float = bias_mm
        ) -> float:
            return float(true_mm * (1 - s + f * height_mm / 165.0) + b + rng.normal(0, 0.001))

        part = 6.0 + rng.normal(0, 0.001)
        trials = []
        for placing in range(3):
            for _repeat in range(4):
                one = reading(read(part, 8.0), 8.0)
                scale, f = (one.outer.derivatives[one.influences.known(key)] for key in ("view 0", "view 1"))
                found = from_ufloat(one.outer)
                trials.append(
                    Trial("", str(placing), found.value, found.u95, PX_PER_MM, scale, f, 0.0, METAL_EDGE_U_PX, U_FOCAL)
                )
        bias = analyse(trials, 6.0, 1.96 * 0.001).edge_bias("outer", "")
        true, height = float(rng.uniform(3, 9)), float(rng.uniform(3, 12))
        value = read(true, height)
        wide.append(from_ufloat(reading(value, height).outer).u95)
        later = reading(value, height)
        if bias is not None:
            later, _ = corrected(later, bias, PX_PER_MM, U_FOCAL)
            corrections += 1
        found = from_ufloat(later.outer)
        narrow.append(found.u95)
        held += abs(found.value - true) <= found.u95
    assert corrections > 0.9 * worlds
    assert 0.93 <= held / worlds <= 0.98
    assert np.median(narrow) < 0.75 * np.median(wide)
