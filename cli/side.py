"""`rimsight side`: height, crown, girdle and pavilion of a stone, length and outside of a tube, seen from the side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rimsight.cli.keeping import Keeping
from rimsight.cli.measure_command import Measuring, Text
from rimsight.cli.option_groups import with_options

SIDE_HELP = """Measure a round stone or a tube seen from the side, inside the card's black frame.

Stand the stone on its girdle in a little wax on the card, so that table and culet point to the sides and the wax hides
under it, and look from straight above. A tube just lies on its side. Gives a stone's height, girdle, crown and
pavilion, a tube's length and outside, each with its uncertainty (95 %); 'plan' and 'weight' take the --json with
--from.

Example: rimsight side IMG_0044.HEIC --out marked.png
"""


def register(app: typer.Typer) -> None:
    """Add the command `side`."""

    @app.command("side", help=SIDE_HELP)
    @with_options(options=Measuring, keeping=Keeping)
    def side(
        photo: Annotated[
            Path, typer.Argument(metavar="PHOTO", help="JPEG, HEIC, PNG, TIFF or WebP, as the phone made it.")
        ],
        *,
        of: Annotated[Text, typer.Option("--of", help="What it is: stone or tube; else it is recognised.")] = None,
        in_front: Annotated[
            Text, typer.Option(help="Height of the stone's axis above the card, where it isn't held by wax on it.")
        ] = None,
        options: Measuring,
        keeping: Keeping,
    ) -> None:
        from rimsight.cli.measure_command import run

        run("side", [photo], options, keeping, {"of": of, "in_front": in_front})
