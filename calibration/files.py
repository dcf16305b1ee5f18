"""The user's folder, and files that are written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

#: Environment variable that replaces the user's configuration folder.
HOME_VARIABLE = "RIMSIGHT_HOME"


def home_folder() -> Path:
    """Return the folder of the user's records; it need not exist yet.

    `RIMSIGHT_HOME` if that is set and not empty, else the configuration folder of the operating system.
    """
    chosen = os.environ.get(HOME_VARIABLE)
    if chosen:
        return Path(chosen).expanduser()
    from platformdirs import user_config_path

    return user_config_path("rimsight", appauthor=False)


def read_records(path: Path, member: str, version: int, *, what: str, again: str) -> Mapping[str, Any]:
    """Read the named records of one of the user's JSON files; none if there is no file.

    Parameters
    ----------
    path : Path
        The file.
    member : str
        Name of the member that holds the records.
    version : int
        The file's version that this program knows.
    what : str
        What the records are, in words, for messages.
    again : str
        Command that makes them again.

    Raises
    ------
    ValueError
        The file is broken, holds something else, or was written by a newer version. It is never passed over in silence:
        without its records the photographs would measure differently.
    OSError
        The file can't be read.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return {}
    remedy = f"restore it from a backup, or delete it and run '{again}' again"
    try:
        data = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as failure:
        raise ValueError(f"the {what} in {path} can't be read ({failure}); {remedy}") from failure
    found = data.get("version") if isinstance(data, dict) else None
    if isinstance(found, int) and found > version:
        raise ValueError(f"the {what} in {path} are of version {found}; install a newer rimsight")
    records = data.get(member) if isinstance(data, dict) else None
    if found != version or not isinstance(records, dict):
        raise ValueError(f"{path} holds no {what}; {remedy}")
    return records


def write_records(path: Path, member: str, version: int, records: Mapping[str, Any]) -> None:
    """Write named records as one of the user's JSON files, whole or not at all; makes the folder if need be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"version": version, member: dict(records)}, indent=2, ensure_ascii=False) + "\n"
    write_whole(path, text.encode(), overwrite=True)


def write_whole(path: Path, content: bytes, *, overwrite: bool) -> None:
    """Write a file so that at any moment either the old or the whole new content is there.

    Parameters
    ----------
    path : Path
        The folder must exist.
    content : bytes
        The whole content.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileExistsError
        The file exists and must not be replaced.
    FileNotFoundError
        The folder does not exist.
    NotADirectoryError, IsADirectoryError
        The folder is a file, or the file a folder.
    PermissionError
        The folder or the file system does not allow writing.
    OSError
        Everything else, a full disk above all.
    """
    folder = path.parent
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "this is a folder, a file name is needed", str(path))
    if not folder.exists():
        raise FileNotFoundError(errno.ENOENT, "the folder does not exist, make it first", str(folder))
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "this is a file, a folder is needed", str(folder))
    if path.exists() and not overwrite:
        raise FileExistsError(errno.EEXIST, "the file exists already", str(path))
    # Beside its target, because a rename is atomic only within one file system.
    part = folder / f".{path.name}.{os.getpid()}.part"
    try:
        with open(part, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, path)
    except OSError as failure:
        if failure.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise PermissionError(failure.errno, "this folder does not allow writing", str(folder)) from failure
        raise
    finally:
        part.unlink(missing_ok=True)
