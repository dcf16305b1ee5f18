"""Heights of edges above the card: typed, or by default with the uncertainty that the default deserves.

An edge h above the card is enlarged by Z / (Z - h), Z being the camera's distance: 5 mm at 200 mm are 2.6 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, tan

#: Crown height of a brilliant as a share of its diameter: Tolkowsky, Diamond Design (1919): table 53 %, crown 34.5
#: degrees: (1 - 0.53) / 2 * tan(34.5 deg) = 0.1615.
CROWN_SHARE = (1.0 - 0.53) / 2.0 * tan(radians(34.5))
#: Cut stones have crowns of 0.09 to 0.19 D (common practice, no source); standard uncertainty of the share.
CROWN_SHARE_U = 0.028
#: Thickness of the girdle as a share of the diameter, and its standard uncertainty (common practice, no source).
GIRDLE_SHARE = 0.027
GIRDLE_SHARE_U = 0.009
#: Pavilion angle: Tolkowsky 40.75 degrees; cut stones 38 to 43, flat ones less (common practice, no source).
PAVILION_DEG = 40.75
PAVILION_DEG_U = 2.5
#: A stone that isn't round sits higher than its deepest facets say by this; standard uncertainty: a part that is always
#: there, and a share of how high that is; from drawn stones of six shapes, brilliants and step cuts.
SHAPED_HIGHER_MM, SHAPED_U_MM, SHAPED_U_SHARE = 0.06, 0.04, 0.25
#: Length of a piece of setting tube where none was typed: 3 to 12 mm (common practice, no source), uniform.
TUBE_LENGTH_MM = 7.5
TUBE_LENGTH_U_MM = 4.5 / 3**0.5
#: Standard uncertainty of a typed length or height: a hand caliper's limit of 0.02 mm (DIN 862) taken as a uniform
#: half-width, and 0.05 mm for how the piece stands on the paper (judgement).
TYPED_HEIGHT_U_MM = 0.05


@dataclass(frozen=True)
class Height:
    """Height of an edge above the card.

    Parameters
    ----------
    mm : float
        Best estimate, millimetres.
    u_mm : float
        Standard uncertainty.
    source : str
        Where it comes from, in words.
    """

    mm: float
    u_mm: float
    source: str


@dataclass(frozen=True)
class GirdleHeights:
    """Heights of a girdle's lower and upper edge.

    Parameters
    ----------
    lower_mm, upper_mm : float
        Above the card, millimetres.
    u_mm : float
        Standard uncertainty of their mean.
    u_thickness_mm : float
        Standard uncertainty of the girdle's thickness.
    source : str
        Where they come from, in words.
    """

    lower_mm: float
    upper_mm: float
    u_mm: float
    u_thickness_mm: float
    source: str

    @property
    def mean_mm(self) -> float:
        """Height of the girdle's middle."""
        return 0.5 * (self.lower_mm + self.upper_mm)


def girdle_on_card(diameter_mm: float, typed: Height | None = None) -> GirdleHeights:
    """Heights of the girdle of a stone that lies on its table, the pavilion up.

    Parameters
    ----------
    diameter_mm : float
        Girdle diameter, a few per cent are enough.
    typed : Height, optional
        Typed height of the girdle's middle above the card.
    """
    thickness = GIRDLE_SHARE * diameter_mm
    if typed is not None:
        middle, u, source = typed.mm, typed.u_mm, typed.source
    else:
        middle = CROWN_SHARE * diameter_mm + thickness / 2
        u = CROWN_SHARE_U * diameter_mm
        source = "default: the stone lies on its table, crown height 0.16 of the diameter"
    return GirdleHeights(middle - thickness / 2, middle + thickness / 2, u, GIRDLE_SHARE_U * diameter_mm, source)


def girdle_on_tube(
    diameter_mm: float, seat_mm: float, tube: Height, typed_above: Height | None = None
) -> GirdleHeights:
    """Heights of the girdle of a stone that sits with its pavilion on the edge of a tube's bore.

    Parameters
    ----------
    diameter_mm : float
        Girdle diameter.
    seat_mm : float
        Diameter of the circle on which the pavilion rests (the mouth of the bore).
    tube : Height
        Height of the tube's top face.
    typed_above : Height, optional
        Typed height of the girdle's middle above the tube's top.

    Returns
    -------
    GirdleHeights
        `u_mm` is the uncertainty of the girdle's height ABOVE THE TUBE; the tube's own comes on top, in common
        with the tube's edges.
    """
    thickness = GIRDLE_SHARE * diameter_mm
    if typed_above is not None:
        lower = tube.mm + typed_above.mm - thickness / 2
        u_girdle = GIRDLE_SHARE_U * diameter_mm
        return GirdleHeights(lower, lower + thickness, typed_above.u_mm, u_girdle, typed_above.source)
    overhang = max((diameter_mm - seat_mm) / 2.0, 0.0)
    above = overhang * tan(radians(PAVILION_DEG))
    slope_u = overhang * (tan(radians(PAVILION_DEG + PAVILION_DEG_U)) - tan(radians(PAVILION_DEG)))
    # Lower girdle facets and the seat's chamfer shift the contact by a few hundredths.
    u = float((slope_u**2 + 0.04**2) ** 0.5)
    return GirdleHeights(
        tube.mm + above,
        tube.mm + above + thickness,
        u,
        GIRDLE_SHARE_U * diameter_mm,
        "default: the pavilion (40.75 degrees) rests on the bore's edge",
    )


def shaped_girdle_on_tube(
    width_mm: float, round_mm: float, seat_mm: float, tube: Height, typed_above: Height | None = None
) -> GirdleHeights:
    """Heights of the girdle of a stone that isn't round, sitting with its pavilion on the edge of a tube's bore.

    Its pavilion is deepest, as seen from the bore's edge, below the corner or end that lies furthest out: from the
    depth that the width gives it rises evenly to the girdle there. Step cuts end in a keel and sit higher. On 20 drawn
    stones the girdle stood 0.04 mm lower to 0.5 mm higher than that, the median 0.07 mm higher.

    Parameters
    ----------
    width_mm, round_mm : float
        Width of the stone, and diameter of the circle round it.
    seat_mm, tube, typed_above
        As of `girdle_on_tube`.
    """
    if typed_above is not None:
        return girdle_on_tube(width_mm, seat_mm, tube, typed_above)
    thickness = GIRDLE_SHARE * width_mm
    above = tan(radians(PAVILION_DEG)) * width_mm / 2.0 * max(1.0 - seat_mm / round_mm, 0.0)
    lower = tube.mm + above + SHAPED_HIGHER_MM
    return GirdleHeights(
        lower,
        lower + thickness,
        SHAPED_U_MM + SHAPED_U_SHARE * above,
        GIRDLE_SHARE_U * width_mm,
        "default: the pavilion (40.75 degrees) rests on the bore's edge where it is deepest",
    )
