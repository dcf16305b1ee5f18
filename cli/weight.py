"""`rimsight weight`: carat of a round stone from its diameter and height."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from rimsight.cli.failures import SCHEMA

WEIGHT_HELP = """Estimate the weight of a round faceted stone from its diameter and height, both measured.

A diamond is reckoned by the round-brilliant formula of the trade, any other stone by its specific gravity. It is an
estimate with its uncertainty, no weighing.

Example: rimsight weight --diameter 6.08 --height 3.63 --kind diamond
"""

Text = str | None


def register(app: typer.Typer) -> None:
    """Add the command `weight`."""

    @app.command("weight", help=WEIGHT_HELP)
    def weight(
        diameter: Annotated[Text, typer.Option("--diameter", "--stone", help="Diameter at the girdle.")] = None,
        smallest: Annotated[Text, typer.Option(help="Smallest diameter; with --largest, in place of one.")] = None,
        largest: Annotated[Text, typer.Option(help="Largest diameter.")] = None,
        height: Annotated[Text, typer.Option(help="Height of the stone, table to culet.")] = None,
        from_: Annotated[
            list[Path] | None, typer.Option("--from", help="JSON of a measured stone; may be repeated.")
        ] = None,
        kind: Annotated[str, typer.Option(help="Stone: diamond, ruby, amethyst, garnet, cz ...")] = "diamond",
        gravity: Annotated[Text, typer.Option(help="Specific gravity, in place of the handbook's.")] = None,
        girdle: Annotated[
            str, typer.Option(help="Girdle of a diamond: medium (thin to medium), slightly thick, thick.")
        ] = "medium",
        u_diameter: Annotated[Text, typer.Option(help="Uncertainty of --diameter: plus or minus, 95 %.")] = None,
        u_height: Annotated[Text, typer.Option(help="Uncertainty of --height.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
    ) -> None:
        from rimsight.cli.inputs import StoneOptions, read_results, stone_from
        from rimsight.cli.values import length_mm
        from rimsight.fit.numbers import in_words
        from rimsight.fit.numbers import to_json as number_json
        from rimsight.fit.plan import written
        from rimsight.fit.rules import load
        from rimsight.fit.weight import weight as estimate

        house = load()
        results = read_results(from_ or [], house)
        typed = StoneOptions(
            stone=diameter, smallest=smallest, largest=largest, height=height, u_stone=u_diameter, u_height=u_height
        )
        try:
            stone = stone_from(typed, results, house)
        except ValueError as refusal:
            told = str(refusal).replace("--u-stone", "--u-diameter").replace("--stone", "--diameter")
            raise ValueError(told) from None
        if stone.inner_mm is not None:
            raise ValueError(
                "the weight is reckoned for round stones only: the published formula takes a round stone's diameter "
                "and height. Weigh a stone of another shape on a carat scale"
            )
        if stone.height_mm is None:
            raise ValueError(
                "the weight needs the height too: --height 3.63, or --from a photo from the side. From the diameter "
                "alone it would be a guess"
            )
        # A number above zero in the ways people write one; the unit is none.
        value = None if gravity is None else length_mm(gravity, "--gravity")
        found = estimate(stone.diameter_mm, stone.height_mm, kind, gravity=value, girdle=girdle.strip().lower())
        remarks = [*results.remarks, *found.remarks]
        if as_json:
            record = {
                "schema": SCHEMA,
                "stone": {
                    "diameter_mm": number_json(stone.diameter_mm),
                    "height_mm": number_json(stone.height_mm),
                    "written": written(stone),
                },
                "weight": found.to_json(),
                "warnings": remarks,
            }
            typer.echo(json.dumps(record, ensure_ascii=False, allow_nan=False))
            return
        typer.echo(f"{kind}, {written(stone)}: about {in_words(found.carat, 'ct')} ({in_words(found.carat / 5, 'g')})")
        typer.echo(f"Formula: {found.formula}")
        typer.echo(f"Source: {found.source}")
        for remark in remarks:
            typer.echo(f"Note: {remark}")
        typer.echo("An estimate: a scale weighs it. ± is the uncertainty at 95 %.")
