"""Part of an archive as one zip: a back-up, or the way into another archive.

The zip holds the photos as they were taken, with everything the camera wrote into them: it is for the house itself.
`SHA256SUMS` can be checked without this program (`sha256sum -c SHA256SUMS` in the unpacked folder).
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from rimsight.archive import words
from rimsight.archive.errors import ArchiveError
from rimsight.archive.objects import ObjectStore
from rimsight.archive.records import Record
from rimsight.archive.store import Archive
from rimsight.archive.wholly import new_file

ZIP_SCHEMA = "rimsight-archive-zip/1"
MANIFEST = "manifest.json"
RECORDS = "records.jsonl"
SUMS = "SHA256SUMS"
ABOUT = (
    "Records of a rimsight archive. The photos are untouched originals with all that the camera wrote into them: "
    "keep this for yourself. `rimsight archive import` takes it into another archive."
)


@dataclass
class Bundled:
    """What went into a zip; `left_out` says which records could not, and why."""

    records: int = 0
    files: int = 0
    size: int = 0
    left_out: dict[int, str] = field(default_factory=dict)


def member_name(sha256: str) -> str:
    """Return the name of a file inside the zip."""
    return f"objects/{sha256[:2]}/{sha256[2:]}"


def write_zip(archive: Archive, numbers: Iterable[int], path: Path, *, program: str) -> Bundled:
    """Write records with all their files as a zip.

    Parameters
    ----------
    archive : Archive
        Where the records are.
    numbers : iterable of int
        Which ones, oldest first: another archive numbers them in this order.
    path : Path
        The zip; it appears when it is whole, and replaces a file of that name.
    program : str
        Version of the program, for the manifest.

    Raises
    ------
    ArchiveFull, OSError
        It can't be written; no half of it is left.
    """
    outcome = Bundled()
    sums: dict[str, str] = {}
    written: set[str] = set()
    with (
        new_file(path) as target,
        zipfile.ZipFile(target, "w", zipfile.ZIP_STORED, allowZip64=True) as bundle,
        tempfile.TemporaryFile() as lines,
    ):
        digest = hashlib.sha256()
        for number in numbers:
            try:
                record = archive.record(number)
                _write_files(bundle, archive.objects, record, written, outcome)
            except ArchiveError as error:
                outcome.left_out[number] = str(error)
                continue
            line = (json.dumps(_line(record), sort_keys=True, ensure_ascii=True) + "\n").encode("ascii")
            lines.write(line)
            digest.update(line)
            outcome.records += 1
        sums[RECORDS] = digest.hexdigest()
        lines.seek(0)
        with bundle.open(_deflated(RECORDS), "w", force_zip64=True) as member:
            while chunk := lines.read(1 << 20):
                member.write(chunk)
        manifest = {
            "schema": ZIP_SCHEMA,
            "made_at": words.now(),
            "program": program,
            "records": outcome.records,
            "files": outcome.files,
            "about": ABOUT,
        }
        text = json.dumps(manifest, indent=1, sort_keys=True) + "\n"
        sums[MANIFEST] = hashlib.sha256(text.encode()).hexdigest()
        bundle.writestr(_deflated(MANIFEST), text)
        sums |= {member_name(sha256): sha256 for sha256 in written}
        bundle.writestr(_deflated(SUMS), "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)))
    outcome.size = path.stat().st_size
    return outcome


def _write_files(
    bundle: zipfile.ZipFile, objects: ObjectStore, record: Record, written: set[str], outcome: Bundled
) -> None:
    wanted = {record.photo: "photo"}
    for reading in record.readings:
        wanted[reading.document.sha256] = "document"
        if reading.overlay is not None:
            wanted[reading.overlay] = "overlay"
    missing = [sha256 for sha256 in wanted if sha256 not in written]
    # All of a record's files are looked at before the first is written: a record is in the zip whole or not at all.
    for sha256 in missing:
        if not objects.is_whole(sha256):
            raise ArchiveError(f"its {wanted[sha256]} is missing or altered")
    for sha256 in missing:
        name = member_name(sha256)
        bundle.writestr(_deflated(name) if wanted[sha256] == "document" else _stored(name), objects.read(sha256))
        written.add(sha256)
        outcome.files += 1


def _line(record: Record) -> dict[str, object]:
    return {
        "key": record.key,
        "number": record.number,
        "kept_at": record.kept_at,
        "labels": record.labels.as_json(),
        "readings": [reading.document.sha256 for reading in record.readings],
        "changes": [vars(change) for change in record.changes],
    }


def _stored(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)  # a fixed date: the same records give the same zip
    info.external_attr = 0o100644 << 16
    return info


def _deflated(name: str) -> zipfile.ZipInfo:
    info = _stored(name)
    info.compress_type = zipfile.ZIP_DEFLATED
    return info
