"""What the core raises when a photograph cannot give the answer.

A wrong call (a negative length, a missing argument) is a `ValueError`. A photograph that does not allow the
reading is a `PhotoError`: it carries what was found, what was needed and what to try next, so that the command
line and other programs can tell the user without guessing.
"""

from __future__ import annotations


class PhotoError(Exception):
    """This photograph does not allow the reading.

    Parameters
    ----------
    found : str
        What was seen in the photograph.
    needed : str
        What the reading needs.
    advice : str
        One step that the person behind the camera can take.
    kind : str, optional
        Machine-readable name of the case; defaults to the name of the class in snake case.
    """

    kind = "photo"

    def __init__(self, found: str, needed: str, advice: str, *, kind: str | None = None) -> None:
        super().__init__(f"{found}; needed: {needed}; try: {advice}")
        self.found = found
        self.needed = needed
        self.advice = advice
        if kind is not None:
            self.kind = kind


class UnreadablePhoto(PhotoError):
    """The file is no picture that can be decoded whole."""

    kind = "unreadable_photo"


class SquareNotFound(PhotoError):
    """No reference square in the photograph."""

    kind = "no_square"


class SeveralSquares(PhotoError):
    """More than one reference square: the scale would be a guess."""

    kind = "several_squares"


class SquareCutOff(PhotoError):
    """The square touches the edge of the photograph."""

    kind = "square_cut_off"


class SquareCovered(PhotoError):
    """Something lies across the square's band."""

    kind = "square_covered"


class TooOblique(PhotoError):
    """The camera looks at the card too much from the side."""

    kind = "too_oblique"


class TooSmall(PhotoError):
    """Too few pixels per millimetre."""

    kind = "too_small"


class Blurred(PhotoError):
    """The photograph is not sharp enough."""

    kind = "blurred"


class BurntOut(PhotoError):
    """Highlights are clipped where an edge must be located."""

    kind = "burnt_out"


class MirrorImage(PhotoError):
    """The photograph is mirrored (a selfie setting, a scan from the back)."""

    kind = "mirror_image"


class CardNotFlat(PhotoError):
    """The square's sides are not straight: the paper is bent, or the picture is warped."""

    kind = "card_not_flat"
