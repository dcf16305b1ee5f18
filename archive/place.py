"""Where the archive lies, and the one setting it has."""

from __future__ import annotations

import json
import os
from pathlib import Path

from rimsight.archive.objects import flush_folder

#: Overrides every folder of the program, for a memory stick, a network share or a test.
HOME_VARIABLE = "RIMSIGHT_HOME"
#: "1" keeps every measured photo of this shell, whatever the setting says; "0" keeps none.
KEEP_VARIABLE = "RIMSIGHT_KEEP"


def archive_folder() -> Path:
    """Return the folder of the user's archive: `$RIMSIGHT_HOME/archive`, or the user's data folder.

    The folder need not exist yet; looking for it never makes it.
    """
    home = os.environ.get(HOME_VARIABLE)
    if home:
        return Path(home).expanduser() / "archive"
    from platformdirs import user_data_path

    return user_data_path("rimsight", appauthor=False) / "archive"


def folder_to_write() -> Path:
    """Return the archive's folder, with the system's data folder made where a fresh account lacks it."""
    folder = archive_folder()
    if not os.environ.get(HOME_VARIABLE):
        folder.parent.parent.mkdir(parents=True, exist_ok=True)
    return folder


def make_folder(folder: Path) -> None:
    """Make the archive's folder, private to its user.

    Only two levels are made (the archive in its home): a home on a memory stick that is not plugged in must not
    turn into a folder of the same name on the system's disk.
    """
    if folder.is_dir():
        return
    home = folder.parent
    if not home.parent.is_dir():
        raise FileNotFoundError(f"{home.parent} is not there, so no archive is made in it")
    for path in (home, folder):
        path.mkdir(mode=0o700, exist_ok=True)
        flush_folder(path.parent)


def settings_file() -> Path:
    """Return the file that holds the archive's setting (it need not exist)."""
    home = os.environ.get(HOME_VARIABLE)
    if home:
        return Path(home).expanduser() / "archive.json"
    from platformdirs import user_config_path

    return user_config_path("rimsight", appauthor=False) / "archive.json"


def keeps_always() -> bool:
    """Tell whether every measurement is to be kept without being asked each time.

    Raises
    ------
    ValueError
        The settings file is not the small JSON object that `set_keeps_always` writes.
    """
    wish = os.environ.get(KEEP_VARIABLE)
    if wish in ("0", "1"):
        return wish == "1"
    path = settings_file()
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return False
    try:
        setting = json.loads(text)["keep_always"]
    except (ValueError, KeyError, TypeError):
        raise ValueError(f'{path} is not a settings file: it should read {{"keep_always": true}}') from None
    return setting is True


def set_keeps_always(always: bool) -> Path:
    """Write the setting and return the file it stands in."""
    path = settings_file()
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(path.name + ".new")
    fresh.write_text(json.dumps({"keep_always": always}) + "\n", encoding="utf-8")
    fresh.replace(path)  # a reader sees the old setting or the new one, never half of one
    return path
