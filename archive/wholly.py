"""Writing a file so that it appears under its name only when it is whole."""

from __future__ import annotations

import errno
import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from rimsight.archive.errors import ArchiveFull


@contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """Open a new file that takes its name when the block ends well, and vanishes when it doesn't.

    Parameters
    ----------
    path : Path
        The name; a file that has it is replaced, a folder that should hold it must be there.

    Raises
    ------
    ArchiveFull, OSError
        It can't be written.
    """
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "this is a folder, a file is wanted", str(path))
    if not path.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, "there is no such folder", str(path.parent))
    fresh = path.with_name(f".{path.name[:100]}.{uuid.uuid4().hex[:8]}")
    try:
        with open(fresh, "x+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, path)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise ArchiveFull(f"no room for {path} ({error.strerror})") from error
        raise
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
