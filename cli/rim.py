"""`rimsight rim`: a stone laid on a tube, the rim of metal round it, and whether that is enough."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rimsight.cli.keeping import Keeping
from rimsight.cli.measure_command import Measuring, Photos, Shape, Text
from rimsight.cli.option_groups import with_options

RIM_HELP = """Measure the rim of metal round a stone that lies on the end of a tube, and say whether it is enough.

Gives the rim with the stone centred, the smallest as it lies and where (as on a clock face), stone and tube, and the
verdict by your house rules (rimsight rules). Type the tube's length, and its bore or wall: they say how high both
edges lie.

Better than typing: photograph the untouched scene from two to six places 3 to 10 cm apart, the card whole in each, and
name all photos; both heights are then solved, not assumed.

A stone that isn't round needs --shape, and one photo: the rim is then measured along its outline's normals.

Example: rimsight rim IMG_0050.HEIC --shape oval --length 5.2 --bore 4,4
Example: rimsight rim IMG_0044.HEIC --length 5.2 --bore 4,4 --metal silver --out marked.png
"""


def register(app: typer.Typer) -> None:
    """Add the command `rim`."""

    @app.command("rim", help=RIM_HELP)
    @with_options(options=Measuring, keeping=Keeping)
    def rim(
        photos: Photos,
        *,
        length: Annotated[Text, typer.Option(help="Length of the tube: how high its upper end stands.")] = None,
        bore: Annotated[Text, typer.Option(help="Inner diameter of the tube.")] = None,
        wall: Annotated[Text, typer.Option(help="Wall of the tube instead of its bore; also 22ga.")] = None,
        height: Annotated[Text, typer.Option(help="Height of the girdle above the tube's end.")] = None,
        shape: Shape = None,
        rules: Annotated[Path | None, typer.Option(help="File of house rules in place of your own.")] = None,
        options: Measuring,
        keeping: Keeping,
    ) -> None:
        from rimsight.cli.measure_command import run

        own = {"length": length, "bore": bore, "wall": wall, "height": height, "rules": rules, "shape": shape}
        run("rim", photos, options, keeping, own | {"metal": keeping.metal or None})
