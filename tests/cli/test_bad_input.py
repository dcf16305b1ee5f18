"""Photos and calls that can't be measured: message, exit code, and that nothing is left half-written."""

from __future__ import annotations

import errno
import json
import os
import struct
import tempfile
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from rimsight.cli.app import main
from tests.synthetic import Disc, PrintedCard, Scene, look, render

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"
SIZE = (1400, 1050)
#: The card's frame: 28 mm to its inner, 32 mm to its outer edge.
STONE = Disc(3.0, -4.0, 3.0, height_mm=0.5, light=0.2)


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


def refusal(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any], str]:
    """Exit code, error object and message of a call that has to fail."""
    code = run(*arguments, "--json")
    told = capsys.readouterr()
    record = json.loads(told.out)
    assert set(record) == {"schema", "error"}
    assert record["schema"] == "rimsight/1"
    assert all(isinstance(record["error"][key], str) and record["error"][key] for key in
               ("kind", "found", "needed", "advice"))  # fmt: skip
    assert told.err.startswith("rimsight: ")
    assert "Traceback" not in told.err
    return code, record["error"], told.err


@cache
def _pixels(name: str) -> np.ndarray:
    view = look(f_px=1450.0, size=SIZE, distance_mm=165.0)
    scenes = {
        "no square": Scene(cards=(), things=(STONE,)),
        "two squares": Scene(cards=(PrintedCard(30, -24.0), PrintedCard(30, 24.0))),
        "mirrored": Scene(things=(STONE,), mirrored=True),
        "covered": Scene(things=(Disc(30.0, 0.0, 20.0, height_mm=1.0, light=0.3),)),
        "touches": Scene(things=(Disc(25.0, 0.0, 3.5, height_mm=0.5, light=0.2),)),
        "nothing": Scene(),
        "outside": Scene(things=(Disc(39.0, 2.0, 3.0, light=0.2),)),
        "several": Scene(things=(Disc(-10.0, 4.0, 3.0, light=0.2), Disc(12.0, -6.0, 2.0, light=0.25))),
        "stone off the tube": Scene(
            things=(Disc(0.0, 0.0, 4.0, 5.0, 0.5), Disc(1.9, 0.0, 3.2, 5.3, 0.15))
        ),
        "good": Scene(things=(STONE,)),
    }  # fmt: skip
    if name == "partly outside":
        return render(look(f_px=1450.0, size=SIZE, distance_mm=165.0, aim_mm=(62.0, 0.0)), scenes["good"], size=SIZE)
    return render(view, scenes[name], size=SIZE)


def picture(name: str, folder: Path) -> Path:
    path = folder / f"{name}.png"
    Image.fromarray(_pixels(name)).save(path, compress_level=1)
    return path


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("no square", "no_square"),
        ("partly outside", "square_cut_off"),
        ("two squares", "several_squares"),
        ("mirrored", "mirror_image"),
        ("covered", "square_covered"),
        ("touches", "touches_frame"),
        ("nothing", "nothing_on_stage"),
        ("outside", "outside_stage"),
        ("several", "several_subjects"),
    ],
)
def test_photo_that_does_not_allow_it(
    name: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, error, message = refusal(capsys, "stone", str(picture(name, tmp_path)))
    assert (code, error["kind"]) == (3, kind)
    assert error["advice"] in message


def test_several_are_listed_and_numbered_on_the_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo, out = picture("several", tmp_path), tmp_path / "which.png"
    code, error, _ = refusal(capsys, "stone", str(photo), "--out", str(out))
    assert code == 3
    assert [(one["pick"], round(one["x_mm"]), round(one["y_mm"])) for one in error["subjects"]] == [
        (1, -10, 4),
        (2, 12, -6),
    ]
    assert "--pick" in error["advice"]
    with Image.open(out) as drawn:
        assert drawn.width >= 1000
    assert run("stone", str(photo), "--pick", "2", "--json") == 0
    assert json.loads(capsys.readouterr().out)["stone"]["diameter_mm"]["value"] == pytest.approx(4.0, abs=0.2)
    assert run("stone", str(photo), "--pick", "3") == 2


def test_stone_larger_than_the_tube(capsys: pytest.CaptureFixture[str]) -> None:
    """The stone is 0.2 mm wider than the tube: refused, or called too thin, but never more than that."""
    code = run("rim", str(PHOTOS / "rim-negative.jpg"), "--length", "6.06", "--json")
    record = json.loads(capsys.readouterr().out)
    if code == 3:
        assert record["error"]["kind"] == "stone_larger_than_tube"
    else:
        assert (code, record["verdict"]) == (0, "too thin")


def test_stone_off_the_tube(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A disc that covers one side of a tube's end and reaches 1.1 mm beyond it."""
    code, error, _ = refusal(capsys, "rim", str(picture("stone off the tube", tmp_path)), "--length", "5")
    assert code == 3
    assert error["kind"] in ("stone_off_tube", "no_stone_on_tube", "outline_unclear")


def test_refusals_of_the_rim_reach_the_caller(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from rimsight.vision import rim

    def refuse(*_: object, **__: object) -> None:
        raise rim.StoneOffTube("it lies beside", "a stone on the tube", "push it to the middle")

    monkeypatch.setattr(rim, "read_rim", refuse)
    code, error, message = refusal(capsys, "rim", str(PHOTOS / "rim-adequate.jpg"), "--length", "5")
    assert (code, error["kind"], error["advice"]) == (3, "stone_off_tube", "push it to the middle")
    assert "push it to the middle" in message


def _png(width: int, height: int, rows: bytes) -> bytes:
    """A PNG with a header of its own."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (lambda: b"Dear customer, please find attached", "not_a_picture"),
        (lambda: b"", "empty_file"),
        (lambda: (PHOTOS / "stone-green-step.jpg").read_bytes()[:90_000], "incomplete_file"),
        (lambda: _png(0, 0, b""), "damaged_file"),
        (lambda: _png(1, 1, b"\0\0"), "too_few_pixels"),
        (lambda: _png(20_000, 15_000, b"\0" * 100), "too_many_pixels"),
    ],
    ids=["text", "empty", "truncated", "0x0", "1x1", "300 megapixels"],
)
def test_file_that_is_no_photo(
    content: Callable[[], bytes], kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = tmp_path / "IMG_1.jpg"
    photo.write_bytes(content())
    code, error, _ = refusal(capsys, "stone", str(photo), "--out", str(tmp_path / "marked.png"))
    assert (code, error["kind"]) == (3, kind)
    assert [entry.name for entry in tmp_path.iterdir()] == ["IMG_1.jpg"]


def test_folder_or_nothing_in_place_of_a_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert refusal(capsys, "stone", str(tmp_path))[0] == 2
    code, _, message = refusal(capsys, "stone", str(tmp_path / "no.jpg"))
    assert code == 2
    assert "no.jpg" in message


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("stone", "--height", "-1"), "--height: '-1' is negative"),
        (("stone", "--height", "0"), "--height: '0' is zero"),
        (("tube", "--length", "nan"), "--length: 'nan' is not a length"),
        (("tube", "--length", "inf"), "--length: 'inf' is not a length"),
        (("tube", "--length", "5.2.1"), "is not a length"),
        (("rim", "--bore", "4", "--wall", "0.5"), "--bore or --wall"),
        (("rim", "--wall", "0"), "--wall: '0' is zero"),
        (("stone", "--square-side", "-30"), "--square-side: '-30' is negative"),
        (("stone", "--square-side", "30", "--check-lines", "150,150"), "not both"),
        (("stone", "--camera-distance", "0"), "--camera-distance: '0' is zero"),
        (("stone", "--card", "no such card"), "no printed card named 'no such card'"),
        (("stone", "--camera", "no such camera"), "no camera named 'no such camera'"),
        (("stone", "--check-lines", "150"), "not two lengths"),
        (("stone", "--check-lines", "150,3,149"), "not two lengths"),
        (("stone", "--check-lines", "15,15"), "type 15cm"),
        (("stone", "--pick", "0"), "--pick"),
    ],
)
def test_wrong_values(
    arguments: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command, *options = arguments
    code, _, message = refusal(capsys, command, str(picture("good", tmp_path)), *options)
    assert code == 2
    assert said in message


@pytest.mark.parametrize(
    ("typed", "mm"), [("5,2", 5.2), ("5.2mm", 5.2), ("0.25in", 6.35), ("1/4in", 6.35), ("0,52cm", 5.2)]
)
def test_decimal_commas_and_inches_are_read(typed: str, mm: float) -> None:
    from rimsight.cli.measure_inputs import read_inputs

    assert read_inputs("tube", {"length": typed}).length_mm == pytest.approx(mm)


@pytest.mark.parametrize(
    "typed", ["150.3,149.6", "150.3, 149.6", "150.3 149.6", "150,3 149,6", "150,3;149,6", "150,3,149,6", "150.3/149.6"]
)
def test_check_lines_in_any_way_of_writing(typed: str) -> None:
    from rimsight.cli.measure_inputs import check_lines

    assert check_lines(typed) == (150.3, 149.6)


def test_output_is_refused_before_the_photo_is_opened(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The photo is none at all: had it been opened, the code were 3."""
    photo = tmp_path / "IMG_1.png"
    photo.write_bytes(b"no picture")
    taken = tmp_path / "taken.png"
    taken.write_bytes(b"mine")
    for out, said in (
        (tmp_path / "missing" / "marked.png", "the folder does not exist"),
        (taken / "marked.png", "a folder is needed"),
        (tmp_path, "must end in .png or .jpg"),
        (tmp_path / "marked.gif", "must end in .png or .jpg"),
        (photo, "the photo itself"),
        (taken, "--force"),
    ):
        code, _, message = refusal(capsys, "stone", str(photo), "--out", str(out))
        assert code == 2
        assert said in message
    code, _, message = refusal(capsys, "stone", str(photo), "--out", str(photo), "--force")
    assert (code, "the photo itself" in message) == (2, True)
    assert taken.read_bytes() == b"mine"
    assert photo.read_bytes() == b"no picture"


def test_output_that_is_a_link_to_the_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo, link = tmp_path / "IMG_1.png", tmp_path / "marked.png"
    photo.write_bytes(b"no picture")
    link.symlink_to(photo)
    code, _, message = refusal(capsys, "stone", str(photo), "--out", str(link), "--force")
    assert (code, "the photo itself" in message) == (2, True)


def test_read_only_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(tempfile, "TemporaryFile", refuse)
    photo = tmp_path / "IMG_1.png"
    photo.write_bytes(b"no picture")
    code, _, message = refusal(capsys, "stone", str(photo), "--out", str(tmp_path / "marked.png"))
    assert (code, "does not allow writing" in message) == (2, True)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes everywhere")
def test_folder_without_the_right_to_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo, folder = tmp_path / "IMG_1.png", tmp_path / "locked"
    photo.write_bytes(b"no picture")
    folder.mkdir(mode=0o500)
    code, _, message = refusal(capsys, "stone", str(photo), "--out", str(folder / "marked.png"))
    assert (code, "does not allow writing" in message) == (2, True)


def test_inputs_that_a_kind_does_not_know() -> None:
    from rimsight.cli.measuring import measure_photo

    with pytest.raises(ValueError, match="'length' is no input of 'stone'"):
        measure_photo("stone", PHOTOS / "stone-green-step.jpg", {"length": "5"})
    with pytest.raises(ValueError, match="can't be measured"):
        measure_photo("spoon", PHOTOS / "stone-green-step.jpg", {})
