"""The job sheet: one page, all figures, no secrets, whatever is written on the record."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from rimsight.archive import sheet, typeset
from rimsight.archive.errors import NoSuchRecord
from rimsight.archive.records import Measured
from rimsight.archive.store import Archive
from tests.archive import sample

pdfium = pytest.importorskip("pypdfium2")


def text_of(path: Path) -> str:
    document = pdfium.PdfDocument(path)
    assert len(document) == 1
    text: str = document[0].get_textpage().get_text_range()
    return " ".join(text.split())


@pytest.fixture(name="kept")
def kept_fixture(archive: Archive) -> Archive:
    photo, measured = sample.rim()
    stone = {"stone": {"diameter_mm": sample.quantity(6.1, 0.01)}}
    archive.keep(photo, "p.jpg", Measured("parcel", sample.parcel_result(7)), sample.labels())
    archive.keep(photo, "IMG_1.jpg", measured, sample.labels())
    archive.keep(photo, "IMG_2.jpg", Measured("stone", stone), sample.labels())
    return archive


def test_a_sheet_of_one_page_with_figures_first(kept: Archive, tmp_path: Path) -> None:
    record = sheet.write_sheet(kept, "m-104", tmp_path / "s.pdf")
    assert record.number == 2  # the newest with a verdict
    text = text_of(tmp_path / "s.pdf")
    for expected in (
        "M-104",
        "blue spinel · 7.0 x 5.7 · 18k yellow",
        "Rim adequate",
        "rim when centred 0.44 mm, at least 0.30 mm wanted",
        "Rim smallest, at 4:30 o’clock",
        "0.374 ± 0.011 mm",
        "6.124 ± 0.012 mm",
        "Cushion bezel asked for first, then tube.",
        "Also kept for this job",
        "stone 2.000 ± 0.011 mm · 7 stones",
        "printed reference square of 60 mm",
        "Record 2, reading 1",
    ):
        assert expected in text, expected
    assert text.index("0.374") < text.index("Note")


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.276, 841.890)), ("letter", (612.0, 792.0))])
def test_papers(kept: Archive, tmp_path: Path, paper: str, size: tuple[float, float]) -> None:
    sheet.write_sheet(kept, "M-104", tmp_path / "s.pdf", paper=paper)
    assert pdfium.PdfDocument(tmp_path / "s.pdf")[0].get_size() == pytest.approx(size, abs=0.01)


def test_it_shows_the_pictures_without_their_secrets(archive: Archive, tmp_path: Path) -> None:
    exifread = pytest.importorskip("exifread")
    measured = Measured("rim", sample.rim_result(), overlay=sample.telling_jpeg(seed=1))
    archive.keep(sample.telling_jpeg(orientation=6), "IMG_1.jpg", measured, sample.labels())
    path = tmp_path / "s.pdf"
    sheet.write_sheet(archive, "M-104", path)
    page = pdfium.PdfDocument(path)[0]
    images = [item for item in page.get_objects() if item.type == 3]
    assert len(images) == 2
    for image in images:
        buffer = io.BytesIO()
        image.extract(buffer)
        data = buffer.getvalue()
        assert exifread.process_file(io.BytesIO(data), details=True) == {}
        assert sample.OWNER.encode() not in data
    raw = path.read_bytes()
    assert sample.OWNER.encode() not in raw
    assert sample.SERIAL.encode() not in raw
    seen = page.render(scale=1.0).to_pil().convert("RGB")
    colours = {pixel for _, pixel in seen.getcolors(1 << 24) or ()}
    assert len(colours) > 500  # pictures, not blank frames


def test_it_names_no_program_folder_and_no_person(kept: Archive, tmp_path: Path) -> None:
    sheet.write_sheet(kept, "M-104", tmp_path / "s.pdf")
    facts = pdfium.PdfDocument(tmp_path / "s.pdf").get_metadata_dict()
    assert facts["Title"] == "M-104"
    assert facts["Author"] == ""
    assert str(tmp_path).encode() not in (tmp_path / "s.pdf").read_bytes()


@pytest.mark.parametrize("verdict", ["adequate", "too thin", "too close to call", "<b>&amp;</b>", "x" * 150])
def test_every_verdict_fits(archive: Archive, tmp_path: Path, verdict: str) -> None:
    photo, measured = sample.rim(verdict=verdict)
    archive.keep(photo, "a.jpg", measured, sample.labels())
    sheet.write_sheet(archive, "M-104", tmp_path / "s.pdf")
    assert f"Rim {verdict}"[:40] in text_of(tmp_path / "s.pdf")


def test_however_much_there_is_it_is_one_page(archive: Archive, tmp_path: Path) -> None:
    """Long labels, a note of 900 lines, many reasons, forty records: nothing leaves the page or runs into its foot."""
    wide = "W" * 200
    long = sample.labels(job="J" * 200, stone=wide, tube=wide, metal=wide, note="long line " * 30 + "\nx" * 900)
    for seed in range(40):
        photo, measured = sample.rim(seed)
        result = dict(measured.result) | ({"reasons": ["reason " * 60] * 9} if seed == 39 else {})
        archive.keep(photo, "a.jpg", Measured("rim", result, overlay=measured.overlay), long, thumbnail=False)
    path = tmp_path / "s.pdf"
    sheet.write_sheet(archive, "J" * 200, path)
    text = text_of(path)
    assert "(6 of 39)" in text
    page = pdfium.PdfDocument(path)[0]
    width, height = page.get_size()
    for item in page.get_objects():
        left, bottom, right, top = item.get_bounds()
        assert left >= 40
        assert right <= width - 40
        assert bottom >= 30
        assert top <= height - 30
    foot = min(item.get_bounds()[3] for item in page.get_objects() if item.type == 1)
    pictures = [item.get_bounds() for item in page.get_objects() if item.type == 3]
    assert all(bottom > foot + 60 for _, bottom, _, _ in pictures)


def test_a_record_without_a_picture_that_can_be_shown(archive: Archive, tmp_path: Path) -> None:
    archive.keep(b"raw", "a.raw", Measured("rim", sample.rim_result()), sample.labels(note=""))
    sheet.write_sheet(archive, "M-104", tmp_path / "s.pdf")
    assert "The photo of this record can't be shown." in text_of(tmp_path / "s.pdf")


def test_a_job_that_nothing_is_kept_for(archive: Archive, tmp_path: Path) -> None:
    with pytest.raises(NoSuchRecord, match="nothing is kept for the job 'M-9'"):
        sheet.write_sheet(archive, "M-9", tmp_path / "s.pdf")
    with pytest.raises(ValueError, match="there is no paper"):
        sheet.write_sheet(archive, "M-9", tmp_path / "s.pdf", paper="a5")
    assert list(tmp_path.glob("*.pdf")) == []


@pytest.mark.parametrize("text", ["Müller & Söhne", "straße", "Łódź", "žluť", "№ 5", "a\u202eb", "<para>&x;", "日本"])
def test_any_text_can_be_set(archive: Archive, tmp_path: Path, text: str) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured, sample.labels(job="J", stone=text, note=text))
    sheet.write_sheet(archive, "J", tmp_path / "s.pdf")
    assert text_of(tmp_path / "s.pdf")
    assert "".join(piece for _, piece in typeset.runs("Müller ± 0.012 mm · “7”")) == "Müller ± 0.012 mm · “7”"


def test_lines_are_broken_and_cut_within_their_room() -> None:
    broken = typeset.lines("word " * 100, 10, 200, 3)
    assert len(broken) == 3
    assert broken[-1].endswith("…")
    assert all(typeset.width(line, 10) <= 200 for line in broken)
    assert typeset.lines("one\ntwo", 10, 200, 3) == ["one", "two"]
    assert typeset.fitted("x" * 500, 10, 100).endswith("…")


def test_the_same_record_gives_the_same_file(kept: Archive, tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        sheet.write_sheet(kept, "M-104", tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert Image.open(io.BytesIO(sample.rim()[0])).size == (320, 240)
