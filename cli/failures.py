"""How a failure leaves the program: one short message, one documented exit code, never a traceback."""

from __future__ import annotations

import json
import os
import sys
from typing import Any, NoReturn

SCHEMA = "rimsight/1"

EXIT_OK = 0
EXIT_WRONG_CALL = 2
EXIT_PHOTO = 3
EXIT_OTHER = 4

CV2_REMEDY = (
    "OpenCV could not be loaded ({reason}). On a server without a screen, install the missing system library "
    "(Debian/Ubuntu: apt install libgl1 libglib2.0-0) or replace the wheel: "
    "pip uninstall opencv-python, then pip install opencv-python-headless."
)


def error_object(kind: str, found: str, needed: str, advice: str) -> dict[str, Any]:
    """Make the `error` member of the JSON that a failed command prints."""
    return {"schema": SCHEMA, "error": {"kind": kind, "found": found, "needed": needed, "advice": advice}}


def describe(failure: Exception) -> tuple[int, str, dict[str, Any]]:
    """Turn an exception into exit code, message for people and object for machines.

    Parameters
    ----------
    failure : Exception
        What the core raised.

    Returns
    -------
    code : int
        2, 3 or 4 as documented in `rimsight --help`.
    message : str
        For the terminal, without a traceback.
    record : dict
        For `--json`.
    """
    from rimsight.calibration.errors import PhotoError

    if isinstance(failure, PhotoError):
        message = f"Can't tell: {failure.found}.\nNeeded: {failure.needed}.\nTry: {failure.advice}."
        record = error_object(failure.kind, failure.found, failure.needed, failure.advice)
        record["error"] |= getattr(failure, "details", {})
        return EXIT_PHOTO, message, record
    if isinstance(failure, ValueError):
        return EXIT_WRONG_CALL, str(failure), error_object("wrong_call", str(failure), "a valid call", "--help")
    if isinstance(failure, ImportError) and ("cv2" in str(failure) or "libGL" in str(failure)):
        message = CV2_REMEDY.format(reason=failure)
        return EXIT_OTHER, message, error_object("opencv_missing", str(failure), "a working OpenCV", message)
    if isinstance(failure, OSError):
        # A missing or read-only folder is the caller's to mend; a full disk or a broken device is not.
        wrong_call = isinstance(failure, FileNotFoundError | PermissionError | IsADirectoryError | NotADirectoryError
                                | FileExistsError)
        code = EXIT_WRONG_CALL if wrong_call else EXIT_OTHER
        where = f": {failure.filename}" if failure.filename else ""
        message = f"{failure.strerror or failure}{where}"
        return code, message, error_object("file", message, "a file or folder that can be used", "check the path")
    if isinstance(failure, MemoryError):
        message = "not enough memory for this photo"
        return EXIT_OTHER, message, error_object("memory", message, "more free memory", "close other programs")
    message = f"something went wrong that is not your doing ({type(failure).__name__}: {failure})"
    advice = "set RIMSIGHT_TRACE=1 and report what it prints"
    return EXIT_OTHER, f"{message}; {advice}", error_object("internal", message, "no fault in the program", advice)


def leave(failure: Exception, *, as_json: bool) -> NoReturn:
    """Print the failure and leave the process with its exit code."""
    if os.environ.get("RIMSIGHT_TRACE"):
        import traceback

        traceback.print_exception(failure)
    code, message, record = describe(failure)
    if as_json:
        print(json.dumps(record, ensure_ascii=False))
    print(f"rimsight: {message}", file=sys.stderr)
    raise SystemExit(code)
