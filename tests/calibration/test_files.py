"""Files are whole or absent, and what stands in the way is named."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from rimsight.calibration.files import home_folder, write_whole


def test_content_arrives_and_nothing_else(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.bin", b"one", overwrite=False)
    assert [(one.name, one.read_bytes()) for one in tmp_path.iterdir()] == [("a.bin", b"one")]


def test_a_file_is_replaced_only_when_that_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    write_whole(path, b"one", overwrite=False)
    with pytest.raises(FileExistsError):
        write_whole(path, b"two", overwrite=False)
    assert path.read_bytes() == b"one"
    write_whole(path, b"two", overwrite=True)
    assert path.read_bytes() == b"two"


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as caught:
        write_whole(tmp_path / "no" / "a.bin", b"", overwrite=False)
    assert caught.value.filename == str(tmp_path / "no")


def test_a_folder_in_place_of_the_file_and_the_other_way_round(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(IsADirectoryError):
        write_whole(tmp_path / "folder", b"", overwrite=True)
    with pytest.raises(NotADirectoryError):
        write_whole(tmp_path / "file" / "a.bin", b"", overwrite=True)


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM, errno.EROFS])
def test_a_folder_that_forbids_writing_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    def refuse(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(PermissionError) as caught:
        write_whole(tmp_path / "a.bin", b"one", overwrite=False)
    assert caught.value.filename == str(tmp_path)
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_refused(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(PermissionError):
            write_whole(tmp_path / "a.bin", b"one", overwrite=False)
    finally:
        tmp_path.chmod(0o700)


def test_home_folder_is_the_chosen_one(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path))
    assert home_folder() == tmp_path
