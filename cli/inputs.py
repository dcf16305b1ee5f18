"""Stone and tube from what was typed and from the JSON of earlier measurements."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rimsight.fit.model import Stone, Tube
    from rimsight.fit.numbers import Number
    from rimsight.fit.rules import Rules

Text = str | None


# Bare dataclasses: every method that the decorator would write costs `--help` a millisecond.
@dataclass(eq=False, repr=False, match_args=False)
class StoneOptions:
    """What can be typed of a stone."""

    stone: Annotated[Text, typer.Option(help="Diameter at the girdle.")] = None
    smallest: Annotated[Text, typer.Option(help="Smallest diameter; with --largest in place of --stone.")] = None
    largest: Annotated[Text, typer.Option(help="Largest diameter.")] = None
    height: Annotated[Text, typer.Option(help="Height of the stone, table to culet.")] = None
    girdle: Annotated[Text, typer.Option(help="Thickness of the girdle.")] = None
    table: Annotated[Text, typer.Option(help="Width of the table, or in percent of the diameter: 57%.")] = None
    crown_height: Annotated[Text, typer.Option(help="Height of the crown, girdle to table.")] = None
    crown_angle: Annotated[Text, typer.Option(help="Angle of the crown's main facets, degrees.")] = None
    pavilion_depth: Annotated[Text, typer.Option(help="Depth of the pavilion, girdle to culet.")] = None
    pavilion_angle: Annotated[Text, typer.Option(help="Angle of the pavilion's main facets, degrees.")] = None
    u_stone: Annotated[Text, typer.Option(help="Uncertainty of --stone: plus or minus, 95 %.")] = None
    u_height: Annotated[Text, typer.Option(help="Uncertainty of --height.")] = None


@dataclass(eq=False, repr=False, match_args=False)
class TubeOptions:
    """What can be typed of a tube."""

    od: Annotated[Text, typer.Option(help="Outer diameter of the tube.")] = None
    bore: Annotated[Text, typer.Option(help="Inner diameter of the tube.")] = None
    wall: Annotated[Text, typer.Option(help="Wall instead of the bore; also a wire gauge: 22ga.")] = None
    metal: Annotated[Text, typer.Option(help="Metal of the tube, such as silver or platinum.")] = None
    length: Annotated[Text, typer.Option(help="Length of tube that is left.")] = None
    u_od: Annotated[Text, typer.Option(help="Uncertainty of --od: plus or minus, 95 %.")] = None
    u_bore: Annotated[Text, typer.Option(help="Uncertainty of --bore.")] = None
    u_wall: Annotated[Text, typer.Option(help="Uncertainty of --wall.")] = None


class Results:
    """Quantities from files of earlier measurements, the best of each.

    Attributes
    ----------
    stone, tube : dict of str to Number
        By the name in the fit checker's stone and tube.
    metal : str, optional
        Of the tube.
    remarks : list of str
        Where two files contradict each other.
    """

    def __init__(self) -> None:
        self.stone: dict[str, Number] = {}
        self.tube: dict[str, Number] = {}
        self.metal: str | None = None
        self.remarks: list[str] = []


#: Members of the JSON contract that are read, with other names of the same.
_STONE = {
    "diameter_mm": "diameter_mm",
    "enclosing_mm": "diameter_mm",
    "inner_mm": "inner_mm",
    "smallest_mm": "smallest_mm",
    "largest_mm": "largest_mm",
    "height_mm": "height_mm",
    "girdle_thickness_mm": "girdle_mm",
    "girdle_mm": "girdle_mm",
    "table_mm": "table_mm",
    "crown_height_mm": "crown_height_mm",
    "crown_angle_deg": "crown_angle_deg",
    "pavilion_depth_mm": "pavilion_depth_mm",
    "pavilion_angle_deg": "pavilion_angle_deg",
}
_TUBE = {
    "outer_diameter_mm": "outer_mm",
    "bore_diameter_mm": "bore_mm",
    "wall_mm": "wall_mm",
    "length_mm": "length_mm",
}
_INSIDE = ("bore_mm",)
_SAME_MM = 2e-3  #: figures of one result are rounded to 0.0001 mm and may be a little apart


def read_results(paths: list[Path], house: Rules) -> Results:
    """Read the JSON that measuring commands print with `--json`.

    Of a quantity in several files the one with the smallest uncertainty is taken.

    Parameters
    ----------
    paths : list of Path
        Files of one JSON object each.
    house : Rules
        For figures that come without an uncertainty: taken as read with calipers.

    Raises
    ------
    ValueError
        A file holds no JSON object with figures of one stone or one tube.
    OSError
        A file can't be read.
    """
    found = Results()
    for path in paths:
        record = _record(path)
        stone, tube = _members(record, "stone"), _members(record, "tube")
        if not stone and not tube:
            raise ValueError(f"{path}: no figures of a stone or a tube in it")
        # What a cut plan took from usual proportions is no reading for the next one.
        stone = {name: value for name, value in stone.items() if name not in stone.get("not_measured", [])}
        quantities = {_STONE[name]: _number(stone[name], name, path, house) for name in stone if name in _STONE}
        parts = {_TUBE[name]: _number(tube[name], name, path, house) for name in tube if name in _TUBE}
        _keep_the_rim(record, quantities, parts, path, house)
        _take(found.stone, quantities, found.remarks, path)
        _take(found.tube, parts, found.remarks, path)
        metal = tube.get("metal")
        if isinstance(metal, str) and metal.strip():
            found.metal = metal.strip()
    return found


def stone_from(options: StoneOptions, results: Results, house: Rules) -> Stone:
    """Make the stone; what was typed goes before what the files say.

    Raises
    ------
    ValueError
        No diameter is given, or a figure is no length.
    """
    from rimsight.cli.values import angle_deg
    from rimsight.fit.model import Stone
    from rimsight.fit.numbers import nominal

    known = dict(results.stone)
    if (options.smallest is None) != (options.largest is None):
        raise ValueError("--smallest and --largest belong together")
    if options.stone is not None and options.smallest is not None:
        raise ValueError("give --stone, or --smallest and --largest, not both")
    _needs(options.u_stone, "--u-stone", options.stone, "--stone")
    _needs(options.u_height, "--u-height", options.height, "--height")
    if options.stone is not None or options.smallest is not None:
        # A typed diameter is another measurement: the photo's smallest and largest don't belong to it.
        others = ("smallest_mm", "largest_mm", "inner_mm")
        known = {name: value for name, value in known.items() if name not in others}
    if options.stone is not None:
        known["diameter_mm"] = reading(options.stone, "stone", options.u_stone, house)
    if options.smallest is not None and options.largest is not None:
        known["smallest_mm"] = reading(options.smallest, "smallest", None, house)
        known["largest_mm"] = reading(options.largest, "largest", None, house)
        if nominal(known["smallest_mm"]) > nominal(known["largest_mm"]):
            raise ValueError(f"--smallest {options.smallest} is larger than --largest {options.largest}")
        known["diameter_mm"] = (known["smallest_mm"] + known["largest_mm"]) / 2
    if "diameter_mm" not in known:
        raise ValueError("the stone's diameter is missing: --stone 6.12, or --from a result that has it")
    for name, typed, u in (
        ("height_mm", options.height, options.u_height),
        ("girdle_mm", options.girdle, None),
        ("crown_height_mm", options.crown_height, None),
        ("pavilion_depth_mm", options.pavilion_depth, None),
    ):
        if typed is not None:
            known[name] = reading(typed, name.removesuffix("_mm").replace("_", "-"), u, house)
    if options.table is not None:
        known["table_mm"] = _table(options.table, known["diameter_mm"], house)
    for name, typed in (("crown_angle_deg", options.crown_angle), ("pavilion_angle_deg", options.pavilion_angle)):
        if typed is not None:
            known[name] = angle_deg(typed, "--" + name.removesuffix("_deg").replace("_", "-"), minimum=5, maximum=85)
    return Stone(**known)


def tube_from(options: TubeOptions, results: Results, house: Rules) -> Tube | None:
    """Make the tube; None if neither was typed nor read.

    Raises
    ------
    ValueError
        A figure is no length, or one is given without the one it belongs to.
    """
    from rimsight.fit.model import Tube
    from rimsight.fit.numbers import nominal

    if options.bore is not None and options.wall is not None:
        raise ValueError("give --bore or --wall, not both: one follows from the other")
    _needs(options.u_od, "--u-od", options.od, "--od")
    _needs(options.u_bore, "--u-bore", options.bore, "--bore")
    _needs(options.u_wall, "--u-wall", options.wall, "--wall")
    known = dict(results.tube)
    if options.od is not None:
        known["outer_mm"] = reading(options.od, "od", options.u_od, house)
    if options.bore is not None:
        known["bore_mm"] = reading(options.bore, "bore", options.u_bore, house, inside=True)
        known.pop("wall_mm", None)
    if options.wall is not None:
        known["wall_mm"] = reading(options.wall, "wall", options.u_wall, house, wall=True)
        known.pop("bore_mm", None)
    if options.length is not None:
        known["length_mm"] = reading(options.length, "length", None, house)
    metal = options.metal or results.metal
    if "outer_mm" not in known:
        if known or options.metal:
            raise ValueError("the tube's outer diameter is missing: --od 6.5, or --from a result that has it")
        return None
    outer, length = known["outer_mm"], known.get("length_mm")
    if "bore_mm" not in known and "wall_mm" in known:
        return Tube.from_wall(outer, known["wall_mm"], length_mm=length, metal=metal)
    bore = known.get("bore_mm")
    if bore is not None and nominal(bore) >= nominal(outer):
        raise ValueError(f"the bore ({nominal(bore):g} mm) must be smaller than the tube ({nominal(outer):g} mm)")
    return Tube(outer, bore, length, metal)


def reading(
    text: str, name: str, u: str | None, house: Rules, *, inside: bool = False, wall: bool = False
) -> Number:
    """Give a typed length its uncertainty: the one typed with it, else the caliper's limit of error."""
    from rimsight.cli.values import length_mm, wall_mm
    from rimsight.fit.numbers import stated, within

    value = wall_mm(text, f"--{name}") if wall else length_mm(text, f"--{name}")
    if u is not None:
        return stated(value, length_mm(u, f"--u-{name}"), name)
    return within(value, house.number("caliper.inside_mm" if inside else "caliper.outside_mm"), name)


def _needs(value: str | None, option: str, of: str | None, of_option: str) -> None:
    if value is not None and of is None:
        raise ValueError(f"{option} says how good {of_option} is, but {of_option} is not given")


def _table(text: str, diameter: Number, house: Rules) -> Number:
    if not text.strip().endswith("%"):
        return reading(text, "table", None, house)
    from rimsight.cli.values import length_mm

    percent = length_mm(text.strip()[:-1], "--table")  # a number like any other, above zero
    if percent >= 100:
        raise ValueError(f"--table: {text!r} must be below 100 percent of the diameter")
    return diameter * percent / 100


def _record(path: Path) -> dict[str, Any]:
    import json

    try:
        record = json.loads(path.read_text(encoding="utf-8-sig"))
    except ValueError:
        raise ValueError(f"{path}: no JSON; it takes what a measuring command prints with --json") from None
    if not isinstance(record, dict):
        raise ValueError(f"{path}: holds a {type(record).__name__}, one JSON object is needed")
    if isinstance(record.get("error"), dict):
        raise ValueError(f"{path}: that measurement failed ({record['error'].get('found', 'no reason given')})")
    if isinstance(record.get("stones"), list):
        raise ValueError(f"{path}: holds {len(record['stones'])} stones; take one of them out into a file of its own")
    inner = record.get("result")
    return inner if isinstance(inner, dict) and not ("stone" in record or "tube" in record) else record


def _members(record: dict[str, Any], name: str) -> dict[str, Any]:
    members = record.get(name)
    return {key: value for key, value in members.items() if value is not None} if isinstance(members, dict) else {}


def _number(value: Any, name: str, path: Path, house: Rules) -> Number:
    from rimsight.fit.numbers import from_json, within

    plain = isinstance(value, int | float) and not isinstance(value, bool)
    record = value if isinstance(value, dict) else {"value": value} if plain else {}
    number = from_json(record, f"{path.name}: {name}")
    if record.get("u95") is None and not record.get("budget") and name.endswith("_mm"):
        rule = "caliper.inside_mm" if _TUBE.get(name) in _INSIDE else "caliper.outside_mm"
        return within(float(record["value"]), house.number(rule), name)
    return number


def _keep_the_rim(
    record: dict[str, Any], stone: dict[str, Number], tube: dict[str, Number], path: Path, house: Rules
) -> None:
    """Let the tube follow from the stone and the rim where one photo gave all three.

    Both diameters share the photo's scale, which cancels in the rim; two independent numbers would make the rim look
    worse than it was measured.
    """
    from rimsight.fit.numbers import nominal

    centred = _members(record, "rim").get("centred_mm")
    if centred is None or "diameter_mm" not in stone or "outer_mm" not in tube:
        return
    rim = _number(centred, "centred_mm", path, house)
    outer = stone["diameter_mm"] + 2 * rim
    if abs(nominal(outer) - nominal(tube["outer_mm"])) <= _SAME_MM:
        tube["outer_mm"] = outer


def _take(known: dict[str, Number], new: dict[str, Number], remarks: list[str], path: Path) -> None:
    from rimsight.fit.numbers import K95, in_words, nominal, standard

    for name, value in new.items():
        old = known.get(name)
        if old is None:
            known[name] = value
            continue
        unit = "deg" if name.endswith("_deg") else "mm"
        if abs(nominal(old) - nominal(value)) > K95 * (standard(old) ** 2 + standard(value) ** 2) ** 0.5 + 1e-9:
            what = name.rpartition("_")[0].replace("_", " ")
            remarks.append(
                f"{path.name} gives {in_words(value, unit)} for the {what}, another result {in_words(old, unit)}: they "
                "contradict each other, measure again. The surer one is taken."
            )
        if standard(value) < standard(old):
            known[name] = value
