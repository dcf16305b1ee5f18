"""Which rings of several photographs are a tube's edge and the stone's on it."""

from __future__ import annotations

import numpy as np

from rimsight.vision.several_rim import tube_ring
from rimsight.vision.several_rings import Matched


def ring(radius_mm: float, height_mm: float, score: float) -> Matched:
    return Matched((0, 0), height_mm, radius_mm, np.zeros(2), score, score, 0.0, (radius_mm, radius_mm))


def test_a_ring_of_edge_and_foot_does_not_outdo_the_edge() -> None:
    # As in a drawn scene: the stone, the tube's edge and its chamfer's, and one along edge and wall's foot by turns.
    stone, edge, chamfer = ring(1.97, 3.80, 1.88), ring(2.335, 3.12, 1.23), ring(2.245, 3.2, 0.83)
    assert tube_ring([stone, edge, chamfer, ring(2.45, 2.96, 0.18)]) is edge


def test_a_tube_s_faint_edge_round_a_sharp_girdle_is_the_tube_s() -> None:
    stone, edge, facets = ring(1.97, 3.80, 1.88), ring(2.335, 3.12, 0.12), ring(1.6, 3.7, 0.9)
    assert tube_ring([stone, edge, facets]) is edge


def test_a_chamfer_s_fainter_outer_edge_is_the_tube_s() -> None:
    stone, outer, inner = ring(1.97, 3.80, 1.88), ring(2.335, 3.12, 0.4), ring(2.245, 3.2, 1.2)
    assert tube_ring([stone, outer, inner]) is outer
