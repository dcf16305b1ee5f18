"""`rimsight tube`: outer diameter, bore and wall of a tube that stands on the card."""

from __future__ import annotations

from typing import Annotated

import typer

from rimsight.cli.keeping import Keeping
from rimsight.cli.measure_command import Measuring, Photos, Text
from rimsight.cli.option_groups import with_options

TUBE_HELP = """Measure the end of a tube that stands upright inside the card's black frame.

Gives outer diameter, bore and wall at the upper end, the smallest and largest wall and where it is thinnest. The
tube's length matters much: its end is nearer to the camera than the card.

Better than typing: photograph the untouched scene from two to six places 3 to 10 cm apart, the card whole in each, and
name all photos; its length is then solved, not assumed.

Example: rimsight tube IMG_0043.HEIC --length 5.2 --out marked.png
"""


def register(app: typer.Typer) -> None:
    """Add the command `tube`."""

    @app.command("tube", help=TUBE_HELP)
    @with_options(options=Measuring, keeping=Keeping)
    def tube(
        photos: Photos,
        *,
        length: Annotated[Text, typer.Option(help="Length of the tube: how high its upper end stands.")] = None,
        options: Measuring,
        keeping: Keeping,
    ) -> None:
        from rimsight.cli.measure_command import run

        run("tube", photos, options, keeping, {"length": length})
