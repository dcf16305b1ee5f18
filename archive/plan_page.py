"""The cut plan as one printable page: verdict, section with dimensions, true size, steps, cautions.

Takes the JSON of a cut plan, so that a plan that was kept can be printed again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.archive import plan_section as section_marks
from rimsight.archive import typeset, words
from rimsight.archive.plan_ink import (
    INK,
    PALE,
    SOFT,
    Area,
    Colour,
    Line,
    Page,
    Words,
    box,
    broken,
    circle,
    fitted,
    width_mm,
)
from rimsight.archive.plan_section import LEFT_ROOM, RIGHT_ROOM, Place, Section, figure

#: Width and height in mm. A4: ISO 216. Letter: ANSI/ASME Y14.1 size A, 8.5 by 11 inches.
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 14.0
CHECK_LINE_MM = 50.0
SCALES = (50.0, 40.0, 30.0, 25.0, 20.0, 15.0, 12.0, 10.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
BODY, SMALL, LEADING, SMALL_LEADING = 2.95, 2.6, 3.9, 3.4
_VERDICT_INK: Mapping[str, Colour] = {
    "adequate": (0.04, 0.37, 0.31), "too thin": (0.61, 0.18, 0.0), "too close to call": (0.42, 0.32, 0.0),
}
_NUMBERED = 5.0  #: room for the step's number
_ASSUMED_WORDS = {
    "girdle_thickness_mm": "girdle", "table_mm": "table", "crown_height_mm": "crown", "pavilion_depth_mm": "pavilion",
}


@dataclass(frozen=True)
class Heading:
    """What stands at the head besides the figures; all of it may be empty.

    Parameters
    ----------
    job, note : str
        Of the jeweller.
    tube_label : str
        The tube's name in the stock.
    date : str
        As printed.
    limits : str
        Where the limits come from.
    """

    job: str = ""
    note: str = ""
    tube_label: str = ""
    date: str = ""
    limits: str = ""


def plan_page(result: Mapping[str, Any], heading: Heading | None = None, *, paper: str = "a4") -> Page:
    """Lay out the page.

    Parameters
    ----------
    result : mapping
        JSON of a cut plan: "stone", "tube", "rim", "verdict", "reasons", "warnings", "plan".
    heading : Heading, optional
        Job and so on.
    paper : str
        "a4" or "letter".

    Raises
    ------
    ValueError
        There is no such paper, or the setting is too large for the page at true size.
    """
    if paper not in PAPERS:
        raise ValueError(f"there is no paper {words.shown(paper)!r}; there are: {', '.join(PAPERS)}")
    width, height = PAPERS[paper]
    page = Page(width, height, f"Cut plan {result['stone']['written']}")
    return _Layout(page, result, heading or Heading()).fill()


class _Layout:
    """Places one band under the other; what is left between head and steps goes to the drawing."""

    def __init__(self, page: Page, result: Mapping[str, Any], heading: Heading) -> None:
        self.page, self.result, self.heading = page, result, heading
        self.section = Section.of(result)
        self.left, self.right = MARGIN, page.width - MARGIN
        self.room = self.right - self.left

    def fill(self) -> Page:
        top = self._head(MARGIN)
        top = self._tiles(top)
        # From the foot upward, so that the drawing gets what is left.
        bottom = self._foot(self.page.height - MARGIN)
        bottom = self._cautions(bottom)
        bottom = self._steps(bottom)
        bottom = self._true_size(bottom)
        self._drawing(top, bottom)
        return self.page

    def _words(self, x: float, y: float, text: str, size: float = BODY, **more: Any) -> None:
        self.page.add(Words(x, y, text, size, **more))

    def _rule(self, y: float) -> None:
        self.page.add(Line(((self.left, y), (self.right, y)), 0.25, PALE))

    def _head(self, y: float) -> float:
        verdict = str(self.result["verdict"])
        ink = _VERDICT_INK.get(verdict, INK)
        word = verdict[:1].upper() + verdict[1:]
        chip = 6.5 + width_mm(word, 4.2, typeset.BOLD)
        title = f"Cut plan: {self.heading.job}" if self.heading.job else "Cut plan"
        self._words(self.left, y + 6, fitted(title, 6.4, self.room - chip - 6, typeset.BOLD), 6.4, weight=typeset.BOLD)
        self._sign(verdict, self.right - chip, y + 5.6, ink)
        self._words(self.right, y + 5.6, word, 4.2, weight=typeset.BOLD, colour=ink, align="right")
        stone = f"Stone {self.result['stone']['written']}"
        parts = [stone, self._tube_words()]
        date = self.heading.date
        room = self.room - (width_mm(date, BODY) + 6 if date else 0)
        self._words(self.left, y + 12, fitted("  ·  ".join(parts), 3.3, room), 3.3, colour=SOFT)
        if date:
            self._words(self.right, y + 12, date, BODY, colour=SOFT, align="right")
        y += 15
        self._rule(y)
        y += 1.4
        note = f"Note: {self.heading.note}" if self.heading.note else ""
        for sentence, most in ((note, 2), *((text, 4) for text in self._said())):
            for line in broken(_bound(sentence), SMALL, self.room, most) if sentence else ():
                y += SMALL_LEADING
                self._words(self.left, y, line, SMALL)
        return y + 2.5

    def _said(self) -> list[str]:
        """What made the verdict where it is not a plain yes, and the warnings, at most five sentences."""
        reasons = " ".join(str(text) for text in self.result["reasons"])
        before = {"adequate": "", "too thin": "By the house rules this tube does not suit. "}
        said = [] if self.result["verdict"] == "adequate" else [before.get(self.result["verdict"], "") + reasons]
        return [*said, *(str(text) for text in self.result["warnings"])][:5]

    def _tube_words(self) -> str:
        tube = self.result["tube"]
        text = f"Tube {self.heading.tube_label + ', ' if self.heading.tube_label else ''}"
        text += f"{figure(tube['outer_diameter_mm']['value'])} / {figure(tube['bore_diameter_mm']['value'])} mm"
        text += f", wall {figure(tube['wall_mm']['value'])} mm"
        metal = tube.get("metal")
        back = ", closed back" if self.section.closed else ""
        return text + (f", {metal}" if metal else "") + back

    def _sign(self, verdict: str, x: float, y: float, ink: Colour) -> None:
        """A tick, a cross, or a circle with a bar, so that the verdict is not told by hue alone."""
        if verdict == "adequate":
            self.page.add(Line(((x, y - 1.6), (x + 1.4, y - 0.2), (x + 4.2, y - 3.4)), 0.8, ink))
        elif verdict == "too thin":
            self.page.add(Line(((x + 0.4, y - 3.3), (x + 3.7, y)), 0.8, ink), Line(((x + 0.4, y), (x + 3.7, y - 3.3)),
                          0.8, ink))
        else:
            ring = circle(x + 2, y - 1.6, 1.8, 60)
            self.page.add(Line(ring, 0.6, ink, closed=True), Line(((x + 1.1, y - 1.6), (x + 2.9, y - 1.6)), 0.6, ink))

    def _tiles(self, y: float) -> float:
        """The figures to work by, large."""
        plan, rim = self.result["plan"], self.result["rim"]["centred_mm"]
        bur, punch = plan["setting_bur_mm"], plan["bezel_punch_mm"]
        value, _, u95 = words.quantity(rim["value"], rim["u95"]).removesuffix(" mm").partition(" ± ")
        tiles = (
            ("Cut", figure(plan["cut_length_mm"]), "mm"),
            ("Setting bur", "by hand" if bur is None else figure(bur), "" if bur is None else "mm"),
            ("Seat", figure(plan["seat_depth_mm"]), "mm deep"),
            ("Bezel punch", "rocker" if punch is None else figure(punch), "" if punch is None else "mm"),
            ("Rim", value, f"± {u95} mm" if u95 else "mm"),
        )
        wide = self.room / len(tiles)
        for place, (name, text, unit) in enumerate(tiles):
            x = self.left + wide * place
            self._words(x, y + 3, name, SMALL, colour=SOFT)
            self._words(x, y + 8.6, text, 5.4, weight=typeset.BOLD)
            self._words(x + width_mm(text, 5.4, typeset.BOLD) + 1.2, y + 8.6, unit, SMALL, colour=SOFT)
        self._rule(y + 11.4)
        return y + 11.4

    def _drawing(self, top: float, bottom: float) -> None:
        shape = self.section
        room = self.room - LEFT_ROOM - RIGHT_ROOM
        caption = broken(self._caption(), SMALL, self.room)
        tall = bottom - top - SMALL_LEADING * len(caption) - 4
        for scale in SCALES:
            above, below = section_marks.rows_above(shape, scale), section_marks.rows_below(shape, scale)
            if shape.outer * scale <= room and above + below <= tall:
                break
        else:
            raise ValueError(f"a tube of {shape.outer:g} mm does not fit on the page at true size")
        x = self.left + LEFT_ROOM + room / 2
        y = top + (tall - above - below) / 2 + above
        self.page.add(*section_marks.enlarged(shape, Place(x, y, scale)))
        self._words(self.left, top + 4.2, f"{scale:g} times enlarged", SMALL, colour=SOFT)
        for number, line in enumerate(caption, start=1):
            place = bottom - 1.8 - SMALL_LEADING * (len(caption) - number)
            self._words(self.left, place, line, SMALL, colour=SOFT)

    def _caption(self) -> str:
        covered = self.result["plan"]["crown_covered_percent"]["value"]
        text = f"Broken line: the rim turned over, covering about {covered:.0f} % of the crown's slope."
        guessed = [_ASSUMED_WORDS[name] for name in _ASSUMED_WORDS if name in self.section.assumed]
        if guessed:
            text += f" ≈ rests on usual proportions: {_and(guessed)} not measured."
        return text

    def _true_size(self, bottom: float) -> float:
        """True size and the line that proves it."""
        shape = self.section
        below, above = max(shape.length, shape.culet), max(0.0, -shape.top)
        tall = max(below + above, shape.outer, 12.0)
        top = bottom - tall - 9
        self._rule(top)
        middle = top + 6.0 + tall / 2
        x = self.left + shape.outer / 2
        self.page.add(*section_marks.true_size(shape, x, middle + (above - below) / 2))
        x += shape.outer + 6
        self.page.add(*section_marks.from_above(shape, x, middle))
        self._words(self.left, top + 4.2, "True size", SMALL, colour=SOFT)
        start = self.right - CHECK_LINE_MM
        line = top + 8.6
        self._check_line(start, line)
        text = ("Print at 100 %, not 'fit to page', and measure this line.",
                "If it is not 50.0 mm, the drawing is off; the figures hold.")
        for number, sentence in enumerate(text):
            place = line + 5.0 + SMALL_LEADING * number
            self._words(self.right, place, sentence, SMALL, colour=SOFT, align="right")
        self._words(start + CHECK_LINE_MM / 2, line - 2.4, "50 mm", SMALL, weight=typeset.BOLD, align="middle")
        return top

    def _check_line(self, x: float, y: float) -> None:
        """A line of exactly 50 mm from the outside of one end mark to the outside of the other."""
        thick, high = 0.1, 1.8
        end = x + CHECK_LINE_MM
        # One path: viewers may round a lone thin rectangle to whole pixels, which moves the end of the line.
        self.page.add(Area((
            box(x, y - high, x + thick, y + high),
            box(x + thick, y - thick / 2, end - thick, y + thick / 2),
            box(end - thick, y - high, end, y + high),
        ), INK))

    def _steps(self, bottom: float) -> float:
        steps = self.result["plan"]["steps"]
        names = max(width_mm(str(step["name"]), BODY, typeset.BOLD) for step in steps) + 3
        gap = 6.0
        wide = self.room - _NUMBERED - names - gap
        do_room, else_room = 0.6 * wide, 0.4 * wide
        blocks = [
            (step["name"], broken(_bound(step["do"]), BODY, do_room), broken(step["otherwise"], SMALL, else_room))
            for step in steps
        ]
        tall = sum(max(len(do) * LEADING, len(other) * SMALL_LEADING) + 1.5 for _, do, other in blocks) + 7
        top = y = bottom - tall
        self._rule(top)
        x_do = self.left + _NUMBERED + names
        x_else = x_do + do_room + gap
        self._words(x_else, y + 4, "What goes wrong otherwise", SMALL, colour=SOFT)
        self._words(x_do, y + 4, "What to do", SMALL, colour=SOFT)
        y += 4.6
        for number, (name, do, other) in enumerate(blocks, start=1):
            self._words(self.left, y + LEADING, str(number), BODY, colour=SOFT)
            self._words(self.left + _NUMBERED, y + LEADING, name, BODY, weight=typeset.BOLD)
            for row, line in enumerate(do, start=1):
                self._words(x_do, y + LEADING * row, line, BODY)
            for row, line in enumerate(other):
                self._words(x_else, y + LEADING + SMALL_LEADING * row, line, SMALL, colour=SOFT)
            y += max(len(do) * LEADING, len(other) * SMALL_LEADING) + 1.5
        return top

    def _cautions(self, bottom: float) -> float:
        blocks = [broken(text, SMALL, self.room - 3) for text in self.result["plan"]["cautions"]]
        tall = sum(len(block) for block in blocks) * SMALL_LEADING + 0.5 * len(blocks) + 3.4
        top = y = bottom - tall
        self._rule(top)
        y += 0.8
        for block in blocks:
            self.page.add(Area((circle(self.left + 0.7, y + SMALL_LEADING - 0.95, 0.42, 24),), SOFT))
            for line in block:
                y += SMALL_LEADING
                self._words(self.left + 3, y, line, SMALL)
            y += 0.5
        return top

    def _foot(self, bottom: float) -> float:
        limits = f"Limits: {self.heading.limits}. " if self.heading.limits else ""
        text = f"{limits}± is the uncertainty at 95 %. All lengths in mm."
        rows = broken(text, 2.35, self.room, 2)
        for number, line in enumerate(rows):
            self._words(self.left, bottom - 3.0 * (len(rows) - 1 - number), line, 2.35, colour=SOFT)
        return bottom - 3.0 * len(rows) - 0.6


def _and(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _bound(text: str) -> str:
    """Keep every figure and its unit on one line."""
    return text.replace(" mm", "\u00a0mm").replace("± ", "±\u00a0").replace(" ±", "\u00a0±")
