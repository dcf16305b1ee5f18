"""The options by which `rimsight archive` chooses records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rimsight.archive.search import Query


#: No archive has a record of a higher number, and the database has no room for one of twenty digits.
HIGHEST = 10**12


@dataclass
class Filters:
    """Which records; everything given must hold."""

    job: Annotated[str, typer.Option(help="Of this job; * stands for anything: 'M-1*'.")] = ""
    kind: Annotated[str, typer.Option(help="Of this kind: stone, tube, rim, parcel, side.")] = ""
    verdict: Annotated[str, typer.Option(help="With this verdict: adequate, thin, close.")] = ""
    metal: Annotated[str, typer.Option(help="Of this metal; * stands for anything.")] = ""
    stone_name: Annotated[str, typer.Option(help="With a stone of this name; * stands for anything.")] = ""
    tube_name: Annotated[str, typer.Option(help="With a tube of this name; * stands for anything.")] = ""
    tag: Annotated[list[str] | None, typer.Option(help="With this tag; may be given again.")] = None
    since: Annotated[str, typer.Option(help="Kept on this day or later: 2026-03-05, 2026-03, 2026.")] = ""
    until: Annotated[str, typer.Option(help="Kept on this day or before.")] = ""
    stone_mm: Annotated[str, typer.Option(help="Stone of this size: 5.9-6.2, >=6, 6.")] = ""
    tube_mm: Annotated[str, typer.Option(help="Tube of this outer diameter, written like --stone-mm.")] = ""
    bore_mm: Annotated[str, typer.Option(help="Tube of this bore.")] = ""
    wall_mm: Annotated[str, typer.Option(help="Tube of this wall.")] = ""
    rim_mm: Annotated[str, typer.Option(help="Smallest rim of this width.")] = ""

    def query(self, text: str = "", *, in_bin: bool = False, numbers: tuple[int, ...] = ()) -> Query:
        """Return what is looked for.

        Raises
        ------
        ValueError
            A date, size, kind or verdict is not one.
        """
        from rimsight.archive import search
        from rimsight.archive.records import kind_name

        since, until = search.date_bounds(self.since, self.until)
        typed = {
            "stone": self.stone_mm,
            "tube": self.tube_mm,
            "bore": self.bore_mm,
            "wall": self.wall_mm,
            "rim": self.rim_mm,
        }
        return search.Query(
            text=text,
            job=self.job,
            stone=self.stone_name,
            tube=self.tube_name,
            metal=self.metal,
            kind=kind_name(self.kind) if self.kind else "",
            verdict=search.verdict_name(self.verdict) if self.verdict else "",
            tags=tuple(self.tag or ()),
            since=since,
            until=until,
            sizes={name: search.size_range(size) for name, size in typed.items() if size},
            in_bin=in_bin,
            numbers=numbers,
        )

    def any(self) -> bool:
        """Tell whether anything was typed."""
        return any(vars(self).values())
