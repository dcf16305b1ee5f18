"""An empty archive for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rimsight.archive.store import Archive


@pytest.fixture(name="folder")
def folder_fixture(tmp_path: Path) -> Path:
    return tmp_path / "home" / "archive"


@pytest.fixture(name="archive")
def archive_fixture(folder: Path) -> Iterator[Archive]:
    with Archive(folder, write=True, durable=False) as archive:
        yield archive
