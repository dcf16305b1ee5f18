"""The album: what stands in it, what doesn't, and how it works in a real browser."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import time
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from rimsight.archive import album, search
from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from tests.archive import browser, sample

#: Texts that would do something if they weren't shown as text.
INJECTIONS = [
    "<script>document.title='owned'</script>",
    "</script><script>document.title='owned'</script>",
    "<img src=x onerror=\"document.title='owned'\">",
    "\"><svg onload=\"document.title='owned'\">",
    "' onmouseover='document.title=`owned`",
    "javascript:document.title='owned'",
    "</style><style>*{display:none}</style>",
    "<!-- <b>",
    "]]><script>document.title='owned'</script>",
    "&lt;b&gt;&#x3c;b",
    "<base href='http://x.invalid/'>",
    "<meta http-equiv=refresh content='0;url=http://x.invalid/'>",
    "<iframe srcdoc='<script>top.document.title=1</script>'>",
    "{{7*7}} ${7*7} <%= 7*7 %>",
    "\u202egpj.exe",
    "\x1b[2J\x00",
]


class Elements(HTMLParser):
    """Collects elements with their attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def elements(page: str) -> list[tuple[str, dict[str, str | None]]]:
    parser = Elements()
    parser.feed(page)
    return parser.found


def pictures_in(page: str) -> list[bytes]:
    return [base64.b64decode(text) for text in re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page)]


def fill(archive: Archive, count: int) -> None:
    entries = (
        ("adequate", 6.124, 7.012, "M-104", "blue spinel", "18k yellow"),
        ("too thin", 5.020, 5.400, "M-105", "Rubín přiřazený", "sterling silver"),
        ("too close to call", 4.510, 5.120, "M-106", "garnet", "platinum"),
    )
    for number in range(count):
        verdict, stone, tube, job, name, metal = entries[number % 3]
        image = sample.draw((480, 360), seed=number)
        result = sample.rim_result(stone + 0.01 * number, tube, verdict=verdict)
        measured = Measured("rim", result, {"height_mm": 5}, "0.1.0", sample.encode(sample.mark(image), "PNG"))
        archive.keep(
            sample.encode(image, quality=85, comment=str(number).encode()),
            f"IMG_{number:04}.jpg",
            measured,
            sample.labels(job=job, stone=name, metal=metal),
        )


def written(archive: Archive, folder: Path, **options: object) -> str:
    album.write_album(archive, search.numbers(archive, search.Query()), folder, **options)  # type: ignore[arg-type]
    return (folder / "album.html").read_text(encoding="utf-8")


def test_it_is_one_file_that_needs_no_other(archive: Archive, tmp_path: Path) -> None:
    fill(archive, 4)
    page = written(archive, tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["album.html"]
    for tag, attributes in elements(page):
        assert tag not in ("link", "iframe", "object", "embed", "base", "audio", "video")
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            target = attributes.get(name) or "#"
            assert target.startswith(("#", "data:image/jpeg;base64,")), (tag, target[:60])
    assert "http://" not in page
    assert "https://" not in page


def test_its_policy_allows_its_own_script_and_style_alone(archive: Archive, tmp_path: Path) -> None:
    fill(archive, 1)
    page = written(archive, tmp_path / "out")
    policy = next(a["content"] for tag, a in elements(page) if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    for tag in ("script", "style"):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.S)
        assert f"'sha256-{base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()}'" in policy
    assert not any(name.startswith("on") or name == "style" for _, attributes in elements(page) for name in attributes)


def test_its_pictures_tell_nothing(archive: Archive, tmp_path: Path) -> None:
    exifread = pytest.importorskip("exifread")
    photo = sample.telling_jpeg()
    overlay = sample.telling_jpeg(seed=1)  # an overlay by another hand may tell as much
    archive.keep(photo, "IMG_1.jpg", Measured("rim", sample.rim_result(), overlay=overlay), sample.labels())
    page = written(archive, tmp_path / "out")
    found = pictures_in(page)
    assert len(found) == 3
    for data in found:
        assert exifread.process_file(io.BytesIO(data), details=True) == {}
        for secret in (sample.OWNER.encode(), sample.SERIAL.encode(), sample.COMMENT, b"Exif", b"OWNR"):
            assert secret not in data
        # The small picture in the EXIF was magenta all over.
        assert Image.open(io.BytesIO(data)).convert("RGB").resize((1, 1)).getpixel((0, 0)) != (255, 0, 255)
    assert sample.OWNER not in page
    assert sample.SERIAL not in page


def test_every_figure_and_label_stands_in_it(archive: Archive, tmp_path: Path) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "IMG_1.jpg", measured, sample.labels(note="first line\nsecond line"))
    archive.add_reading(1, measured)
    page = written(archive, tmp_path / "out")
    for text in ("6.124 ± 0.012 mm", "0.374", "± 0.011 mm", "M-104", "blue spinel", "18k yellow", "first line\nsecond"):
        assert text in page
    assert "at 4:30 o’clock" in page
    assert "adequate" in page


def test_folders_and_cameras_stay_at_home(archive: Archive, tmp_path: Path) -> None:
    photo, _ = sample.rim()
    measured = Measured(
        "rim",
        sample.rim_result(photo="/home/ottilie/IMG.jpg"),
        {"camera": "/home/ottilie/phone.json"},
        camera={"name": "Ottilie's phone", "serial": sample.SERIAL},
    )
    archive.keep(photo, "/home/ottilie/IMG.jpg", measured)
    page = written(archive, tmp_path / "out")
    assert "ottilie" not in page.lower()
    assert sample.SERIAL not in page


def test_a_large_album_is_several_files_that_know_each_other(archive: Archive, tmp_path: Path) -> None:
    fill(archive, 5)
    outcome = album.write_album(archive, search.numbers(archive, search.Query()), tmp_path / "out", per_file=2)
    assert [path.name for path in outcome.files] == ["album-1.html", "album-2.html", "album-3.html"]
    page = (tmp_path / "out" / "album-2.html").read_text(encoding="utf-8")
    links = [a["href"] for tag, a in elements(page) if tag == "a" and (a["href"] or "").endswith(".html")]
    assert links == ["album-1.html", "album-3.html"]
    assert [a["data-id"] for tag, a in elements(page) if tag == "li" and "data-id" in a] == ["r3", "r2"]


def test_a_photo_that_can_not_be_shown_is_said_to_be(archive: Archive, tmp_path: Path) -> None:
    archive.keep(b"raw data", "IMG.raw", Measured("rim", sample.rim_result()))
    fill(archive, 1)
    archive.objects.path(archive.record(2).photo).write_bytes(b"rotten")
    outcome = album.write_album(archive, [1, 2], tmp_path / "out")
    assert outcome.unshown == (1,)  # of the second there is the marked photo
    assert "The photo of this record can’t be shown." in (tmp_path / "out" / "album.html").read_text(encoding="utf-8")


def test_pictures_of_other_shape_get_no_divider(archive: Archive, tmp_path: Path) -> None:
    photo, measured = sample.rim()
    cut = sample.encode(sample.draw((100, 300)), "PNG")
    archive.keep(photo, "a.jpg", Measured("rim", measured.result, overlay=cut))
    page = written(archive, tmp_path / "out")
    assert "together" not in page.split("</style>")[1].split("<script>")[0]


@pytest.mark.parametrize("options", [{"picture_px": 10}, {"picture_px": 10**6}, {"per_file": 0}])
def test_what_makes_no_album_is_refused(archive: Archive, tmp_path: Path, options: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="pixels wide"):
        album.write_album(archive, [1], tmp_path / "out", **options)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no record"):
        album.write_album(archive, [], tmp_path / "out")


# -- in a real browser -------------------------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(browser.found() is None, reason="Chromium is not installed")


@pytest.fixture(name="page", scope="module")
def page_fixture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("album")
    with Archive(folder / "home" / "archive", write=True, durable=False) as archive:
        fill(archive, 30)
        album.write_album(archive, search.numbers(archive, search.Query()), folder, title="Show & tell <1>")
    return folder / "album.html"


@pytest.fixture(name="chromium", scope="module")
def chromium_fixture() -> Iterator[browser.Browser]:
    with browser.Browser() as chromium:
        yield chromium


def visible(chromium: browser.Browser) -> list[str]:
    cards: list[str] = chromium.run(
        "Array.from(document.querySelectorAll('.cards > li')).filter(c => c.offsetParent).map(c => c.dataset.id)"
    )
    return cards


def focused(chromium: browser.Browser) -> str:
    text: str = chromium.run("document.activeElement.id || document.activeElement.textContent.trim()")
    return text


def count(chromium: browser.Browser) -> str:
    text: str = chromium.run("document.getElementById('count').textContent")
    return text


@needs_browser
def test_it_opens_without_asking_for_anything(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    assert chromium.run("document.title") == "Show & tell <1>"
    assert set(chromium.asked_for()) == {page.as_uri()}
    assert chromium.complaints() == []
    assert len(visible(chromium)) == 24
    assert count(chromium) == "30 records"
    broken = chromium.run(
        "Promise.all(Array.from(document.images, shown => {"
        "const image = new Image(); image.src = shown.src; return image.decode().then(() => 0, () => 1); }))"
        ".then(failed => failed.reduce((sum, one) => sum + one, 0))"
    )
    assert broken == 0


@needs_browser
def test_it_is_paged(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    assert visible(chromium)[0] == "r30"
    chromium.click("#next")
    assert visible(chromium) == ["r6", "r5", "r4", "r3", "r2", "r1"]
    assert chromium.run("document.getElementById('page').textContent") == "Page 2 of 2"
    assert chromium.run("document.getElementById('next').disabled")
    chromium.click("#previous")
    assert len(visible(chromium)) == 24


@needs_browser
def test_it_is_searched_by_words_size_and_verdict(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    chromium.click("#words")
    chromium.type("RUBIN prir")  # without its accents
    assert count(chromium) == "10 of 30 records"
    chromium.click("#from")
    chromium.type("5,1")
    chromium.click("#to")
    chromium.type("5.25")
    assert count(chromium) == "5 of 30 records"
    chromium.run(
        "(v => { v.value = 'adequate'; v.dispatchEvent(new Event('input', {bubbles: true})); })"
        "(document.getElementById('verdict'))"
    )
    assert count(chromium) == "No record fits. Clear a field to see more."
    chromium.click("button[type=reset]")
    chromium.wait("document.getElementById('count').textContent === '30 records'")


@needs_browser
def test_a_record_opens_and_the_way_back_leads_to_its_card(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    chromium.click("[data-id=r29] a")
    chromium.wait("location.hash === '#r29'")
    chromium.settle()
    assert chromium.run("document.activeElement.id") == "r29-name"
    assert visible(chromium) == []
    assert chromium.run("getComputedStyle(document.getElementById('r28')).display") == "none"
    chromium.click("#r29 .older")
    chromium.wait("location.hash === '#r28'")
    chromium.press("Escape")
    chromium.wait("location.hash === '#records'")
    chromium.settle()
    assert chromium.run("document.activeElement.closest('li').dataset.id") == "r28"


@needs_browser
def test_the_divider_follows_the_mouse(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page, "#r30")
    left, top, width, height = chromium.box("#r30 .together")
    middle = top + height / 2
    chromium.drag((left + width / 2, middle), (left + width * 0.4, middle), (left + width * 0.2, middle))
    assert chromium.run("document.querySelector('#r30 input').value") == "20"
    assert chromium.run("getComputedStyle(document.querySelector('#r30 .marked')).clipPath") == "inset(0px 80% 0px 0px)"
    chromium.drag((left + width * 0.2, middle), (left + width * 3, middle))
    assert chromium.run("document.querySelector('#r30 input').value") == "100"


@needs_browser
def test_the_divider_shows_the_marks_on_one_side_only(
    chromium: browser.Browser, page: Path, tmp_path: Path
) -> None:
    chromium.open(page, "#r30")
    left, top, width, height = chromium.box("#r30 .together")
    chromium.picture(tmp_path / "seen.png")
    seen = Image.open(tmp_path / "seen.png").convert("RGB")
    # The tube's outline was drawn at 24/100 of the height from the centre, in the first colour of `sample.mark`.
    across = [seen.getpixel((int(left + width / 2 + side * 0.24 * height), int(top + height / 2))) for side in (-1, 1)]
    blue = [pixel[2] - pixel[0] > 60 for pixel in across]  # type: ignore[index]
    assert blue == [True, False]


@needs_browser
def test_the_divider_follows_a_finger(page: Path) -> None:
    with browser.Browser() as chromium:
        chromium.resize(390, 780, phone=True)
        chromium.open(page, "#r30")
        left, top, width, height = chromium.box("#r30 .together")
        middle = top + height / 2
        chromium.touch((left + width / 2, middle), (left + width * 0.6, middle), (left + width * 0.75, middle))
        assert abs(int(chromium.run("document.querySelector('#r30 input').value")) - 75) <= 1
        # Nothing on the page is wider than the phone.
        assert chromium.run("document.documentElement.scrollWidth") <= 390


@needs_browser
def test_everything_works_from_the_keyboard(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    chromium.press("Tab")
    assert focused(chromium) == "Skip to the records"
    order = []
    for _ in range(6):
        chromium.press("Tab")
        order.append(focused(chromium))
    assert order[0] == "words"
    assert order[2:4] == ["from", "to"]
    chromium.open(page, "#r30")
    chromium.settle()
    chromium.run("document.querySelector('#r30 input').focus()")
    chromium.press("ArrowRight", "ArrowRight", "ArrowRight")
    assert chromium.run("document.querySelector('#r30 .together').style.getPropertyValue('--x')") == "53%"
    chromium.press("Home")
    assert chromium.run("document.querySelector('#r30 input').getAttribute('aria-valuetext')") == (
        "marked photo 0 percent, original 100 percent"
    )


@needs_browser
def test_a_screen_reader_is_told_what_everything_is(chromium: browser.Browser, page: Path) -> None:
    chromium.open(page)
    spoken = chromium.spoken()
    for expected in (
        ("heading", "Show & tell <1>"),
        ("search", "Find records"),
        ("searchbox", "Words"),
        ("textbox", "from, mm"),
        ("textbox", "to, mm"),
        ("combobox", "Verdict"),
        ("combobox", "Size of"),
        ("button", "Clear"),
        ("status", ""),
        ("navigation", "Pages"),
    ):
        assert expected in spoken, expected
    links = [name for role, name in spoken if role == "link"]
    assert any("too thin" in name and "M-105" in name and "mm" in name for name in links)
    chromium.open(page, "#r30")
    chromium.settle()
    spoken = chromium.spoken()
    assert ("slider", "Divider between marked photo and original") in spoken
    pictures = [name for role, name in spoken if role == "image"]
    assert sorted(pictures) == ["The photo as it was taken", "The photo with outlines and sizes drawn in"]
    assert all(name for role, name in spoken if role in ("button", "link", "slider", "combobox", "textbox"))


@needs_browser
def test_printed_it_shows_both_pictures_beside_each_other(chromium: browser.Browser, page: Path) -> None:
    pdfium = pytest.importorskip("pypdfium2")
    chromium.open(page, "#r30")
    chromium.settle()
    document = pdfium.PdfDocument(chromium.pdf())
    assert len(document) == 1
    text = document[0].get_textpage().get_text_range()
    assert "too close to call" in text
    assert "Divider" not in text
    assert "All records" not in text
    images = [item.get_bounds() for item in document[0].get_objects() if item.type == 3]
    assert len(images) == 2
    first, second = sorted(images)
    assert first[2] <= second[0] + 1  # side by side, not one over the other
    chromium.open(page)
    assert len(pdfium.PdfDocument(chromium.pdf())) >= 30


@needs_browser
def test_without_scripts_everything_is_still_there(page: Path) -> None:
    with browser.Browser() as chromium:
        chromium.send("Emulation.setScriptExecutionDisabled", value=True)
        chromium.send("Page.navigate", url=page.as_uri())
        deadline = time.monotonic() + 30
        shown = 0
        while shown < 30 and time.monotonic() < deadline:
            spoken = chromium.spoken()
            shown = sum(name == "The photo as it was taken" for _, name in spoken)
        assert shown == 30
        assert sum(role == "article" for role, _ in spoken) == 30


@needs_browser
def test_nothing_that_is_written_on_a_record_runs(archive: Archive, tmp_path: Path) -> None:
    """Every injection in every field, opened, searched and read back as the text it is."""
    photo, _ = sample.rim()
    for text in INJECTIONS:
        result = sample.rim_result(photo=text, verdict=text)
        result |= {"reasons": [text, {"text": text}], "warnings": [text], "card": {"name": text, "side_mm": text}}
        result["rim"]["smallest_at_clock"] = text
        result["rim"][f"x{text}_mm"] = sample.quantity(1.0, 0.1)
        measured = Measured("rim", result, {"note": text}, program=text)
        archive.keep(photo, f"{text}.jpg", measured, Labels(text, text, text, text, text, (text,)))
    album.write_album(archive, search.numbers(archive, search.Query()), tmp_path / "out", title=INJECTIONS[0])
    page = tmp_path / "out" / "album.html"
    with browser.Browser() as chromium:
        chromium.open(page)
        assert chromium.run("document.title") == INJECTIONS[0]
        assert count(chromium) == f"{len(INJECTIONS)} records"
        for number in range(1, len(INJECTIONS) + 1):
            chromium.run(f"location.hash = 'r{number}'")
            chromium.settle()
            assert chromium.run("location.hash") == f"#r{number}"
        assert chromium.run("document.title") == INJECTIONS[0]
        assert chromium.run("document.querySelectorAll('script').length") == 1
        assert chromium.run("document.querySelectorAll('iframe, object, base, svg, [onerror], [onload]').length") == 0
        assert set(chromium.asked_for()) == {page.as_uri()}
        assert chromium.complaints() == []
        shown = chromium.run("document.querySelector('#r1 .note').textContent")
        assert shown == INJECTIONS[0]
