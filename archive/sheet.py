"""The job sheet: one page of PDF for the customer or the envelope, figures first."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rimsight.archive import pictures, search, typeset, words
from rimsight.archive.album_parts import clock_words, texts_of
from rimsight.archive.errors import ArchiveError, NoSuchRecord, PictureUnreadable
from rimsight.archive.records import Record
from rimsight.archive.store import Archive
from rimsight.archive.typeset import BOLD, REGULAR
from rimsight.archive.wholly import new_file

#: Page sizes in points (1/72 inch): ISO 216 A4 and ANSI/ASME Y14.1 A.
PAPERS = {"a4": (595.276, 841.890), "letter": (612.0, 792.0)}
MARGIN = 48.0
#: Enough for 300 dots an inch at the width the pictures are printed.
PICTURE_PX = 1400
OTHERS_SHOWN = 6

_INK, _SOFT, _LINE = (0.11, 0.13, 0.15), (0.36, 0.39, 0.42), (0.85, 0.86, 0.88)
_VERDICT_INK = {"adequate": (0.04, 0.37, 0.31), "too thin": (0.61, 0.18, 0.0), "too close to call": (0.42, 0.32, 0.0)}
_MOST_READINGS = 500


def write_sheet(archive: Archive, job: str, path: Path, *, paper: str = "a4") -> Record:
    """Write the sheet of a job.

    Parameters
    ----------
    archive : Archive
        Where the records are.
    job : str
        The job; its newest record with a verdict is shown (the newest, if none has one), the others are listed.
    path : Path
        The PDF.
    paper : str
        "a4" or "letter".

    Returns
    -------
    Record
        The record that is shown.

    Raises
    ------
    NoSuchRecord
        Nothing is kept for this job.
    ValueError
        There is no such paper.
    """
    if paper not in PAPERS:
        raise ValueError(f"there is no paper {words.shown(paper)!r}; there are: {', '.join(PAPERS)}")
    page = search.page(archive, search.Query(job=job.replace("*", " ")), limit=_MOST_READINGS)
    if not page.rows:
        raise NoSuchRecord(f"nothing is kept for the job {words.shown(job)!r}")
    chosen = next((row for row in page.rows if row.verdict), page.rows[0])
    record = archive.record(chosen.number)
    others = [row for row in page.rows if row.number != chosen.number]
    with new_file(path) as file:
        file.write(_page(archive, record, others, page.total - 1, PAPERS[paper]))
    return record


def _page(
    archive: Archive, record: Record, others: list[search.Row], other_count: int, paper: tuple[float, float]
) -> bytes:
    from reportlab.pdfgen.canvas import Canvas

    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=paper, invariant=1)
    canvas.setTitle(words.shown(record.labels.job))
    canvas.setAuthor("")
    canvas.setCreator("rimsight")
    layout = _Layout(canvas, paper)
    layout.heading(record)
    layout.verdict(record)
    layout.figures(record)
    foot = MARGIN + 40.0
    listed = min(len(others), OTHERS_SHOWN)
    below = (44.0 + 15.0 * listed if others else 0.0) + (70.0 if record.labels.note else 0.0)
    layout.pictures(archive, record, lowest=foot + below)
    layout.note(record)
    layout.others(others[:OTHERS_SHOWN], other_count)
    layout.foot(record)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


class _Layout:
    """Places one thing under the other; `y` is where the next begins, points from the lower edge."""

    def __init__(self, canvas: Any, paper: tuple[float, float]) -> None:
        self.canvas = canvas
        self.left, self.right = MARGIN, paper[0] - MARGIN
        self.y = paper[1] - MARGIN

    def text(self, x: float, y: float, text: str, size: float, *, weight: str = REGULAR, ink: Any = _INK) -> float:
        self.canvas.setFillColorRGB(*ink)
        return typeset.draw(self.canvas, x, y, text, size, weight)

    def rule(self, y: float) -> None:
        self.canvas.setStrokeColorRGB(*_LINE)
        self.canvas.setLineWidth(0.8)
        self.canvas.line(self.left, y, self.right, y)

    def heading(self, record: Record) -> None:
        labels = record.labels
        date = words.local_time(record.kept_at)[:10]
        room = self.right - self.left - typeset.width(date, 10) - 20
        self.y -= 18
        self.text(self.left, self.y, typeset.fitted(labels.job, 20, room, BOLD), 20, weight=BOLD)
        self.text(self.right - typeset.width(date, 10), self.y, date, 10, ink=_SOFT)
        parts = " · ".join(part for part in (labels.stone, labels.tube, labels.metal) if part)
        if parts:
            self.y -= 19
            self.text(self.left, self.y, typeset.fitted(parts, 11, self.right - self.left), 11, ink=_SOFT)
        self.y -= 12
        self.rule(self.y)

    def verdict(self, record: Record) -> None:
        result = record.latest.document.result
        verdict = record.latest.document.verdict
        if verdict:
            self.y -= 30
            ink = _VERDICT_INK.get(verdict, _INK)
            self.sign(verdict, self.left, self.y, ink)
            title = typeset.fitted(f"Rim {verdict}", 16, self.right - self.left - 24, BOLD)
            self.text(self.left + 24, self.y, title, 16, weight=BOLD, ink=ink)
        for reason in texts_of(result.get("reasons"))[:4]:
            for line in typeset.lines(reason, 9.5, self.right - self.left, 2):
                self.y -= 14
                self.text(self.left, self.y, line, 9.5)

    def sign(self, verdict: str, x: float, y: float, ink: Any) -> None:
        """Draw the verdict's sign: a tick, a cross, or a circle with a bar. Not every typeface has them."""
        canvas = self.canvas
        canvas.setStrokeColorRGB(*ink)
        canvas.setLineWidth(2.6)
        canvas.setLineCap(1)
        if verdict == "adequate":
            canvas.lines([(x + 1, y + 5, x + 6, y), (x + 6, y, x + 16, y + 12)])
        elif verdict == "too thin":
            canvas.lines([(x + 2, y, x + 14, y + 12), (x + 2, y + 12, x + 14, y)])
        else:
            canvas.circle(x + 8, y + 6, 6.5, stroke=1, fill=0)
            canvas.line(x + 5, y + 6, x + 11, y + 6)
        canvas.setLineCap(0)

    def figures(self, record: Record) -> None:
        figures = record.latest.figures(item=None)
        chosen = [name for name in words.HEADLINES if name in figures][:6]
        columns = 3
        wide = (self.right - self.left) / columns
        for place, name in enumerate(chosen):
            if place % columns == 0:
                self.y -= 50 if place else 46
            x = self.left + wide * (place % columns)
            value, _, uncertainty = words.quantity(*figures[name], words.unit_of(name)).partition(" ± ")
            title = words.figure_words(name).capitalize()
            if name == "rim.smallest_mm":
                title += clock_words(record.latest.document.result)
            self.text(x, self.y + 22, typeset.fitted(title, 9, wide - 10), 9, ink=_SOFT)
            end = self.text(x, self.y, value, 17, weight=BOLD)
            if uncertainty:
                self.text(end + 5, self.y, f"± {uncertainty}", 9.5, ink=_SOFT)
        self.y -= 14

    def pictures(self, archive: Archive, record: Record, *, lowest: float) -> None:
        from reportlab.lib.utils import ImageReader

        shown = []
        captions = ((record.latest.overlay, "Marked by the measurement"), (record.photo, "As photographed"))
        for sha256, caption in captions:
            if sha256 is not None:
                try:
                    data = pictures.clean_jpeg(archive.objects.read(sha256), PICTURE_PX)
                    shown.append((ImageReader(io.BytesIO(data)), caption))
                except (ArchiveError, PictureUnreadable):
                    continue
        if not shown:
            self.y -= 20
            self.text(self.left, self.y, "The photo of this record can't be shown.", 9.5, ink=_SOFT)
            return
        gap = 12.0
        # The marked photo is the proof and gets the larger part.
        shares = [0.64, 0.36] if len(shown) == 2 else [1.0]
        room = self.right - self.left - gap * (len(shown) - 1)
        height = max(60.0, self.y - lowest - 26)
        used, x = 0.0, self.left
        for (image, caption), share in zip(shown, shares, strict=True):
            pixels = image.getSize()
            scale = min(room * share / pixels[0], height / pixels[1])
            wide, high = pixels[0] * scale, pixels[1] * scale
            self.canvas.drawImage(image, x, self.y - high, wide, high)
            self.text(x, self.y - high - 12, typeset.fitted(caption, 8.5, room * share), 8.5, ink=_SOFT)
            x += wide + gap
            used = max(used, high)
        self.y -= used + 20

    def note(self, record: Record) -> None:
        if record.labels.note:
            self.y -= 14
            self.text(self.left, self.y, "Note", 9, weight=BOLD)
            for line in typeset.lines(record.labels.note, 9.5, self.right - self.left, 3):
                self.y -= 13
                self.text(self.left, self.y, line, 9.5)
            self.y -= 4

    def others(self, rows: list[search.Row], count: int) -> None:
        if not rows:
            return
        self.y -= 16
        more = f" ({len(rows)} of {count})" if count > len(rows) else ""
        self.text(self.left, self.y, f"Also kept for this job{more}", 9, weight=BOLD)
        for row in rows:
            self.y -= 15
            wide = self.right - self.left
            self.text(self.left, self.y, f"{row.number}", 9)
            self.text(self.left + 0.09 * wide, self.y, words.local_time(row.kept_at)[:10], 9)
            self.text(self.left + 0.21 * wide, self.y, typeset.fitted(row.kind, 9, 0.08 * wide), 9)
            told = words.headline(row.figures, 2) + (f" · {row.items} stones" if row.items > 1 else "")
            self.text(self.left + 0.30 * wide, self.y, typeset.fitted(told, 9, 0.52 * wide), 9)
            self.text(self.left + 0.83 * wide, self.y, typeset.fitted(row.verdict, 9, 0.17 * wide), 9)

    def foot(self, record: Record) -> None:
        data = record.latest.document.data
        card = data["result"].get("card")
        side = card.get("side_mm") if isinstance(card, Mapping) else None
        told = [
            f"Measured from a photograph with a printed reference square{f' of {side:g} mm' if _number(side) else ''}, "
            f"{words.local_time(data['measured_at'])}, rimsight {data['program']}.",
            f"± is the uncertainty at 95 %. Record {record.number}, reading {record.latest.number}; "
            f"photo SHA-256 {record.photo[:16]}…",
        ]
        y = MARGIN + 12
        self.rule(y + 14)
        for line in told:
            self.text(self.left, y, typeset.fitted(line, 8, self.right - self.left), 8, ink=_SOFT)
            y -= 11


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
