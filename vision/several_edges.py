"""Several photographs of one scene: what is known of each, and the edges of a subject's circles in them."""

from __future__ import annotations

from dataclasses import dataclass

from uncertainties import UFloat

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import Height
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.pose import Prior
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.outline import RoundEdge

#: Circles of each kind of subject; the bore is used where it is seen.
CIRCLES = {"stone": ("stone",), "tube": ("outer", "bore"), "rim": ("outer", "stone")}
LEVEL = {"outer": "top", "bore": "top", "stone": "girdle"}
#: Share of a single photograph's doubt of an edge's radius that is left where several show it as one circle at one
#: height: few of these are another edge. With the whole of it 95 % of the odd ones of 120 diameters lay within 0.8
#: (outer), 1.1 (bore), 0.7 and 1.3 (stone on metal, on paper) standard uncertainties, with this within 1.3, 1.5, 1.3
#: and 1.5; the even ones within 1.4, 1.6, 0.9 and 0.8. The centre's doubt stays whole: heights need it.
TOGETHER = {"outer": 0.55, "bore": 0.7, "stone": 0.6}
#: That of a tube's edge which shows clearly on this share of its round or more; on less, more of the doubt is left, and
#: all of it at the least share (one seen on 0.36 was read 0.061 mm small, stated 0.029).
WELL_SHOWN, LEAST_SHOWN = 0.7, 0.3


def share_left(name: str, shown: float) -> float:
    """Share of a single photograph's doubt that is left of a tube's edge that shows on a share of its round, 0 to 1."""
    clear = min(max((shown - LEAST_SHOWN) / (WELL_SHOWN - LEAST_SHOWN), 0.0), 1.0)
    return 1.0 - (1.0 - TOGETHER[name]) * clear


@dataclass(frozen=True)
class Shot:
    """One of several photographs of a scene.

    Parameters
    ----------
    name : str
        The photograph, for messages.
    image : LightImage
        Its light.
    calibration : Calibration
        Its geometry, with the view that all photographs together give.
    prior : Prior
        What was known of its camera beforehand.
    camera : int
        Photographs of the same number were taken by one camera.
    candidate : Candidate
        Where the subject lies.
    """

    name: str
    image: LightImage
    calibration: Calibration
    prior: Prior
    camera: int
    candidate: Candidate


@dataclass(frozen=True)
class Known:
    """What was typed, millimetres.

    Parameters
    ----------
    length : Height or None
        Length of the tube.
    girdle : Height or None
        Height of the girdle: above the table (stone) or above the tube's end (rim).
    bore, wall : uncertainties.UFloat or None
        Of the tube.
    card_height_mm : float
        How high above the table the card lies.
    """

    length: Height | None = None
    girdle: Height | None = None
    bore: UFloat | None = None
    wall: UFloat | None = None
    card_height_mm: float = 0.0


@dataclass(frozen=True)
class OwnEdge:
    """One circle's edge in one photograph.

    Parameters
    ----------
    edge : RoundEdge
        The edge.
    outside_mm : float
        How much further out the true edge lies than the points.
    u_mm : float
        Standard uncertainty of the radius by how well the edge can be located.
    u_centre_mm : float
        The same of each coordinate of the centre.
    scatter_px : float or None
        Scatter of the points about the circle they should lie on; default that of the edge's own circle.
    u_alone_mm : float
        Standard uncertainty of the radius by what this photograph alone does to it, beside `u_mm`, of which photographs
        share a part.
    u_which_mm : float
        Standard uncertainty of the radius by the doubt which of two edges it is: the same in all photographs.
    """

    edge: RoundEdge
    outside_mm: float
    u_mm: float
    u_centre_mm: float
    scatter_px: float | None = None
    u_alone_mm: float = 0.0
    u_which_mm: float = 0.0


Edges = dict[str, OwnEdge]


@dataclass(frozen=True)
class Chamfer:
    """What the photographs say of the chamfer at one edge of a tube, millimetres.

    Parameters
    ----------
    width_mm : float
        Its width where one was told apart, else 0.
    below_mm : float
        How far below the face the edge's points lie, each reading counted by how likely it is.
    u_below_mm : float
        Standard uncertainty of that.
    """

    width_mm: float = 0.0
    below_mm: float = 0.0
    u_below_mm: float = 0.0


class EdgeNotFollowed(PhotoError):
    """An edge that one photograph shows isn't found in the others."""

    kind = "edge_not_followed"


class PhotosDisagree(PhotoError):
    """What the photographs show of one edge can't be one circle at one height."""

    kind = "photos_disagree"


def other_sizes(words: str, sizes_mm: list[float]) -> PhotosDisagree:
    """The refusal of a circle that is wider in one photograph than in another."""
    return PhotosDisagree(
        f"the {words} is {min(sizes_mm):.2f} mm wide in one photo and {max(sizes_mm):.2f} mm in another",
        "photos of one untouched scene, in which the same edge is seen",
        "look at each photo by itself (--out): another edge may be read in one of them; else photograph both again",
    )


def other_places(words: str, apart_mm: float) -> PhotosDisagree:
    """The refusal of a circle that no height puts in one place."""
    return PhotosDisagree(
        f"at no height do the photos agree on where the {words} is: {apart_mm:.2f} mm are left",
        "a scene that nobody touched between the photos, and a card that lies still and flat",
        "move only the camera: put the phone on a support, or take both photos again",
    )
