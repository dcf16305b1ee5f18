"""A measured parcel as text, CSV, JSON, marked photo and histogram."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from rimsight.cli.parcel_run import Item, Parcel
    from rimsight.fit.lots import Group, Pair

#: Pairs told in the text.
PAIRS_TOLD = 12
#: Size of the histogram's picture, pixels.
PICTURE = (1000, 560)


def u95(size: Any) -> float:
    """Expanded uncertainty of a size, millimetres."""
    from rimsight.calibration.uncertainty import from_ufloat

    return float(from_ufloat(size).u95)


def groups_of(parcel: Parcel) -> list[Group]:
    """Size groups within the tolerance."""
    from rimsight.fit.lots import size_groups

    return size_groups(parcel.sizes, parcel.tolerance_mm)


def pairs_of(parcel: Parcel) -> list[Pair]:
    """Matched pairs within the tolerance."""
    from rimsight.fit.lots import matched_pairs

    return matched_pairs(parcel.sizes, parcel.tolerance_mm)


def notes_of(parcel: Parcel) -> list[str]:
    """What to mind."""
    notes = []
    unsized = [item for item in parcel.items if item.size is None]
    if unsized:
        told = ", ".join(f"{item.number} ({item.trouble})" for item in unsized)
        notes.append(f"No size for {told}: lay them apart or turn the light, and photograph these again.")
    sizes = list(parcel.sizes.values())
    if sizes:
        typical = sorted(u95(size) for size in sizes)[len(sizes) // 2]
        if parcel.tolerance_mm < typical:
            notes.append(
                f"The groups are finer ({parcel.tolerance_mm:g} mm) than the sizes are known (± {typical:.3f} mm)."
            )
    if not parcel.opened.calibration.reference.checked:
        notes.append("The card's print was not checked: every size carries 2.5 % (see 'rimsight card check').")
    return notes


def text_of(parcel: Parcel) -> str:
    """Write a parcel for people."""
    from rimsight.cli.measure_text import mm
    from rimsight.cli.stock_rows import aligned

    what = "stone" if parcel.of == "stones" else "tube"
    sized = len(parcel.sizes)
    lines = [f"Parcel: {parcel.opened.photo.path.name}", "", f"{len(parcel.items)} {what}s, {sized} with a size:"]
    head = ["no.", "size" if what == "stone" else "outside"]
    head += ["bore"] if what == "tube" else []
    head += ["tube"] if parcel.searched_stock else []
    rows = [(*head, "note")]
    for item in parcel.items:
        row = [str(item.number), mm(item.size) if item.size is not None else "-"]
        if what == "tube":
            row.append(mm(item.bore) if item.bore is not None else "-")
        if parcel.searched_stock:
            row.append(item.takes or "-")
        rows.append((*row, _note(item)))
    lines += ["", *(f"  {line}".rstrip() for line in aligned(rows, numbers=(0,)))]
    groups = groups_of(parcel)
    if groups:
        rows = [("from", "to", "count", "numbers")]
        for group in groups:
            rows.append((
                f"{group.smallest_mm:.2f}", f"{group.largest_mm:.2f}", str(len(group.members)),
                ", ".join(str(number) for number in sorted(group.members)),
            ))  # fmt: skip
        lines += ["", f"Groups within {parcel.tolerance_mm:g} mm:", "", *(f"  {line}" for line in aligned(rows))]
    pairs = pairs_of(parcel)
    if pairs and what == "stone":
        told = [
            f"{p.members[0]} + {p.members[1]} ({1000 * p.difference_mm:.0f} ± {1960 * p.u_mm:.0f} µm)"
            for p in pairs[:PAIRS_TOLD]
        ]
        more = f" and {len(pairs) - PAIRS_TOLD} more" if len(pairs) > PAIRS_TOLD else ""
        lines += ["", "Matched pairs, the closest first:", *_wrapped(", ".join(told) + more)]
    notes = notes_of(parcel)
    if notes:
        lines += ["", "Note:", *(line for note in notes for line in _wrapped(note))]
    return "\n".join(lines)


def _note(item: Item) -> str:
    touching = "touches " + ", ".join(str(number) for number in item.touching) if item.touching else ""
    trouble = "" if item.trouble == "touching" else item.trouble
    return "; ".join(part for part in (trouble, touching) if part)


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, 94, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)


def csv_of(parcel: Parcel) -> str:
    """The table as CSV: millimetres, full stops, one line a thing."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    size = "diameter" if parcel.of == "stones" else "outer"
    writer.writerow(
        ["number", f"{size}_mm", "u95_mm", "bore_mm", "bore_u95_mm", "group", "x_mm", "y_mm", "touches", "tube", "note"]
    )
    group_of = {number: k for k, group in enumerate(groups_of(parcel), start=1) for number in group.members}
    for item in parcel.items:
        writer.writerow([
            item.number,
            *_cells(item.size), *_cells(item.bore),
            group_of.get(item.number, ""),
            f"{item.centre_mm[0]:.2f}", f"{item.centre_mm[1]:.2f}",
            " ".join(str(number) for number in item.touching), item.takes, item.trouble,
        ])  # fmt: skip
    return out.getvalue()


def _cells(size: Any) -> tuple[str, str]:
    return ("", "") if size is None else (f"{size.nominal_value:.4f}", f"{u95(size):.4f}")


def json_of(parcel: Parcel) -> dict[str, Any]:
    """The object that the command prints with `--json`."""
    from rimsight.cli.failures import SCHEMA
    from rimsight.cli.keeping import program_version
    from rimsight.cli.result import inputs_json, quantity

    photo, calibration = parcel.opened.photo, parcel.opened.calibration
    reference, view = calibration.reference, calibration.view
    name = "diameter_mm" if parcel.of == "stones" else "outer_diameter_mm"
    pieces = []
    for item in parcel.items:
        piece: dict[str, Any] = {
            "number": item.number,
            "x_mm": round(item.centre_mm[0], 3),
            "y_mm": round(item.centre_mm[1], 3),
            name: quantity(item.size),
            "trouble": item.trouble or None,
            "touching": list(item.touching),
        }
        if parcel.of == "tubes":
            piece["bore_diameter_mm"] = quantity(item.bore)
        else:
            piece["tube"] = item.takes or None
        pieces.append(piece)
    return {
        "schema": SCHEMA,
        "program": program_version(),
        "kind": "parcel",
        "of": parcel.of,
        "photo": {
            "file": photo.path.name, "sha256": photo.sha256, "format": photo.format,
            "width_px": photo.light.width_px, "height_px": photo.light.height_px,
        },
        "card": {
            "name": reference.name, "side_mm": reference.side_mm, "checked": reference.checked,
            "scale_across": round(reference.scale_across, 6), "scale_down": round(reference.scale_down, 6),
        },
        "scale": {
            "px_per_mm": round(calibration.px_per_mm, 3), "tilt_deg": round(view.tilt_deg, 2),
            "camera_distance_mm": round(view.distance_mm, 1),
        },
        "pieces": pieces,
        "groups": [
            {
                "from_mm": round(group.smallest_mm, 4), "to_mm": round(group.largest_mm, 4),
                "mean_mm": round(group.mean_mm, 4), "numbers": sorted(group.members),
            }
            for group in groups_of(parcel)
        ],
        "pairs": [
            {"numbers": list(p.members), "difference_mm": round(p.difference_mm, 4), "u95_mm": round(1.96 * p.u_mm, 4)}
            for p in pairs_of(parcel)
        ],
        "inputs": inputs_json(parcel.inputs, parcel.opened.check),
        "warnings": notes_of(parcel),
    }  # fmt: skip


def overlay_of(parcel: Parcel, ending: Literal["png", "jpg"]) -> bytes:
    """The photo with every thing numbered, those with a size outlined."""
    import numpy as np

    from rimsight.vision.overlay import draw, encode
    from rimsight.vision.overlay_model import NumberMark, OutlineMark, Overlay

    view = parcel.opened.calibration.view
    numbers, outlines = [], []
    kind = "stone" if parcel.of == "stones" else "outer"
    for item in parcel.items:
        centre = view.to_pixels(np.array([item.centre_mm]))[0]
        scale = view.px_per_mm(item.centre_mm)
        if item.outline_px is not None:
            centre = np.asarray(item.outline_px.mean(axis=0))
            outlines.append(OutlineMark(item.outline_px, "", kind))
        numbers.append(NumberMark(centre, 1.15 * item.radius_mm * scale, str(item.number)))
    sized = len(parcel.sizes)
    overlay = Overlay(
        px_per_mm=parcel.opened.calibration.px_per_mm,
        scale_centre_px=np.mean([mark.centre_px for mark in numbers], axis=0),
        outlines=tuple(outlines),
        numbers=tuple(numbers),
        lines=(f"{len(parcel.items)} {parcel.of}, {sized} with a size",),
    )
    return encode(draw(parcel.opened.photo.light, overlay), ending)


def histogram_of(parcel: Parcel) -> bytes:
    """A picture (PNG) of how many stones there are of each size, a column a group width."""
    from PIL import Image, ImageDraw, ImageFont

    sizes = sorted(float(size.nominal_value) for size in parcel.sizes.values())
    if not sizes:
        raise ValueError("--histogram: nothing has a size, there is nothing to draw")
    width = parcel.tolerance_mm
    # Not finer than fits beside each other.
    while (sizes[-1] - sizes[0]) / width > 60:
        width *= 2
    first = int(sizes[0] // width)
    counts = [0] * (int(sizes[-1] // width) - first + 1)
    for size in sizes:
        counts[min(int(size // width) - first, len(counts) - 1)] += 1
    image = Image.new("RGB", PICTURE, "white")
    pen = ImageDraw.Draw(image)
    left, right, top, bottom = 70, PICTURE[0] - 30, 60, PICTURE[1] - 80
    font, small = ImageFont.load_default(size=22), ImageFont.load_default(size=17)
    pen.text((left, 18), f"{len(sizes)} {parcel.of}, columns of {width:g} mm", fill="black", font=font)
    step = (right - left) / len(counts)
    most = max(counts)
    for level in range(0, most + 1, max(1, -(-most // 8))):
        y = bottom - (bottom - top) * level / most
        pen.line((left, y, right, y), fill=(215, 215, 215))
        pen.text((left - 12, y), str(level), fill="black", font=small, anchor="rm")
    every = max(1, round(75 / step))
    for k, count in enumerate(counts):
        x = left + k * step
        if count:
            y = bottom - (bottom - top) * count / most
            pen.rectangle((x + 1, y, x + max(step - 2, 2), bottom), fill=(0, 90, 160))
        if k % every == 0:
            pen.line((x, bottom, x, bottom + 6), fill="black")
            pen.text((x, bottom + 10), f"{(first + k) * width:.2f}", fill="black", font=small, anchor="ma")
    pen.line((left, bottom, right, bottom), fill="black", width=2)
    pen.text(((left + right) / 2, PICTURE[1] - 30), "diameter in mm", fill="black", font=small, anchor="ma")
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()
