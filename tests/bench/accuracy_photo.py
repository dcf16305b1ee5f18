"""One photograph with known truth, measured by the program and by the plain recipe, and what came of it."""

from __future__ import annotations

import json
import os
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.bench import plain_recipe

#: Where each quantity stands: its name in the table, in the truth file, in the program's JSON, in the recipe's answer.
QUANTITIES: dict[str, tuple[str, str, str, str | None]] = {
    # kind-independent name: (truth path, result path, words, recipe's name)
    "stone": ("stone.diameter_mm", "stone.diameter_mm", "stone diameter", "stone"),
    "outer": ("tube.outer_diameter_mm", "tube.outer_diameter_mm", "tube OD", "outer"),
    "bore": ("tube.bore_diameter_mm", "tube.bore_diameter_mm", "tube bore", "bore"),
    "rim": ("rim.centred_mm", "rim.centred_mm", "rim, centred", "rim"),
    "smallest": ("rim.smallest_mm", "rim.smallest_mm", "rim, smallest", None),
}
OF_KIND = {"stone": ("stone",), "tube": ("outer", "bore"), "rim": ("stone", "outer", "rim", "smallest")}
#: A subject counts as found when the edge's centre lies this near to the true one, as a share of its radius.
FOUND_SHARE = 0.3


@dataclass(frozen=True)
class Figure:
    """A quantity: what is true, what was read with its 95 % uncertainty, what the plain recipe says (or None)."""

    true: float
    value: float | None
    u95: float | None
    plain: float | None


@dataclass(frozen=True)
class Outcome:
    """What came of one photograph.

    Parameters
    ----------
    photo : str
        File name.
    kind : str
        "stone", "tube" or "rim".
    figures : dict of str to Figure
        By the names of `QUANTITIES`.
    traits : frozenset of str
        Groups that the photograph belongs to.
    refusal, failure : str
        Kind of the refusal; last line of a crash; else empty.
    found : bool
        The main subject was found unaided.
    verdict : str
        Of a rim, else empty.
    wrongly_adequate, truly_under : bool or None
        Of a rim, for the rule of the centred rim: called adequate though under the limit; truly under it.
    seconds : float
        Time of the measurement in this process, without imports.
    """

    photo: str
    kind: str
    figures: dict[str, Figure]
    traits: frozenset[str]
    refusal: str = ""
    failure: str = ""
    found: bool = False
    verdict: str = ""
    wrongly_adequate: bool | None = None
    truly_under: bool | None = None
    seconds: float = 0.0
    notes: dict[str, Any] = field(default_factory=dict)


def truths(folder: Path) -> list[Path]:
    """Truth files of a folder whose photographs show a stone, a tube or both, in order."""
    return [
        path
        for path in sorted(folder.glob("*.json"))
        if (content := json.loads(path.read_text())).get("kind") in OF_KIND and (folder / content["photo"]).is_file()
    ]


def typed(truth: dict[str, Any]) -> dict[str, Any]:
    """What a user types beside the photo: the check lines measured with a rule, the tube's length, the bore for a rim.

    Lengths are rounded as calipers show them.
    """
    card = truth["card"]
    given: dict[str, Any] = {"check_lines": f"{card['across_mm']:.2f} {card['down_mm']:.2f}"}
    if truth["kind"] != "stone":
        given["length"] = f"{truth['tube']['length_mm']:.2f}"
    if truth["kind"] == "rim":
        given["bore"] = f"{truth['tube']['bore_diameter_mm']:.2f}"
    return given


def judge_photo(path: Path) -> Outcome:
    """Measure the photograph of a truth file with the program and with the plain recipe."""
    # Neither the owner's house rules nor camera profiles may enter.
    os.environ["RIMSIGHT_HOME"] = os.environ.get("ACCURACY_HOME") or tempfile.gettempdir() + "/rimsight-accuracy-home"
    truth = json.loads(path.read_text())
    photo, kind = path.parent / truth["photo"], truth["kind"]
    plain, note = _plain(photo, truth)
    true = {name: _at(truth, QUANTITIES[name][0]) for name in OF_KIND[kind]}
    empty = {name: Figure(value, None, None, plain.get(QUANTITIES[name][3] or "")) for name, value in true.items()}
    common: dict[str, Any] = {"photo": truth["photo"], "kind": kind, "traits": _traits(truth), "notes": note}
    started = time.perf_counter()
    try:
        result, found = _program(kind, photo, truth)
    except Exception as error:
        from rimsight.calibration.errors import PhotoError

        if isinstance(error, PhotoError):
            # What the square or the choice of a subject refuses was not found; what a reader refuses was.
            seen = not type(error).__module__.endswith((".subjects", ".square", ".choose"))
            return Outcome(figures=empty, refusal=error.kind, found=seen, **common)
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{type(error).__name__}: {error} ({Path(last.filename).name}:{last.lineno})"
        return Outcome(figures=empty, failure=where, **common)
    seconds = time.perf_counter() - started
    figures = {}
    for name, figure in empty.items():
        read = _at(result, QUANTITIES[name][1])
        figures[name] = figure if read is None else Figure(figure.true, read["value"], read["u95"], figure.plain)
    if kind != "rim":
        return Outcome(figures=figures, found=found, seconds=seconds, **common)
    wrongly, under = _judged(result, truth)
    return Outcome(
        figures=figures, found=found, verdict=result["verdict"], wrongly_adequate=wrongly, truly_under=under,
        seconds=seconds, **common,
    )  # fmt: skip


def _program(kind: str, photo: Path, truth: dict[str, Any]) -> tuple[dict[str, Any], bool]:
    """The program's JSON, and whether what was measured is the main subject."""
    import numpy as np

    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.measuring import measure
    from rimsight.cli.result import main_edge, result_of
    from rimsight.vision.outline import RoundEdge

    measured = measure(read_inputs(kind, typed(truth)), photo)
    result: dict[str, Any] = json.loads(json.dumps(result_of(measured)))
    edge = main_edge(measured)
    assert isinstance(edge, RoundEdge), kind
    middle = edge.points_px.mean(axis=0)
    away = float(np.hypot(*(middle - truth["subject_px"])))
    radius = float(np.hypot(*(edge.points_px - middle).T).mean())
    return result, away < FOUND_SHARE * radius


def _plain(photo: Path, truth: dict[str, Any]) -> tuple[dict[str, float], dict[str, Any]]:
    card = truth["card"]
    scale = (card["scale_across"] + card["scale_down"]) / 2
    try:
        return plain_recipe.measure(photo, truth["kind"], float(card["side_mm"]), scale), {}
    except Exception as error:
        return {}, {"plain recipe": str(error)}


def _judged(result: dict[str, Any], truth: dict[str, Any]) -> tuple[bool, bool]:
    """Whether the rim was called adequate though under the limit, and whether it is under it."""
    wrongly = under = False
    for check in result["checks"]:
        if check["name"] not in ("rim_centred", "rim_as_placed") or check["limit_mm"] is None:
            continue
        true = truth["rim"]["centred_mm" if check["name"] == "rim_centred" else "smallest_mm"]
        below = true < check["limit_mm"]
        under |= below
        wrongly |= below and check["outcome"] == "pass"
    return wrongly, under


def _traits(truth: dict[str, Any]) -> frozenset[str]:
    develop = truth["scene"]["develop"]
    focal = develop["exif"] and develop["f35_mm"]
    traits = {"focal length in EXIF" if focal else "no focal length"}
    camera = truth["camera"]
    near = camera["f_px"] / camera["height_above_card_mm"] >= 25.0
    traits.add("25 px/mm and more" if near else "under 25 px/mm")
    tube = truth.get("tube")
    if tube:
        chamfered = tube["chamfer_outer_mm"] > 0 or tube["chamfer_inner_mm"] > 0
        traits.add("chamfered tube" if chamfered else "plain tube edge")
    return frozenset(traits)


def _at(content: Any, path: str) -> Any:
    for name in path.split("."):
        if content is None:
            return None
        content = content.get(name)
    return content
