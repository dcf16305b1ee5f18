"""`rimsight archive` as it is typed."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
import types
import zipfile
from pathlib import Path
from typing import Any

import pytest

from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from rimsight.cli import registry
from rimsight.cli.app import main
from rimsight.cli.keeping import Keeping, keep_measurement, kept_text
from rimsight.cli.option_groups import with_options
from tests.archive import sample


@pytest.fixture(autouse=True, name="home")
def home_fixture(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("RIMSIGHT_KEEP", raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


@pytest.fixture(name="filled")
def filled_fixture(home: Path) -> Path:
    """Three rims of two jobs and a parcel."""
    entries = (("M-104", 6.124, "adequate"), ("M-104", 5.0, "too thin"), ("M-105", 6.2, "too close to call"))
    with Archive(home / "archive", write=True) as archive:
        for seed, (job, size, verdict) in enumerate(entries):
            photo, measured = sample.rim(seed, stone=size, verdict=verdict)
            archive.keep(photo, f"IMG_{seed}.jpg", measured, sample.labels(job=job))
        parcel = Measured("parcel", sample.parcel_result(3), {}, "0.1.0")
        archive.keep(sample.encode(sample.draw((64, 48))), "parcel.jpg", parcel)
    return home


def call(*arguments: str | Path) -> int:
    """Run the command line and return its exit code."""
    with pytest.raises(SystemExit) as caught:
        main([str(one) for one in arguments])
    code = caught.value.code
    return code if isinstance(code, int) else 0


def printed(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> Any:
    """Run a command with `--json` and return what it printed."""
    capsys.readouterr()
    assert call(*arguments, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "rimsight/1"
    return found


def measuring(monkeypatch: pytest.MonkeyPatch, measure: Any) -> None:
    module = types.ModuleType("rimsight.cli.measuring")
    module.measure_photo = measure  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "rimsight.cli.measuring", module)


# -- looking -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [["list"], ["find", "spinel"]])
def test_nothing_is_kept_yet(home: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", *arguments) == 0
    assert capsys.readouterr().out.startswith("Nothing is kept yet")
    assert not home.exists()
    assert printed(capsys, "archive", *arguments)["total"] == 0


def test_list_shows_the_newest_first(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "list", "--limit", "2") == 0
    out = capsys.readouterr().out
    assert out.index("     4  parcel") < out.index("     3  rim")
    assert "3 items, first: stone 2.000 ± 0.011 mm" in out
    assert "rim smallest 0.336 ± 0.011 mm, stone 6.200 ± 0.012 mm" in out
    assert "2 of 4 records; older ones: rimsight archive list --before 3" in out


def test_filters_together(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def found(*arguments: str) -> list[int]:
        return [row["number"] for row in printed(capsys, "archive", *arguments)["records"]]

    assert found("list", "--job", "m-104", "--verdict", "thin") == [2]
    assert found("list", "--stone-mm", "5.9-6.2") == [3, 1]
    assert found("list", "--stone-mm", "5,9-6,15") == [1]
    assert found("list", "--since", "2000", "--until", "2000-12") == []
    assert found("list", "--tag", "ring", "--metal", "18K*", "--kind", "rim") == [3, 2, 1]
    assert found("find", "spinel", "img_2") == [3]
    assert found("list", "--before", "3") == [2, 1]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["list", "--stone-mm", "six"], "is not a range of sizes"),
        (["list", "--since", "soon"], "is not a date"),
        (["list", "--verdict", "fine"], "is not a verdict"),
        (["list", "--kind", "A Rim"], "is not a kind of measurement"),
        (["find", "***"], "no word to look for"),
        (["show", "99"], "holds no record 99"),
        (["show", "999999999999999999999"], "Invalid value for 'NUMBER'"),
        (["compare", "1", "x"], "is not a record"),
        (["compare", "1.7"], "record 1 has no reading 7"),
        (["note", "1"], "nothing to write"),
        (["note", "1", "--append"], "nothing to write"),
        (["remove"], "name the records to remove"),
        (["remove", "1", "--empty-bin"], "name the records to remove"),
        (["remove", "--empty-bin"], "add --yes if that is meant"),
        (["export"], "say what to write"),
        (["export", "--csv", "-", "--json"], "don't go together"),
        (["export", "99", "--csv", "x.csv"], "holds no record 99"),
        (["export", "--album", "x", "--job", "none"], "no record to make an album of"),
        (["export", "--sheet", "none"], "nothing is kept for the job"),
        (["export", "--csv", "no/such/folder/x.csv"], "there is no such folder"),
        (["import", "none.zip"], "there is no file none.zip"),
        (["remeasure"], "say which records"),
        (["verify", "--from", "x"], "--from is for --repair"),
        (["always", "maybe"], "neither on nor off"),
    ],
)
def test_wrong_calls_are_told_in_words(
    filled: Path, arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    import re

    assert call("archive", *arguments) == 2
    error = capsys.readouterr().err
    assert re.search(says, error), error
    assert "Traceback" not in error


def test_show_tells_everything(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "show", "1") == 0
    out = capsys.readouterr().out
    for expected in (
        "Record 1 · rim · adequate",
        "M-104 · blue spinel · 7.0 x 5.7 · 18k yellow",
        "6.124 ± 0.012 mm",
        "from edge 0.0040, print scale 0.0030",
        "height_mm 5",
        "rimsight 0.1.0",
        "Cushion bezel asked for first, then tube.",
    ):
        assert expected in out
    found = printed(capsys, "archive", "show", "1")
    assert found["record"]["readings"][0]["result"]["stone"]["diameter_mm"]["value"] == 6.124
    assert Path(found["files"]["photo"]).read_bytes() == sample.rim()[0]


def test_what_is_printed_drives_no_terminal(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    evil = "\x1b]0;owned\x07\x1b[2J\u202e"
    with Archive(home / "archive", write=True) as archive:
        photo, _ = sample.rim()
        result = sample.rim_result(verdict=evil) | {"reasons": [evil], "warnings": [evil], "card": {"name": evil}}
        result["rim"][f"{evil}_mm"] = sample.quantity(1, 0.1)
        result["rim"][f"{evil}_mm"]["budget"] = {evil: 0.1}
        measured = Measured("rim", result, {evil: evil}, evil, camera={"name": evil})
        archive.keep(photo, f"{evil}.jpg", measured, Labels(evil, evil, evil, evil, evil, (evil,)))
        archive.connection.execute("UPDATE record SET job = ?, note = ?", (evil, evil))  # as if by an older version
    for arguments in (["list"], ["show", "1"], ["compare", "1", "1"], ["find", "owned"]):
        assert call("archive", *arguments) == 0
        out = capsys.readouterr().out
        assert not any(character in out for character in "\x1b\x07\u202e")


def test_compare(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "compare", "1", "3") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "stone 6.124 ± 0.012 mm 6.200 ± 0.012 mm +0.0760 mm differs" in out
    found = printed(capsys, "archive", "compare", "1.1", "1.1")
    assert all(entry["change"] == 0 for entry in found["differences"])


def test_where(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "where") == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == str(filled / "archive")
    assert "4 records" in out
    assert printed(capsys, "archive", "where")["records"] == 4


def test_the_place_without_a_variable_is_the_systems(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("RIMSIGHT_HOME")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    found = printed(capsys, "archive", "where")
    assert found["records"] == 0
    if sys.platform == "linux":
        # XDG Base Directory Specification 0.8: $XDG_DATA_HOME
        assert found["folder"] == str(tmp_path / "data" / "rimsight" / "archive")
        photo = sample.write(tmp_path / "a.jpg", sample.rim()[0])
        keep_measurement(Keeping(keep=True), kind="rim", result=sample.rim_result(), photo=photo)
        assert (tmp_path / "data" / "rimsight" / "archive" / "archive.db").is_file()


# -- writing -----------------------------------------------------------------------------------------------------


def test_note(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "note", "1", "burnished", "--append", "--tag", "done", "--untag", "RING") == 0
    labels = printed(capsys, "archive", "show", "1")["record"]["labels"]
    assert labels["note"] == "Cushion bezel asked for first, then tube.\nburnished"
    assert labels["tags"] == ["done"]
    assert call("archive", "note", "1", "", "--job", "M-9") == 0
    record = printed(capsys, "archive", "show", "1")["record"]
    assert (record["labels"]["note"], record["labels"]["job"]) == ("", "M-9")
    assert {change["field"] for change in record["changes"]} == {"note", "tags", "job"}
    capsys.readouterr()
    assert call("archive", "show", "1") == 0
    assert 'job: "M-104" -> "M-9"' in capsys.readouterr().out


def test_the_bin(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "remove", "1", "2") == 0
    assert [row["number"] for row in printed(capsys, "archive", "list")["records"]] == [4, 3]
    assert [row["number"] for row in printed(capsys, "archive", "list", "--bin")["records"]] == [2, 1]
    assert call("archive", "restore", "2") == 0
    assert printed(capsys, "archive", "remove", "--empty-bin", "--yes") | {"files": 0} == {
        "schema": "rimsight/1",
        "deleted": 1,
        "files": 0,
    }
    assert [row["number"] for row in printed(capsys, "archive", "list")["records"]] == [4, 3, 2]
    assert printed(capsys, "archive", "verify")["whole"]


# -- exports -----------------------------------------------------------------------------------------------------


def test_tables(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "export", "--csv", tmp_path / "t.csv", "--jsonl", tmp_path / "t.jsonl", "--kind", "rim") == 0
    assert (tmp_path / "t.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "t.csv").read_text(encoding="utf-8-sig"), newline="")))
    assert [row["number"] for row in rows] == ["1", "2", "3"]
    lines = [json.loads(line) for line in (tmp_path / "t.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [line["number"] for line in lines] == [1, 2, 3]
    capsys.readouterr()
    assert call("archive", "export", "--jsonl", "-", "2") == 0
    assert json.loads(capsys.readouterr().out)["number"] == 2


def test_files_are_not_replaced_unasked(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for option, name in (("--csv", "t.csv"), ("--jsonl", "t.jsonl"), ("--zip", "t.zip"), ("--album", "album")):
        assert call("archive", "export", option, tmp_path / name) == 0
        assert call("archive", "export", option, tmp_path / name) == 2
        assert "--force replaces it" in capsys.readouterr().err
        assert call("archive", "export", option, tmp_path / name, "--force") == 0


def test_album_sheet_and_zip(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = printed(
        capsys, "archive", "export", "--album", tmp_path / "show", "--sheet", "M-104", "--zip", tmp_path / "all.zip"
    )["exported"]
    assert (tmp_path / "show" / "album.html").is_file()
    assert (tmp_path / "job-M-104.pdf").read_bytes().startswith(b"%PDF")
    assert found["sheet"] == {"file": "job-M-104.pdf", "record": 2}
    with zipfile.ZipFile(tmp_path / "all.zip") as opened:
        assert opened.testzip() is None
    assert found["zip"]["records"] == 4


@pytest.mark.parametrize(
    "job", ["../../../etc/cron.d/x", "/etc/passwd", "C:\\Windows\\x", "CON", "a\nb", "...", "~/x", "x" * 190]
)
def test_a_jobs_name_leads_nowhere(home: Path, tmp_path: Path, job: str, capsys: pytest.CaptureFixture[str]) -> None:
    with Archive(home / "archive", write=True) as archive:
        photo, measured = sample.rim()
        archive.keep(photo, "a.jpg", measured, sample.labels(job=job))
    before = {path for path in tmp_path.rglob("*") if home not in path.parents}
    assert call("archive", "export", "--sheet", job) == 0
    (made,) = {path for path in tmp_path.rglob("*") if home not in path.parents} - before
    assert made.parent == tmp_path
    assert made.name.startswith("job")
    assert made.suffix == ".pdf"


def test_a_zip_moves_house(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    assert call("archive", "export", "--zip", tmp_path / "all.zip") == 0
    assert "keep it for yourself" in capsys.readouterr().out
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "other"))
    assert printed(capsys, "archive", "import", tmp_path / "all.zip")["new"] == [1, 2, 3, 4]
    assert printed(capsys, "archive", "import", tmp_path / "all.zip")["known"] == 4
    assert printed(capsys, "archive", "verify")["whole"]


def test_a_hostile_zip_is_a_wrong_call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as opened:
        opened.writestr("../evil.txt", b"evil")
    assert call("archive", "import", tmp_path / "evil.zip") == 2
    assert "no export writes" in capsys.readouterr().err
    assert not (tmp_path / "evil.txt").exists()
    assert not (tmp_path / "home" / "evil.txt").exists()


def test_what_can_not_be_backed_up_is_told(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _photo_of(filled, 2).write_bytes(b"rotten")
    assert call("archive", "export", "--zip", tmp_path / "all.zip") == 4
    assert "left out: record 2, its photo is missing or altered" in capsys.readouterr().out


# -- care --------------------------------------------------------------------------------------------------------


def _photo_of(home: Path, number: int) -> Path:
    with Archive(home / "archive") as archive:
        return archive.objects.path(archive.record(number).photo)


def test_verify_and_repair(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", "verify") == 0
    assert "All whole." in capsys.readouterr().out
    assert call("archive", "export", "--zip", tmp_path / "all.zip") == 0
    path = _photo_of(filled, 2)
    data = bytearray(path.read_bytes())
    data[100] ^= 4
    path.write_bytes(data)
    capsys.readouterr()
    assert call("archive", "verify") == 4
    out = capsys.readouterr().out
    assert "A photo is no longer what was kept (1):\n  record 2: " in out
    assert "verify --repair" in out
    assert call("archive", "verify", "--quick") == 0  # the size is the same
    assert call("archive", "verify", "--repair") == 4
    assert "can't be repaired with what is at hand" in capsys.readouterr().out
    assert call("archive", "verify", "--repair", "--from", tmp_path / "all.zip") == 0
    assert "Everything that was kept is whole." in capsys.readouterr().out
    assert call("archive", "verify") == 0


@pytest.mark.parametrize("harm", ["gone", "scribbled"])
def test_a_lost_database_is_made_anew(filled: Path, harm: str, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (filled / "archive").glob("archive.db*"):
        if harm == "gone" or path.name != "archive.db":
            path.unlink()
        else:
            path.write_bytes(os.urandom(40_000))
    for arguments in (["list"], ["show", "1"], ["note", "1", "x"], ["verify"]):
        assert call("archive", *arguments) == 4
    told = capsys.readouterr()
    assert "verify --repair" in told.err + told.out
    assert call("archive", "verify", "--repair") == 0
    assert "made anew: 4 records" in capsys.readouterr().out
    assert call("archive", "verify") == 0
    assert printed(capsys, "archive", "show", "1")["record"]["labels"]["job"] == "M-104"


def test_remeasure(filled: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    asked = []

    def measure(kind: str, photo: Path, inputs: dict[str, Any]) -> tuple[dict[str, Any], bytes | None]:
        asked.append((kind, inputs))
        if len(asked) == 2:
            from rimsight.calibration.errors import PhotoError

            raise PhotoError("the card is cut off", "the whole card", "photograph it again")
        return sample.rim_result(6.131), None

    measuring(monkeypatch, measure)
    # The samples say they were measured by 0.1.0, which may be the very version that is installed here.
    monkeypatch.setattr("rimsight.cli.keeping.program_version", lambda: "0.1.1")
    assert call("archive", "remeasure", "--job", "M-104") == 3
    out = " ".join(capsys.readouterr().out.split())
    assert "Record 1: reading 1 and now reading 2" in out
    assert "stone 6.124 ± 0.012 mm 6.131 ± 0.012 mm +0.0070 mm the same within the uncertainty" in out
    assert "the card is cut off" in out
    assert "1 measured again, 0 were of this version, 1 failed." in out
    assert asked[0] == ("rim", {"height_mm": 5.0, "card": "bench card"})
    record = printed(capsys, "archive", "show", "1")["record"]
    assert [reading["result"]["stone"]["diameter_mm"]["value"] for reading in record["readings"]] == [6.124, 6.131]
    found = printed(capsys, "archive", "remeasure", "1")
    assert found["remeasured"][0]["after"] is None
    assert printed(capsys, "archive", "compare", "1")["compared"][0] == {"record": 1, "reading": 1}


# -- keeping -----------------------------------------------------------------------------------------------------


def test_keeping_when_it_is_wanted(tmp_path: Path, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photo = sample.write(tmp_path / "IMG_1.jpg", sample.rim()[0])

    def keep(keeping: Keeping) -> Any:
        return keep_measurement(keeping, kind="rim", result=sample.rim_result(), photo=photo, inputs={"height": "5"})

    assert keep(Keeping()) is None
    assert keep(Keeping(metal="silver")) is None
    assert keep(Keeping(keep=False, job="M-1")) is None
    assert not home.exists()
    first = keep(Keeping(keep=True))
    assert kept_text(first) == "Kept as record 1."
    second = keep(Keeping(job="M-1", note="n", metal="silver", tag=["t"], stone_name="s", tube_name="u"))
    assert kept_text(second) == "Kept as record 2. The same photo is also kept as 1."
    with Archive(home / "archive") as archive:
        record = archive.record(2)
        assert record.labels == Labels("M-1", "s", "u", "silver", "n", ("t",))
        assert record.latest.document.data["inputs"] == {"height": "5"}
        assert archive.objects.read(record.photo) == photo.read_bytes()
    monkeypatch.setenv("RIMSIGHT_KEEP", "1")
    assert keep(Keeping()) is not None


def test_always(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home.mkdir()
    assert not Keeping().wanted()
    assert call("archive", "always", "on") == 0
    assert Keeping().wanted()
    assert not Keeping(keep=False).wanted()
    assert printed(capsys, "archive", "where")["keeps_always"] is True
    assert call("archive", "always", "off") == 0
    assert not Keeping().wanted()
    (home / "archive.json").write_text("nonsense")
    with pytest.raises(ValueError, match="is not a settings file"):
        Keeping().wanted()


def test_a_group_of_options_is_spread_into_a_command(capsys: pytest.CaptureFixture[str]) -> None:
    import typer

    app = typer.Typer()

    @app.command()
    @with_options(keeping=Keeping)
    def measure(photo: str, keeping: Keeping, twice: bool = False) -> None:
        typer.echo(f"{photo} {keeping.keep} {keeping.job} {keeping.tag} {twice}")

    with pytest.raises(SystemExit):
        app(args=["a.jpg", "--keep", "--job", "M-1", "--tag", "x", "--tag", "y", "--twice"], prog_name="m")
    assert capsys.readouterr().out == "a.jpg True M-1 ['x', 'y'] True\n"


def test_every_module_is_named_as_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    """What makes it right to declare only the command that is called."""
    for name in registry.COMMAND_MODULES:
        assert call(name, "--help") == 0
        assert f"Usage: rimsight {name}" in capsys.readouterr().out


@pytest.mark.parametrize(
    "command",
    [
        *("list", "find", "show", "compare", "where", "note", "remove", "restore", "always"),
        *("export", "import", "verify", "remeasure"),
    ],
)
def test_every_command_has_help_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("archive", command, "--help") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"Example: rimsight archive {command}" in out


def test_looking_loads_nothing_heavy(filled: Path) -> None:
    script = (
        "import sys\n"
        "from rimsight.cli.app import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "heavy = {'PIL', 'numpy', 'cv2', 'scipy', 'skimage', 'reportlab', 'pillow_heif'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    for arguments in (["list"], ["find", "spinel"], ["show", "1"], ["compare", "1", "2"], ["note", "1", "x"]):
        subprocess.run([sys.executable, "-c", script, "archive", *arguments], check=True, stdout=subprocess.DEVNULL)
