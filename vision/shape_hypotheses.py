"""Outlines that a stone may have in a photograph, each followed to its sub-pixel edge, the likeliest first."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.outline import wall
from rimsight.vision.shape_box import Box, closed_outline, departures, smallest_box
from rimsight.vision.shape_edges import Guide, ShapeEdge, follow
from rimsight.vision.shape_evidence import girdle_maps
from rimsight.vision.shape_fit import CoarseFit, coarse_fits
from rimsight.vision.shape_likeness import Plane, Surroundings, stone_likeness
from rimsight.vision.shape_path import closed_path, ellipse_of
from rimsight.vision.shape_rough import affine_to_px
from rimsight.vision.shape_search import EdgeMap, Found, doubts, scanned, search
from rimsight.vision.shape_strip import patch_round

FloatArray = NDArray[np.float64]

#: Evidence that an edge loses by each edge further out: where the stone tells itself little lies outside that isn't
#: noise, else facets lie inside of the girdle.
OUTERMOST_TOLD, OUTERMOST_PLAIN = 0.2, 0.7
#: Families whose misfit to the path is within this factor of the best, or below this, are tried; so many of each kind
#: of start.
TRIED_FACTOR, TRIED_MM, TRIED_MOST = 3.0, 0.06, 3
#: Largest step of the search, pixels, and how far each side is then moved to look for a better place, millimetres.
STEP_PX, SCAN_MM = 6.0, 0.35
#: How far from the outline other places of its sides are looked for, millimetres.
DOUBT_REACH_MM = 0.25
#: Evidence this far outside counts against an outline, pixels, and how much: the girdle is the outermost.
ZONE_PX, OUTSIDE_COST = (3.0, 4.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0, 17.0), 0.9
#: Starts of one family that differ by less than this are one.
ALIKE_MM = 0.02
#: A stone's region: share of its colour, and blur of the map of it, pixels. It only starts fits.
REGION_SHARE, REGION_BLUR_PX = 0.3, 1.5
#: Half widths of the windows and preferences in which the edge is followed from there, pixels.
WINDOWS_PX = ((2.5, 1.5), (1.6, 1.0), (1.6, 1.0))
#: What scatter is added to the outline's own before it divides, pixels.
SCATTER_FLOOR_PX = 0.2


@dataclass(frozen=True)
class Hypothesis:
    """An outline that the stone may have.

    Parameters
    ----------
    edge : ShapeEdge
        The followed edge.
    box : Box
        Its smallest box.
    evidence : float
        Share of it on evidence of the girdle, less what lies outside: at most 1.
    edges : EdgeMap
        The evidence.
    like_shadow : float
        Share of the evidence along a clear stone's outline that looks like a shadow's edge; 0 for others.
    """

    edge: ShapeEdge
    box: Box
    evidence: float
    edges: EdgeMap
    like_shadow: float

    @property
    def merit(self) -> float:
        """High for evidence all round on which a sharp edge lies closely."""
        close = (self.edge.support + 0.02) / (self.edge.scatter_px + SCATTER_FLOOR_PX)
        return max(self.evidence, 0.0) * close

    def doubts(self) -> list[FloatArray]:
        """Changes of the parameters to each other place of a side, standard uncertainties."""
        return doubts(self.edges, self.edge.family, self.edge.parameters, DOUBT_REACH_MM)


def outline_of(edge: ShapeEdge) -> FloatArray:
    """An edge's closed outline (M, 2)."""
    return closed_outline(edge.family, edge.parameters, edge, edge.curve.points_mm, departures(edge))


def box_of(edge: ShapeEdge) -> Box:
    """The smallest box of an edge's closed outline."""
    return smallest_box(outline_of(edge))


def hypotheses(
    image: LightImage,
    view: View,
    around: Surroundings,
    girdle_mm: tuple[float, float],
    families: tuple[str, ...] | None = None,
    maps: list[Plane] | None = None,
) -> list[Hypothesis]:
    """Find the outlines that a stone within a rough hull may have.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    around : Surroundings
        What lies round the stone's rough hull.
    girdle_mm : tuple of 2 floats
        Heights of the girdle's lower and upper edge above the card; their mean is the plane of the search.
    families : tuple of str, optional
        Only these.
    maps : list of ndarray of shape (h, w), optional
        Where the girdle may run; default `shape_evidence.girdle_maps`.

    Returns
    -------
    list of Hypothesis
        Of highest merit first.
    """
    rule, middle_mm = wall(*girdle_mm), 0.5 * sum(girdle_mm)
    hull_px, blur_px = around.hull_px + around.corner_px, around.blur_px
    patch = patch_round(image, hull_px)
    ellipse = ellipse_of(around.hull_px)
    given = maps is not None
    maps = girdle_maps(around) if maps is None else maps
    told = not given and len(maps) == 1
    outermost = OUTERMOST_TOLD if len(maps) == 1 else OUTERMOST_PLAIN
    found: list[Hypothesis] = []
    to_px = affine_to_px(view, view.to_plane(hull_px, middle_mm).mean(axis=0), middle_mm, around.corner_px)
    every = [EdgeMap(evidence, to_px, zone_px=ZONE_PX, outside_cost=OUTSIDE_COST) for evidence in maps]
    for evidence, edges in zip(maps, every, strict=True):
        path = closed_path(evidence, ellipse, outermost=outermost) + around.corner_px
        polygons = [view.to_plane(path, middle_mm)]
        if told:
            region = region_of(around)
            polygons += [] if region is None else [view.to_plane(region + around.corner_px, middle_mm)]
        for start in _starts(edges, polygons, families):
            edge = follow(
                patch, view, start.family, start.parameters, rule, blur_px, windows=WINDOWS_PX,
                guide=Guide(around.corner_px, evidence, joint=told),
            )
            if edge is not None and not any(_alike(edge.parameters, edge.family.name, one.edge) for one in found):
                score = edges.score(edge.family, edge.parameters, fine=True)
                seen = [one.along(edge.family, edge.parameters) for one in every]
                found.append(Hypothesis(edge, box_of(edge), score, edges, 1.0 - seen[-1] / max(seen[0], 1e-6)))
    return sorted(found, key=lambda one: -one.merit)


def _starts(edges: EdgeMap, polygons_mm: list[FloatArray], families: tuple[str, ...] | None) -> list[Found]:
    """Outlines fitted to polygons and to the first one's hull, moved to where they lie best on the evidence."""
    hull = np.asarray(cv2.convexHull(polygons_mm[0].astype(np.float32)), dtype=np.float64).reshape(-1, 2)
    found: list[Found] = []
    for fits in [coarse_fits(polygon, families) for polygon in (hull, *polygons_mm)]:
        for fit in _worth_trying(fits):
            start = scanned(edges, search(edges, fit, largest_px=STEP_PX), SCAN_MM)
            if not any(_alike(start.parameters, start.family.name, other) for other in found):
                found.append(start)
    return found


def region_of(around: Surroundings) -> FloatArray | None:
    """Hull (M, 2) px of the pixels that have a good part of the stone's colour; None where it has none."""
    likeness = stone_likeness(around)
    if likeness is None:
        return None
    like = cv2.GaussianBlur(likeness.plane, (0, 0), REGION_BLUR_PX)
    inside = np.asarray((like > REGION_SHARE) & around.within(), dtype=np.uint8)
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    hull = cv2.convexHull(max(contours, key=cv2.contourArea)).reshape(-1, 2)
    return np.asarray(hull, dtype=np.float64) if len(hull) >= 8 else None


def _worth_trying(fits: list[CoarseFit]) -> list[CoarseFit]:
    if not fits:
        return []
    limit = max(TRIED_FACTOR * fits[0].misfit_mm, TRIED_MM)
    return [fit for fit in fits if fit.misfit_mm <= limit][:TRIED_MOST]


def _alike(parameters: FloatArray, name: str, other: Found | ShapeEdge) -> bool:
    return name == other.family.name and bool(np.abs(parameters - other.parameters).max() < ALIKE_MM)
