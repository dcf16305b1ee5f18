"""The page that is printed: cards, check lines and instructions, placed in millimetres.

Page coordinates have their origin at the centre of the page, x right and y down, so that the frame of a single card
is centred and its card coordinates are page coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

from rimsight.calibration.card import (
    CHECK_ACROSS_Y_MM,
    CHECK_DOWN_X_MM,
    CHECK_END_MM,
    CHECK_LINE_MM,
    CardLayout,
    card_labels,
    layout,
)
from rimsight.calibration.drawing import Label, text_extent_mm

#: White that is kept free at the page's edge: few printers reach closer (common practice, no source), millimetres.
PAGE_MARGIN_MM = 8.0

#: White from a card's outermost black to the next card's cell on a sheet of several, millimetres.
CELL_MARGIN_MM = 4.0

#: Font size of the instructions, millimetres, and the distance of their lines.
STEP_SIZE_MM = 3.0
STEP_LINE_MM = 4.6


@dataclass(frozen=True)
class Page:
    """A size of paper, millimetres."""

    name: str
    width_mm: float
    height_mm: float


#: Sizes of paper by their name on the command line. A4: ISO 216. Letter: ANSI/ASME Y14.1 size A, 8.5 by 11 inches.
PAGES: dict[str, Page] = {
    "a4": Page("A4", 210.0, 297.0),
    "letter": Page("Letter", 215.9, 279.4),
}


@dataclass(frozen=True)
class Sheet:
    """What stands where on a page.

    Attributes
    ----------
    page : Page
        Size of paper.
    card : CardLayout
        The card that is printed.
    centres_mm : tuple of (x, y)
        Centres of the frames in page coordinates, row by row.
    """

    page: Page
    card: CardLayout
    centres_mm: tuple[tuple[float, float], ...]

    def labels(self) -> list[Label]:
        """Return every line of text on the page."""
        printed = [label.moved(x, y) for x, y in self.centres_mm for label in card_labels(self.card)]
        return printed + _check_line_labels() + _steps(self.card, several=len(self.centres_mm) > 1)


def page(name: str) -> Page:
    """Return the size of paper with that name, capital or not.

    Raises
    ------
    ValueError
        The name is not known.
    """
    found = PAGES.get(name.strip().lower())
    if found is None:
        raise ValueError(f"the page {name!r} is not known; use {' or '.join(PAGES)}")
    return found


def sheet(side_mm: float = 60, page_name: str = "a4", copies: int = 1) -> Sheet:
    """Place cards on a page.

    Parameters
    ----------
    side_mm : float
        Size of the card.
    page_name : str
        "a4" or "letter".
    copies : int
        How many cards; a single one has its frame at the centre of the page.

    Raises
    ------
    ValueError
        Unknown size or page, or more cards than fit (the message says how many do).
    """
    card, paper = layout(side_mm), page(page_name)
    if copies < 1:
        raise ValueError(f"the number of copies must be at least 1, not {copies}")
    if copies == 1:
        return Sheet(paper, card, ((0.0, 0.0),))
    left, right = CHECK_DOWN_X_MM + CHECK_END_MM / 2 + 1, paper.width_mm / 2 - PAGE_MARGIN_MM
    top, bottom = PAGE_MARGIN_MM - paper.height_mm / 2, CHECK_ACROSS_Y_MM - CHECK_END_MM / 2 - 1
    width, height = card.outer_mm + 2 * CELL_MARGIN_MM, 2 * (card.half_height_mm + CELL_MARGIN_MM)
    columns, rows = int((right - left) // width), int((bottom - top) // height)
    if copies > columns * rows:
        raise ValueError(
            f"{copies} cards of {card.side_mm:g} mm don't fit on one {paper.name} page; at most {columns * rows} do"
        )
    used = -(-copies // columns)
    x0 = (left + right) / 2 - width * (min(copies, columns) - 1) / 2
    y0 = (top + bottom) / 2 - height * (used - 1) / 2
    places = ((x0 + width * (index % columns), y0 + height * (index // columns)) for index in range(copies))
    return Sheet(paper, card, tuple(places))


def _check_line_labels() -> list[Label]:
    """Return the writing beside the check lines, with room to note what was measured."""
    labels = []
    for direction in ("across", "down"):
        text = f"{CHECK_LINE_MM:.0f} mm {direction}, from end to end.   Measured: ______________ mm"
        half = text_extent_mm(text, STEP_SIZE_MM)[0] / 2
        if direction == "across":
            labels.append(Label(-half, CHECK_ACROSS_Y_MM + STEP_SIZE_MM + 1.5, STEP_SIZE_MM, text))
        else:
            labels.append(Label(CHECK_DOWN_X_MM - 2.0, half, STEP_SIZE_MM, text, upward=True))
    return labels


def _steps(card: CardLayout, *, several: bool) -> list[Label]:
    """Return the instructions at the foot of the page."""
    # Two frames in one photo would leave the scale to chance.
    flat = "Cut the cards apart and keep them flat" if several else "Keep the card flat"
    lines = (
        "1. Print at actual size (100 %). Switch off 'fit to page', 'shrink' and 'scale to fit'.",
        "2. When the sheet has cooled, measure both fine lines from end to end with a steel rule or calipers.",
        f"3. Type both lengths, for example:  rimsight card check --side {card.side_mm:g} --across 150.4 --down 149.8",
        f"4. {flat}, on something stiff. Lay the stone or the tube inside the black frame.",
        "5. Photograph from straight above. The whole frame and both small markers must be in the picture.",
    )
    first = CHECK_ACROSS_Y_MM + 12.0
    return [Label(CHECK_DOWN_X_MM, first + STEP_LINE_MM * row, STEP_SIZE_MM, text) for row, text in enumerate(lines)]
