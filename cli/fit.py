"""`rimsight fit`: judge typed figures of stone and tube, without any photo."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rimsight.fit.numbers import Number
    from rimsight.fit.rules import Rules

FIT_HELP = """Say whether stone and tube suit each other, from figures measured with calipers.

Gives the rim, the ledge, the wall beside the seat and the tube's length against the house rules, then bur, length
to cut, depth of the seat and punch. Lengths may be typed as 6.12, 6,12, 6.12mm, 0.25in or 1/4in. A figure is taken
to be as good as a digital caliper unless --u-... says otherwise.

Example: rimsight fit --stone 6.12 --height 4.22 --od 6.5 --wall 0.635 --metal silver
"""

#: Below this a caliper's flat jaws make a bore 0.015 mm and more too small.
SMALL_BORE_MM = 3.0


def register(app: typer.Typer) -> None:
    """Add the command `fit`."""

    @app.command("fit", help=FIT_HELP)
    def fit(
        stone: Annotated[str, typer.Option(help="Diameter of the stone at the girdle.")],
        od: Annotated[str, typer.Option(help="Outer diameter of the tube.")],
        inner: Annotated[
            str | None,
            typer.Option(help="Not round: diameter of the circle inside the outline, --stone of the one round it."),
        ] = None,
        bore: Annotated[str | None, typer.Option(help="Inner diameter of the tube.")] = None,
        wall: Annotated[
            str | None, typer.Option(help="Wall of the tube instead of its bore; also a wire gauge: 22ga.")
        ] = None,
        height: Annotated[str | None, typer.Option(help="Height of the stone, table to culet.")] = None,
        girdle: Annotated[str | None, typer.Option(help="Thickness of the girdle.")] = None,
        length: Annotated[str | None, typer.Option(help="Length of the piece of tube.")] = None,
        seat_depth: Annotated[
            str | None, typer.Option(help="Depth of the seat: end of the tube to the girdle's lower edge.")
        ] = None,
        metal: Annotated[str | None, typer.Option(help="Metal of the tube, such as silver or platinum.")] = None,
        rules: Annotated[Path | None, typer.Option(help="File of house rules in place of your own.")] = None,
        u_stone: Annotated[str | None, typer.Option(help="Uncertainty of --stone: plus or minus, 95 %.")] = None,
        u_od: Annotated[str | None, typer.Option(help="Uncertainty of --od.")] = None,
        u_bore: Annotated[str | None, typer.Option(help="Uncertainty of --bore.")] = None,
        u_wall: Annotated[str | None, typer.Option(help="Uncertainty of --wall.")] = None,
        u_height: Annotated[str | None, typer.Option(help="Uncertainty of --height.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
    ) -> None:
        from dataclasses import replace

        from rimsight.cli.values import length_mm, wall_mm
        from rimsight.fit.gauge import jaw_error_mm
        from rimsight.fit.model import Stone, Tube
        from rimsight.fit.report import check
        from rimsight.fit.rules import load

        if bore is not None and wall is not None:
            raise ValueError("give --bore or --wall, not both: one follows from the other")
        for option, value, of, needs in (("--u-bore", u_bore, bore, "--bore"), ("--u-wall", u_wall, wall, "--wall"),
                                         ("--u-height", u_height, height, "--height")):
            if value is not None and of is None:
                raise ValueError(f"{option} says how good {needs} is, but {needs} is not given")
        house = load(rules)

        def outside(text: str, name: str, u: str | None = None) -> Number:
            return _reading(length_mm(text, f"--{name}"), name, u, house, "caliper.outside_mm")

        def inside(text: str, name: str, u: str | None = None) -> Number:
            return _reading(length_mm(text, f"--{name}"), name, u, house, "caliper.inside_mm")

        the_stone = Stone(
            outside(stone, "stone", u_stone),
            height_mm=None if height is None else outside(height, "height", u_height),
            girdle_mm=None if girdle is None else outside(girdle, "girdle"),
            inner_mm=None if inner is None else outside(inner, "inner"),
        )
        outer = outside(od, "od", u_od)
        length_read = None if length is None else outside(length, "length")
        seat_read = None if seat_depth is None else inside(seat_depth, "seat-depth")
        if wall is not None:
            wall_read = _reading(wall_mm(wall, "--wall"), "wall", u_wall, house, "caliper.outside_mm")
            tube = Tube.from_wall(outer, wall_read, length_mm=length_read, metal=metal, seat_depth_mm=seat_read)
        else:
            bore_read = None if bore is None else inside(bore, "bore", u_bore)
            tube = Tube(outer, bore_read, length_read, metal, seat_read)
        report = check(the_stone, tube, house)
        if bore is not None and u_bore is None and (bore_mm := length_mm(bore, "--bore")) < SMALL_BORE_MM:
            warning = (
                f"A caliper's flat jaws read a bore of {bore_mm:g} mm about {jaw_error_mm(bore_mm):.2f} mm too small: "
                "check it with a pin gauge."
            )
            report = replace(report, warnings=(*report.warnings, warning))
        if as_json:
            typer.echo(json.dumps(report.to_json(), ensure_ascii=False, allow_nan=False))
            return
        from rimsight.cli.fit_text import report_text

        typer.echo(report_text(report))


def _reading(value_mm: float, name: str, u: str | None, house: Rules, rule: str) -> Number:
    """Give a typed figure its uncertainty: the one typed with it, else the caliper's limit of error."""
    from rimsight.cli.values import length_mm
    from rimsight.fit.numbers import stated, within

    if u is not None:
        return stated(value_mm, length_mm(u, f"--u-{name}"), name)
    return within(value_mm, house.number(rule), name)
