"""`rimsight stone`: the girdle of a stone on the card: its diameter, or length and width where it isn't round."""

from __future__ import annotations

from typing import Annotated

import typer

from rimsight.cli.keeping import Keeping
from rimsight.cli.measure_command import Measuring, Photos, Shape, Text
from rimsight.cli.option_groups import with_options

STONE_HELP = """Measure a round stone that lies on its table inside the card's black frame.

Gives the girdle's diameter, its smallest and largest, each with its uncertainty (95 %), and says what would make it
better. The girdle's height above the paper matters: it is taken from usual proportions unless --height gives it.

A stone that isn't round needs --shape: length and width are then the sides of the narrowest box round its outline.

Better than typing: photograph the untouched scene from two to six places 3 to 10 cm apart, the card whole in each, and
name all photos; the girdle's height is then solved, not assumed.

Example: rimsight stone IMG_0042.HEIC --out marked.png
"""


def register(app: typer.Typer) -> None:
    """Add the command `stone`."""

    @app.command("stone", help=STONE_HELP)
    @with_options(options=Measuring, keeping=Keeping)
    def stone(
        photos: Photos,
        *,
        height: Annotated[Text, typer.Option(help="Height of the girdle above the table it lies on.")] = None,
        shape: Shape = None,
        options: Measuring,
        keeping: Keeping,
    ) -> None:
        from rimsight.cli.measure_command import run

        run("stone", photos, options, keeping, {"height": height, "shape": shape})
