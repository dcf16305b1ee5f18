"""What the fit checker judges: a stone, a tube, and the stone as it lies on the tube.

All lengths are millimetres, each a float or a number of the library `uncertainties` (see `numbers`). Hand over
expressions of shared variables where readings share an influence, and the rim's uncertainty comes out right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from uncertainties import umath

from rimsight.fit.numbers import Number, nominal, standard

SMALLEST_MM, LARGEST_MM = 0.1, 100.0  #: outside it is a slip of the unit or the decimal mark


@dataclass(frozen=True)
class Stone:
    """A faceted stone, seen from above.

    Parameters
    ----------
    diameter_mm : Number
        Girdle diameter: the fitted or mean one. Of a stone that isn't round: of the smallest circle round it, so that
        the rim is told where it is smallest.
    smallest_mm, largest_mm : Number, optional
        Smallest and largest diameter, where the stone is out of round.
    height_mm : Number, optional
        Table to culet.
    girdle_mm : Number, optional
        Thickness of the girdle.
    pavilion_angle_deg, crown_angle_deg : Number, optional
        Angle between girdle plane and pavilion mains, and crown mains.
    crown_height_mm, pavilion_depth_mm : Number, optional
        Girdle's upper edge to table; girdle's lower edge to culet.
    table_mm : Number, optional
        Width of the table.
    inner_mm : Number, optional
        Of a stone that isn't round: diameter of the largest circle inside of its outline about the middle of the one
        round it, which is how wide a bore it covers. None for a round stone.

    Raises
    ------
    ValueError
        If a length is not finite or out of 0.1 to 100 mm (parts of the stone: above 0), the angle out of 5 to 85
        degrees, or a part larger than the whole.
    """

    diameter_mm: Number
    smallest_mm: Number | None = None
    largest_mm: Number | None = None
    height_mm: Number | None = None
    girdle_mm: Number | None = None
    pavilion_angle_deg: Number | None = None
    crown_angle_deg: Number | None = None
    crown_height_mm: Number | None = None
    pavilion_depth_mm: Number | None = None
    table_mm: Number | None = None
    inner_mm: Number | None = None

    @property
    def covered_mm(self) -> Number:
        """Diameter of the bore that it just covers."""
        return self.diameter_mm if self.inner_mm is None else self.inner_mm

    def __post_init__(self) -> None:
        _check_length(self.diameter_mm, "the stone's diameter")
        for value, name in (
            (self.smallest_mm, "the stone's smallest diameter"),
            (self.largest_mm, "the stone's largest diameter"),
            (self.height_mm, "the stone's height"),
        ):
            if value is not None:
                _check_length(value, name)
        if self.inner_mm is not None:
            _check_length(self.inner_mm, "the circle inside of the stone")
            if nominal(self.inner_mm) > nominal(self.diameter_mm) + 1e-9:
                raise ValueError(
                    f"the circle inside of the stone ({nominal(self.inner_mm):g} mm) can't be larger than the one "
                    f"round it ({nominal(self.diameter_mm):g} mm)"
                )
        for part, whole, name, whole_name in (
            (self.girdle_mm, self.height_mm, "the girdle's thickness", "height"),
            (self.crown_height_mm, self.height_mm, "the crown's height", "height"),
            (self.pavilion_depth_mm, self.height_mm, "the pavilion's depth", "height"),
            (self.table_mm, self.diameter_mm, "the table", "diameter"),
        ):
            if part is not None:
                _check_length(part, name, smallest_mm=0.0)
                if whole is not None and nominal(part) >= nominal(whole):
                    raise ValueError(
                        f"{name} ({nominal(part):g} mm) must be smaller than the stone's {whole_name} "
                        f"({nominal(whole):g} mm)"
                    )
        for angle, name in ((self.pavilion_angle_deg, "pavilion"), (self.crown_angle_deg, "crown")):
            if angle is not None and not 5 <= nominal(angle) <= 85:
                raise ValueError(f"a {name} angle lies between 5 and 85 degrees, found {nominal(angle):g}")


@dataclass(frozen=True)
class Tube:
    """A piece of tube.

    Parameters
    ----------
    outer_mm : Number
        Outer diameter.
    bore_mm : Number, optional
        Inner diameter. From a wall, use `Tube.from_wall`.
    length_mm : Number, optional
        As it is now.
    metal : str, optional
        Name, for the rules that differ from metal to metal.
    seat_depth_mm : Number, optional
        From the tube's end down to the ledge on which the girdle's lower edge comes to lie.
    closed_back : bool
        Whether a plate closes the tube behind the stone; else the culet stands over the skin.

    Raises
    ------
    ValueError
        If a length is not finite or out of 0.1 to 100 mm (bore and seat depth: above 0), or the bore is not
        smaller than the tube.
    """

    outer_mm: Number
    bore_mm: Number | None = None
    length_mm: Number | None = None
    metal: str | None = None
    seat_depth_mm: Number | None = None
    closed_back: bool = False

    def __post_init__(self) -> None:
        _check_length(self.outer_mm, "the tube's outer diameter")
        if self.bore_mm is not None:
            _check_length(self.bore_mm, "the tube's bore", smallest_mm=0.0)
            if nominal(self.bore_mm) >= nominal(self.outer_mm):
                raise ValueError(
                    f"the bore ({nominal(self.bore_mm):g} mm) must be smaller than the tube "
                    f"({nominal(self.outer_mm):g} mm): were the two mixed up?"
                )
        if self.length_mm is not None:
            _check_length(self.length_mm, "the tube's length", largest_mm=10 * LARGEST_MM)
        if self.seat_depth_mm is not None:
            _check_length(self.seat_depth_mm, "the seat's depth", smallest_mm=0.0)

    @classmethod
    def from_wall(
        cls,
        outer_mm: Number,
        wall_mm: Number,
        *,
        length_mm: Number | None = None,
        metal: str | None = None,
        seat_depth_mm: Number | None = None,
    ) -> Tube:
        """Make a tube of which the wall was measured and not the bore.

        Raises
        ------
        ValueError
            As for the tube itself, and if the walls leave no bore.
        """
        if 2 * nominal(wall_mm) >= nominal(outer_mm):
            raise ValueError(
                f"two walls of {nominal(wall_mm):g} mm leave no bore in a tube of {nominal(outer_mm):g} mm"
            )
        return cls(outer_mm, outer_mm - 2 * wall_mm, length_mm, metal, seat_depth_mm)

    @property
    def wall_mm(self) -> Number | None:
        """(outer - bore) / 2, None if the bore is not known."""
        return None if self.bore_mm is None else (self.outer_mm - self.bore_mm) / 2


@dataclass(frozen=True)
class Placed:
    """The rim as it was seen with the stone laid on the tube.

    Parameters
    ----------
    smallest_rim_mm : Number
        Smallest width of metal seen outside the stone.
    smallest_at_clock : float, optional
        Where, in hours of a clock face seen from above.
    offset_mm : Number, optional
        Distance between the centres of stone and tube.
    mean_rim_mm : Number, optional
        Mean width all round.
    """

    smallest_rim_mm: Number
    smallest_at_clock: float | None = None
    offset_mm: Number | None = None
    mean_rim_mm: Number | None = None

    def __post_init__(self) -> None:
        for value in (self.smallest_rim_mm, self.smallest_at_clock, self.offset_mm, self.mean_rim_mm):
            if value is not None and not math.isfinite(nominal(value)):
                raise ValueError(f"the placed stone needs finite numbers, found {nominal(value)}")


def resting_height_mm(stone: Stone, tube: Tube) -> Number | None:
    """How far the girdle's lower edge stands above the end of the tube on which the stone is laid, before any seat.

    (D - bore)/2 * tan(pavilion angle): plane geometry of a cone in a round hole. None if bore or angle are not
    known; 0 at least.
    """
    if tube.bore_mm is None or stone.pavilion_angle_deg is None:
        return None
    height = (stone.diameter_mm - tube.bore_mm) / 2 * umath.tan(stone.pavilion_angle_deg * math.pi / 180)
    return height if nominal(height) > 0 else 0.0


def _check_length(
    value: Number, name: str, *, smallest_mm: float = SMALLEST_MM, largest_mm: float = LARGEST_MM
) -> None:
    length, u = nominal(value), standard(value)
    if not (math.isfinite(length) and math.isfinite(u)):
        raise ValueError(f"{name} must be a finite length in mm, found {length} with standard uncertainty {u}")
    if not smallest_mm <= length <= largest_mm or length == 0:
        raise ValueError(
            f"{name} must lie between {smallest_mm:g} and {largest_mm:g} mm, found {length:g}: "
            "is the unit or the decimal mark right?"
        )
