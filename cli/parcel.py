"""`rimsight parcel`: every stone, or every tube's end, on one card in one photo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rimsight.cli.keeping import Keeping
from rimsight.cli.measure_command import Measuring, Text
from rimsight.cli.option_groups import with_options

PARCEL_HELP = """Measure all the round stones that lie on the card, or all the tubes that stand on it.

Every one gets a number on the marked photo and its size with its uncertainty (95 %). Lay them table down, a
millimetre apart: where stones touch or an edge is unclear, no size is given rather than a wrong one. Stones are sorted
into size groups and matched pairs; with tubes in stock, each is told which one it takes.

Example: rimsight parcel IMG_0042.HEIC --out marked.png --csv sizes.csv --group 0.05
"""


def register(app: typer.Typer) -> None:
    """Add the command `parcel`."""

    @app.command("parcel", help=PARCEL_HELP)
    @with_options(options=Measuring, keeping=Keeping)
    def parcel(
        photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="JPEG, HEIC, PNG, TIFF or WebP.")],
        *,
        of: Annotated[str, typer.Option(help="What lies there: stones or tubes.")] = "stones",
        length: Annotated[Text, typer.Option(help="Length of the tubes, all cut alike.")] = None,
        group: Annotated[str, typer.Option(help="Largest difference within a size group or a pair.")] = "0.05",
        csv: Annotated[Path | None, typer.Option("--csv", help="Write the table here.")] = None,
        histogram: Annotated[Path | None, typer.Option(help="Write a picture of the sizes here, .png.")] = None,
        options: Measuring,
        keeping: Keeping,
    ) -> None:
        from rimsight.cli.parcel_run import Asked, run_parcel

        run_parcel(photo, Asked(of, length, group, csv, histogram), options, keeping)
