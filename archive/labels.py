"""What people write on a record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.archive import words


@dataclass(frozen=True)
class Labels:
    """What people write on a record: job, names of stone and tube, metal, note, tags."""

    job: str = ""
    stone: str = ""
    tube: str = ""
    metal: str = ""
    note: str = ""
    tags: tuple[str, ...] = ()

    def cleaned(self) -> Labels:
        """Return the labels as they are kept.

        Raises
        ------
        ValueError
            One of them is too long.
        """
        tags: dict[str, str] = {}
        for tag in self.tags:
            clean = words.one_line(tag, "a tag")
            if clean:
                tags.setdefault(clean.casefold(), clean)
        return Labels(
            job=words.one_line(self.job, "the job"),
            stone=words.one_line(self.stone, "the stone's name"),
            tube=words.one_line(self.tube, "the tube's name"),
            metal=words.one_line(self.metal, "the metal"),
            note=words.note_text(self.note),
            tags=tuple(tags[name] for name in sorted(tags)),
        )

    def as_json(self) -> dict[str, Any]:
        """Return the labels as JSON data."""
        return vars(self) | {"tags": list(self.tags)}

    @classmethod
    def from_json(cls, data: object) -> Labels:
        """Read labels from JSON data that may come from anywhere.

        Raises
        ------
        ValueError
            They are not labels, or too long.
        """
        if not isinstance(data, Mapping):
            raise ValueError("labels are not an object")
        texts = {}
        for name in ("job", "stone", "tube", "metal", "note"):
            text = data.get(name, "")
            if not isinstance(text, str):
                raise ValueError(f"the label {name} is not text")
            texts[name] = text
        tags = data.get("tags", [])
        if not isinstance(tags, list) or not all(isinstance(tag, str) for tag in tags):
            raise ValueError("the tags are not a list of texts")
        return cls(**texts, tags=tuple(tags)).cleaned()
