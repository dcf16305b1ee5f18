"""What can go wrong with an archive, sorted by who can mend it.

`ValueError`s and the file errors that mean "this folder can't be used" are the caller's to mend; an
`ArchiveError` is not. All of them carry one sentence that a person can act on.
"""

from __future__ import annotations


class ArchiveError(OSError):
    """The archive can't do what was asked, and the caller is not to blame."""


class ArchiveBusy(ArchiveError):
    """Another command held the archive for longer than this one was ready to wait."""


class ArchiveFull(ArchiveError):
    """The disk that holds the archive is full; nothing of the interrupted record was kept."""


class ArchiveDamaged(ArchiveError):
    """The database file can't be read as one; `verify` says what is left of it."""


class ArchiveTooNew(ArchiveError):
    """The archive was written by a newer version of the program than this one."""


class ArchiveReadOnly(PermissionError):
    """The folder can be read but not written."""


class NoArchive(FileNotFoundError):
    """There is no archive in the folder, so there is nothing to read."""


class NoSuchRecord(ValueError):
    """A record or reading was asked for that the archive doesn't hold."""


class ZipRefused(ValueError):
    """A zip that was to be imported is not what an archive exports; nothing of it was taken."""


class PictureUnreadable(ValueError):
    """Bytes that should be a photograph can't be decoded as one."""
