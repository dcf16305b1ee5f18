"""What a stone's shape is called, and what speaks for it."""

from __future__ import annotations

from dataclasses import dataclass

from rimsight.vision.shape_box import Box
from rimsight.vision.shape_edges import ShapeEdge

#: Exponent of a superellipse from which it is a cushion rather than an oval, and the width of the doubt on both sides.
CUSHION_EXPONENT, CUSHION_DOUBT = 2.35, 0.12
#: A fuller one may be a rectangle: cushions have exponents up to 4 (common practice, no source).
FULLEST_CUSHION = 5.0
#: Length over width up to which a rectangle is called a square, with its doubt.
SQUARE_RATIO, SQUARE_DOUBT = 1.05, 0.012
#: Leg of a cut corner over the width from which corners are called cut, with its doubt.
CUT_SHARE, CUT_DOUBT = 0.07, 0.02
#: Length over width up to which an oval is called round, with its doubt.
ROUND_RATIO, ROUND_DOUBT = 1.015, 0.008
#: Another family whose merit reaches this share of the best one's can't be told from it.
RIVAL_SHARE = 0.85

#: What the shapes are called in sentences.
WORDS = {
    "round": "round", "oval": "oval", "cushion": "cushion", "marquise": "marquise", "pear": "pear", "square": "square",
    "rectangle": "rectangle", "square, corners cut": "square with cut corners",
    "rectangle, corners cut": "rectangle with cut corners", "triangle": "triangle",
}  # fmt: skip

#: Families of outlines by what a person may call the stone.
FAMILY_OF: dict[str, tuple[str, ...]] = {
    "oval": ("superellipse",), "cushion": ("superellipse",), "marquise": ("marquise",), "pear": ("pear",),
    "square": ("rectangle",), "rectangle": ("rectangle",), "triangle": ("triangle",),
}  # fmt: skip


@dataclass(frozen=True)
class Naming:
    """A shape's name.

    Parameters
    ----------
    shape : str
        One of `WORDS`.
    maybe : tuple of str
        Other shapes that can't be told from it here; empty when it is clear.
    evidence : tuple of str
        What speaks for it, short clauses.
    """

    shape: str
    maybe: tuple[str, ...]
    evidence: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The name in words."""
        if not self.maybe:
            return WORDS[self.shape]
        return "can't tell between " + " and ".join(WORDS[name] for name in (self.shape, *self.maybe))


def name_shape(
    edge: ShapeEdge, merit: float, tried: list[tuple[ShapeEdge, float]], box: Box, asked: str | None = None
) -> Naming:
    """Name a shape from the outline that suits best and those that nearly do.

    Parameters
    ----------
    edge : ShapeEdge
        The outline that suits best.
    merit : float
        Its merit.
    tried : list of (ShapeEdge, float)
        All that were followed, with their merits.
    box : Box
        Its smallest box.
    asked : str, optional
        What the user says the stone is: that names it, and what the outline says otherwise is among the evidence.
    """
    shape, near, evidence = _within_family(edge, box)
    best = max(merit, 1e-9)
    maybe = list(near)
    others = [(other, its) for other, its in tried if other.family is not edge.family]
    for other, its in others:
        name = _within_family(other, box)[0]
        if its >= RIVAL_SHARE * best and name != shape and name not in maybe:
            maybe.append(name)
    worse = [(other, its) for other, its in others if its < RIVAL_SHARE * best]
    if worse:
        closest = max(worse, key=lambda item: item[1])[0]
        evidence.append(
            f"the next best outline, a {closest.family.name}, leaves the edge by {closest.scatter_px:.1f} px, "
            f"this one by {edge.scatter_px:.1f} px"
        )
    if asked is not None:
        own = shape.partition(",")[0]
        if own != asked:
            evidence.append(f"called so by --shape; by its outline alone it is {WORDS[shape]}")
            return Naming(asked, (), tuple(evidence))
        maybe = []
    return Naming(shape, tuple(maybe), tuple(evidence))


def _within_family(edge: ShapeEdge, box: Box) -> tuple[str, list[str], list[str]]:
    """Name, near names and evidence from the parameters of one family."""
    p = edge.parameters
    ratio = box.length_mm / box.width_mm
    by_size = f"length over width {ratio:.3f}"
    if edge.family.name == "round":
        return "round", [], ["one radius all round"]
    if edge.family.name == "superellipse":
        exponent = float(p[5])
        shape = "cushion" if exponent > CUSHION_EXPONENT else "oval"
        near = []
        if abs(exponent - CUSHION_EXPONENT) < CUSHION_DOUBT:
            near.append("oval" if shape == "cushion" else "cushion")
        if exponent > FULLEST_CUSHION:
            near.append("square" if ratio < SQUARE_RATIO else "rectangle")
        if shape == "oval" and ratio < ROUND_RATIO + ROUND_DOUBT:
            if ratio < ROUND_RATIO - ROUND_DOUBT:
                shape = "round"
            else:
                near.append("round")
        fullness = "fuller than an ellipse" if exponent > 2.1 else "an ellipse" if exponent > 1.9 else "slimmer"
        return shape, near, [by_size, f"superellipse of exponent {exponent:.2f} (2 is an ellipse): {fullness}"]
    if edge.family.name == "marquise":
        return "marquise", [], [by_size, "two arcs that meet in two points"]
    if edge.family.name == "pear":
        return "pear", [], [by_size, "round at one end, two arcs that meet in a point at the other"]
    if edge.family.name == "triangle":
        return "triangle", [], [f"three sides, bulging by {100 * float(p[6]):.0f} % of their length"]
    cut = float(p[5]) / (2.0 * min(float(p[3]), float(p[4])))
    square = ratio < SQUARE_RATIO
    shape = "square" if square else "rectangle"
    near = []
    corners = cut > CUT_SHARE
    if abs(ratio - SQUARE_RATIO) < SQUARE_DOUBT:
        near.append(("rectangle" if square else "square") + (", corners cut" if corners else ""))
    if abs(cut - CUT_SHARE) < CUT_DOUBT:
        near.append(shape if corners else f"{shape}, corners cut")
    told = f"straight sides, corners cut by {100 * cut:.0f} % of the width" if cut > 0.01 else "straight sides"
    return f"{shape}, corners cut" if corners else shape, near, [by_size, told]
