"""One scene with known truth, measured from several photographs and from each alone, and what came of it."""

from __future__ import annotations

import json
import os
import tempfile
import time
import warnings
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

#: What is compared, by kind: name in the table, path in the truth file.
TRUTH = {
    "stone": ("stone", "diameter_mm"),
    "outer": ("tube", "outer_diameter_mm"),
    "bore": ("tube", "bore_diameter_mm"),
    "rim": ("rim", "centred_mm"),
}
OF_KIND = {"stone": ("stone",), "tube": ("outer", "bore"), "rim": ("stone", "outer", "rim")}
#: Edges further away than this from the true one are another edge altogether, pixels.
NEAREST_PX = 1.0
#: Edges nearer to the true one than this in centre and radius count as right, pixels.
RIGHT_PX = 0.5
#: Ways of measuring, in the order of the table.
TWO, TWO_PROFILE, ONE, ONE_TYPED, GEOMETRY = (
    "several photos, nothing typed, no EXIF",
    "several photos, camera profile",
    "one photo, EXIF, nothing typed",
    "one photo, EXIF, height and bore typed",
    "geometry alone: true edges, no EXIF",
)


@dataclass
class SceneOutcome:
    """What came of one scene.

    Attributes
    ----------
    name, kind : str
        The scene.
    errors : dict of str to dict of str to (float, float)
        By way and quantity: error and stated 95 % uncertainty, millimetres.
    refused : dict of str to str
        Ways that gave nothing, with the kind of the refusal.
    lens_mm : dict of str to float
        Geometry alone: what the lens adds to each diameter with the camera's profile, against a camera known exactly.
    located : dict of str to list of (float, float, float)
        By circle and view: error of radius and centre, pixels, of the edge nearest to the true one.
    seconds : float
        Of measuring several photographs.
    """

    name: str
    kind: str
    errors: dict[str, dict[str, tuple[float, float]]] = field(default_factory=lambda: defaultdict(dict))
    refused: dict[str, str] = field(default_factory=dict)
    lens_mm: dict[str, float] = field(default_factory=dict)
    located: dict[str, list[tuple[float, float, float]]] = field(default_factory=lambda: defaultdict(list))
    seconds: float = 0.0


def scenes(folder: Path) -> dict[str, list[Path]]:
    """Truth files of a folder by scene; a photograph's name is the scene's with a letter for the view."""
    found: dict[str, list[Path]] = defaultdict(list)
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if truth["kind"] in OF_KIND and (folder / truth["photo"]).is_file():
            found[path.stem.rsplit("-", 1)[0]].append(path)
    return {name: paths for name, paths in found.items() if len(paths) > 1}


def without_exif(source: Path, target: Path) -> Path:
    """Write a JPEG without its APP1 segments (EXIF); every other byte stays."""
    data = source.read_bytes()
    kept, at = bytearray(data[:2]), 2
    while data[at] == 0xFF and data[at + 1] != 0xDA:
        length = int.from_bytes(data[at + 2 : at + 4], "big") + 2
        if data[at + 1] != 0xE1:
            kept += data[at : at + length]
        at += length
    target.write_bytes(bytes(kept) + data[at:])
    return target


def true_heights(truth: dict[str, Any]) -> dict[str, float]:
    """Heights by the names of the program's JSON."""
    found = {}
    if "tube" in truth:
        found["tube_top"] = float(truth["tube"]["length_mm"])
    if "stone" in truth:
        found["girdle"] = 0.5 * float(truth["stone"]["girdle_lower_mm"] + truth["stone"]["girdle_upper_mm"])
    if len(found) == 2:
        found["girdle_above_tube"] = found["girdle"] - found["tube_top"]
    return found


def judge_scene(task: tuple[str, list[Path], Path | None, bool]) -> SceneOutcome:
    """Measure one scene in every way.

    Parameters
    ----------
    task : (str, list of Path, Path or None, bool)
        Name, truth files of the views, the configuration folder that holds the camera's profile, if there is one, and
        whether one photograph and the geometry alone are left out.
    """
    from rimsight.calibration.errors import PhotoError

    name, paths, home, quick = task
    warnings.simplefilter("ignore", RuntimeWarning)
    truths = [json.loads(path.read_text()) for path in paths]
    kind = truths[0]["kind"]
    photos = [path.parent / truth["photo"] for path, truth in zip(paths, truths, strict=True)]
    outcome = SceneOutcome(name, kind)
    card = truths[0]["card"]
    lines = {"check_lines": f"{card['across_mm']:.2f} {card['down_mm']:.2f}"}
    with tempfile.TemporaryDirectory() as empty:
        os.environ["RIMSIGHT_HOME"] = empty
        bare = [without_exif(photo, Path(empty) / photo.name) for photo in photos]
        started = time.perf_counter()
        _several(outcome, TWO, truths[0], bare, lines)
        outcome.seconds = time.perf_counter() - started
        if quick:
            return outcome
        _single(outcome, ONE, truths[0], photos[0], lines)
        typed = dict(lines)
        if kind == "stone":
            typed["height"] = f"{true_heights(truths[0])['girdle']:.2f}"
        else:
            typed["length"] = f"{truths[0]['tube']['length_mm']:.2f}"
        if kind == "rim":
            typed["bore"] = f"{truths[0]['tube']['bore_diameter_mm']:.2f}"
        _single(outcome, ONE_TYPED, truths[0], photos[0], typed)
    if home is not None:
        os.environ["RIMSIGHT_HOME"] = str(home)
        _several(outcome, TWO_PROFILE, truths[0], photos, lines)
    try:
        _geometry(outcome, truths, photos, lines, profile=home is not None)
    except PhotoError as error:  # a square that no photograph can be read by
        outcome.refused[GEOMETRY] = error.kind
    return outcome


def _several(
    outcome: SceneOutcome, way: str, truth: dict[str, Any], photos: list[Path], inputs: dict[str, str]
) -> None:
    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.result import result_of
    from rimsight.cli.several import measure_several

    try:
        result = result_of(measure_several(read_inputs(outcome.kind, inputs), photos))
    except PhotoError as error:
        outcome.refused[way] = error.kind
        return
    _take(outcome, way, truth, result)
    for name, true in true_heights(truth).items():
        found = result["height"][f"{name}_mm"]
        if found is None:  # known too badly to be told
            continue
        outcome.errors[way][name] = (found["value"] - true, found["u95"])


def _single(outcome: SceneOutcome, way: str, truth: dict[str, Any], photo: Path, inputs: dict[str, str]) -> None:
    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.measuring import measure
    from rimsight.cli.result import result_of

    try:
        result = result_of(measure(read_inputs(outcome.kind, inputs), photo))
    except PhotoError as error:
        outcome.refused[way] = error.kind
        return
    _take(outcome, way, truth, result)
    heights = result["heights"]
    if outcome.kind == "stone":
        middle = 0.5 * (heights["girdle_lower_mm"] + heights["girdle_upper_mm"])
        outcome.errors[way]["girdle"] = (middle - true_heights(truth)["girdle"], 1.96 * heights["u_mm"])


def _take(outcome: SceneOutcome, way: str, truth: dict[str, Any], result: dict[str, Any]) -> None:
    for name in OF_KIND[outcome.kind]:
        part, key = TRUTH[name]
        found = result[part][key]
        if found is not None:
            outcome.errors[way][name] = (found["value"] - truth[part][key], found["u95"])


# --- geometry alone ---------------------------------------------------------------------------------------------------


def _geometry(
    outcome: SceneOutcome, truths: list[dict[str, Any]], photos: list[Path], inputs: dict[str, str], *, profile: bool
) -> None:
    """Solve from edges that were located where the truth says they are; edges that are another's are left out."""
    from rimsight.calibration.multiview import solve_scene
    from rimsight.calibration.pose import Prior, prior_for
    from rimsight.calibration.profile_match import match_profile
    from rimsight.calibration.square import read_square
    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.opening import checks_of
    from rimsight.vision.photo import load_photo

    checks = checks_of(read_inputs(outcome.kind, inputs))
    loaded = [load_photo(photo) for photo in photos]
    seen = [_true_edges(photo, truth, outcome) for photo, truth in zip(loaded, truths, strict=True)]
    names = [name for name in OF_KIND[outcome.kind] if name != "rim" and all(name in edges for edges in seen)]
    if not names or (outcome.kind == "tube" and "outer" not in names):
        outcome.refused[GEOMETRY] = "another edge"
        return
    plain = [prior_for(photo.light.width_px, photo.light.height_px) for photo in loaded]
    calibrations = [read_square(photo.light, prior, check=checks) for photo, prior in zip(loaded, plain, strict=True)]

    def solve(priors: list[Prior]) -> Any:
        return solve_scene(
            _sightings(calibrations, seen, names, priors),
            _circles(names, truths[0]),
            heights_mm=_starts(names),
            u_proportion=calibrations[0].u_proportion,
        )

    solved = solve(plain)
    heights = true_heights(truths[0])
    for name in names:
        part, key = TRUTH[name]
        error = 2.0 * solved.circles[name][2] - truths[0][part][key]
        outcome.errors[GEOMETRY][name] = (float(error), 1.96 * 2.0 * solved.u(f"{name} radius"))
    for level, name in (("top", "tube_top"), ("girdle", "girdle")):
        if level in solved.heights:
            true = heights[name] if level == "girdle" else truths[0]["tube"]["outer_edge_height_mm"]
            outcome.errors[GEOMETRY][name] = (solved.heights[level] - true, 1.96 * solved.u(level))
    if not profile:
        return
    own = [match_profile(photo.exif, photo.light.width_px, photo.light.height_px).prior for photo in loaded]
    if any(prior is None for prior in own):
        return
    exact = Prior(_camera(truths[0]), 1e-5, 1e-5, 1e-5, 1e-6)
    with_profile, with_truth = solve([prior for prior in own if prior is not None]), solve([exact] * len(own))
    for name in names:
        outcome.lens_mm[name] = float(2.0 * (with_profile.circles[name][2] - with_truth.circles[name][2]))


def _camera(truth: dict[str, Any]) -> Any:
    from rimsight.calibration.camera import Camera

    camera = truth["camera"]
    x, y = camera["principal_point_px"]
    return Camera(camera["f_px"], x, y, camera["k1"], camera["k2"])


def _true_edges(photo: Any, truth: dict[str, Any], outcome: SceneOutcome) -> dict[str, Any]:
    """Edges located round the true circles, where they are the true ones."""
    import cv2

    from rimsight.calibration.camera import View
    from rimsight.vision.outline import level, measure_edge, wall

    camera = truth["camera"]
    rotation = np.asarray(cv2.Rodrigues(np.array(camera["rotation_card_to_camera"]))[0]).ravel()
    view = View(_camera(truth), tuple(rotation.tolist()), tuple(camera["translation_card_to_camera_mm"]))
    wanted: dict[str, tuple[Any, ...]] = {}
    if "stone" in truth:
        stone = truth["stone"]
        low, high = stone["girdle_lower_mm"], stone["girdle_upper_mm"]
        wanted["stone"] = stone["centre_mm"], stone["diameter_mm"], wall(low, high), 0.5 * (low + high)
    if "tube" in truth:
        tube = truth["tube"]
        height = tube["outer_edge_height_mm"]
        wanted["outer"] = tube["centre_mm"], tube["outer_diameter_mm"], level(height), height
        height = tube["bore_edge_height_mm"]
        wanted["bore"] = tube["bore_centre_mm"], tube["bore_diameter_mm"], level(height), height
    found = {}
    for name, (centre, diameter, rule, height) in wanted.items():
        try:
            edge = measure_edge(photo.light, view, np.array(centre), diameter / 2, rule, height, 1.0)
        except ValueError:
            continue
        off = max(float(np.abs(edge.circle.centre - centre).max()), abs(edge.circle.radius - diameter / 2))
        if off * edge.px_per_mm < NEAREST_PX:
            x, y = ((edge.circle.centre - centre) * edge.px_per_mm).tolist()
            outcome.located[name].append((float(edge.circle.radius - diameter / 2) * edge.px_per_mm, x, y))
        if off * edge.px_per_mm < RIGHT_PX and edge.coverage_deg > 180.0:
            found[name] = edge
    return found


def _sightings(calibrations: list[Any], seen: list[dict[str, Any]], names: list[str], priors: list[Any]) -> list[Any]:
    from rimsight.calibration.baseline import seen_square
    from rimsight.calibration.sighting import SeenCircle, Sighting

    u_px = 0.15  # what is left of an edge that is the right one
    return [
        Sighting(
            seen_square(calibration),
            replace(calibration.view),
            tuple(
                SeenCircle(
                    name, edges[name].points_px, edges[name].circle.weights, 0.0,
                    max(edges[name].scatter_px, 0.05) * 1.5, u_px / edges[name].px_per_mm, u_px / edges[name].px_per_mm,
                )
                for name in names
            ),
            prior,
        )
        for calibration, edges, prior in zip(calibrations, seen, priors, strict=True)
    ]  # fmt: skip


def _circles(names: list[str], truth: dict[str, Any]) -> list[Any]:
    from rimsight.calibration.height import GIRDLE_SHARE, GIRDLE_SHARE_U
    from rimsight.calibration.sighting import LevelCircle

    return [
        LevelCircle(
            name, "girdle", GIRDLE_SHARE * truth["stone"]["diameter_mm"], GIRDLE_SHARE_U * truth["stone"]["diameter_mm"]
        )
        if name == "stone"
        else LevelCircle(name, "top", u_level_mm=0.03)
        for name in names
    ]


def _starts(names: list[str]) -> dict[str, float]:
    return {"top": 7.0, "girdle": 8.0 if "outer" in names else 1.0}
