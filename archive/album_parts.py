"""The pieces of the album's page. Every text from outside passes `safe` on its way in."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rimsight.archive import records, words
from rimsight.archive.records import Reading, Record
from rimsight.archive.search import SIZES

#: How a verdict is shown: by sign and word as well as by colour.
_VERDICTS = {"adequate": ("good", "✓"), "too thin": ("bad", "✕"), "too close to call": ("open", "?")}
_LEADS = ("rim.smallest_mm", "rim.centred_mm", "stone.diameter_mm", "stone.length_mm", "tube.outer_diameter_mm")


@dataclass(frozen=True)
class Pictures:
    """Original and marked photo as data URLs, where they can be shown; `together` if they show the same frame."""

    original: str | None
    marked: str | None
    together: bool


def safe(text: object, *, lines: bool = False) -> str:
    """Return any text as HTML that shows it and does nothing else."""
    return html.escape(words.shown(text, lines=lines), quote=True)


def _bdi(text: str) -> str:
    # Isolated: a name written from right to left doesn't turn its surroundings round.
    return f"<bdi>{safe(text)}</bdi>"


def head(title: str, policy: str, style: str) -> str:
    """Return the page up to its body."""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{safe(policy)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<meta name="robots" content="noindex">\n'
        f"<title>{safe(title)}</title>\n<style>{style}</style>\n</head>\n"
    )


def header(title: str, count: int, names: Sequence[str], part: int) -> str:
    """Return the page's heading, with the way to the other pages of a large album."""
    many = ""
    if len(names) > 1:
        links = " ".join(
            f'<b aria-current="page">{number + 1}</b>' if number == part else f'<a href="{safe(name)}">{number + 1}</a>'
            for number, name in enumerate(names)
        )
        many = f'<nav class="parts" aria-label="Parts of this album">Part {links}</nav>\n'
    about = f"{count} {'record' if count == 1 else 'records'}. Sizes in millimetres, each ± its uncertainty at 95 %."
    return (
        '<body>\n<a class="skip" href="#records">Skip to the records</a>\n'
        f'<header>\n<h1>{_bdi(title)}</h1>\n<p class="about">{about}</p>\n{many}</header>\n'
    )


_OPTIONS = "".join(f'<option value="{name}">{name}</option>' for name in SIZES)
_VERDICT_OPTIONS = "".join(f'<option value="{name}">{name}</option>' for name in _VERDICTS)

FORM = f"""<form id="filters" role="search" aria-label="Find records">
<label>Words<br><input type="search" id="words" autocomplete="off"></label>
<fieldset><legend>Size</legend><div>
<select id="of" aria-label="Size of">{_OPTIONS}</select>
<input class="size" id="from" inputmode="decimal" autocomplete="off" aria-label="from, mm" placeholder="from">
<span aria-hidden="true">–</span>
<input class="size" id="to" inputmode="decimal" autocomplete="off" aria-label="to, mm" placeholder="to">
<span aria-hidden="true">mm</span></div></fieldset>
<label>Verdict<br><select id="verdict"><option value="">any</option>{_VERDICT_OPTIONS}</select></label>
<button type="reset">Clear</button>
<p id="count" role="status"></p>
</form>
"""

LIST_OPENS = '<main id="records" tabindex="-1">\n<ol class="cards">\n'
LIST_CLOSES = """</ol>
<nav id="pages" class="pages" aria-label="Pages" hidden>
<button type="button" id="previous">Previous</button><span id="page" role="status"></span>
<button type="button" id="next">Next</button></nav>
</main>
<div id="articles" class="articles">
"""


def _verdict(verdict: str) -> str:
    if not verdict:
        return ""
    name, sign = _VERDICTS.get(verdict, ("open", "?"))
    return f'<span class="verdict {name}"><span aria-hidden="true">{sign}</span> {safe(verdict)}</span>'


def name_of(record: Record) -> str:
    """Return what a record is called: its job and stone, or what it shows."""
    labels = record.labels
    named = " · ".join(text for text in (labels.job, labels.stone, labels.tube) if text)
    return named or f"{record.kind} {record.number}"


def _sizes(reading: Reading) -> dict[str, list[float]]:
    every: dict[str, list[float]] = {name: [] for name in SIZES}
    for figure in records.figures(reading.document.result):
        for name, known in SIZES.items():
            if figure.name in known:
                every[name].append(figure.value)
    return every


def card(record: Record, small: str | None) -> str:
    """Return a record's place in the list."""
    reading = record.latest
    sizes = "".join(
        f' data-{name}="{" ".join(f"{value:.4f}" for value in values)}"'
        for name, values in _sizes(reading).items()
        if values
    )
    picture = (
        '<span class="none">no picture</span>'
        if small is None
        else f'<img src="{small}" alt="" loading="lazy" decoding="async">'
    )
    date = words.local_time(record.kept_at)[:10]
    rest = " · ".join(part for part in (record.labels.metal, date, f"no. {record.number}") if part)
    return (
        f'<li data-id="r{record.number}" data-verdict="{safe(reading.document.verdict)}"{sizes}>'
        f'<a href="#r{record.number}">{picture}<span class="text">'
        f"{_lead(reading)}{_verdict(reading.document.verdict)}"
        f'<span class="name">{_bdi(name_of(record))}</span>'
        f'<span class="rest">{_bdi(rest)}</span></span></a></li>\n'
    )


def _lead(reading: Reading) -> str:
    """Return the one figure that says most, or the range of a parcel's stones."""
    figures = reading.figures(item=None)
    name = next((name for name in _LEADS if name in figures), None)
    if name is None:
        return ""
    every = [figure for figure in records.figures(reading.document.result) if figure.name == name]
    if len(every) > 1:
        smallest, largest = min(figure.value for figure in every), max(figure.value for figure in every)
        return (
            f'<span class="what">{len(every)} {safe(words.figure_words(name))}s</span>'
            f'<span class="lead">{smallest:.2f} to {largest:.2f} mm</span>'
        )
    value, _, uncertainty = words.quantity(*figures[name]).partition(" ± ")
    more = f" <small>± {safe(uncertainty)}</small>" if uncertainty else ""
    return (
        f'<span class="what">{safe(words.figure_words(name).capitalize())}</span>'
        f'<span class="lead">{safe(value)}{more}</span>'
    )


def article(record: Record, shown: Pictures) -> str:
    """Return a record's own page."""
    reading = record.latest
    result = reading.document.result
    name = f"r{record.number}"
    return (
        f'<article id="{name}" aria-labelledby="{name}-name">\n'
        '<p class="move"><a href="#records">All records</a> <a class="newer" href="#records">Previous record</a> '
        '<a class="older" href="#records">Next record</a></p>\n'
        f'<h2 id="{name}-name" tabindex="-1">{_bdi(name_of(record))}</h2>\n'
        f"{_verdict(reading.document.verdict)}\n{_headline(reading, result)}{_reasons(result)}{_compare(shown)}"
        f'{_note(record)}<div class="tables">\n{_facts(record)}{_table(record)}</div>\n</article>\n'
    )


def _headline(reading: Reading, result: Mapping[str, Any]) -> str:
    figures = reading.figures(item=None)
    rows = []
    for name in [name for name in words.HEADLINES if name in figures][:6]:
        value, _, uncertainty = words.quantity(*figures[name]).partition(" ± ")
        where = clock_words(result) if name == "rim.smallest_mm" else ""
        more = f" <small>± {safe(uncertainty)}</small>" if uncertainty else ""
        title = words.figure_words(name).capitalize() + where
        rows.append(f"<div><dt>{safe(title)}</dt><dd>{safe(value)}{more}</dd></div>")
    return f'<dl class="figures">{"".join(rows)}</dl>\n' if rows else ""


def _reasons(result: Mapping[str, Any]) -> str:
    texts = [text for text in texts_of(result.get("reasons")) + texts_of(result.get("warnings")) if text]
    return f'<ul class="reasons">{"".join(f"<li>{_bdi(text)}</li>" for text in texts)}</ul>\n' if texts else ""


def clock_words(result: Mapping[str, Any]) -> str:
    """Return where the rim is smallest, as words to follow its name; "" if that is not known."""
    rim = result.get("rim")
    clock = rim.get("smallest_at_clock") if isinstance(rim, Mapping) else None
    if isinstance(clock, Mapping):
        clock = clock.get("value")
    if clock is None or isinstance(clock, bool):
        return ""
    if not isinstance(clock, int | float):
        return f", at {clock}"
    minutes = round(clock * 60) % 720
    return f", at {minutes // 60 or 12}:{minutes % 60:02d} o’clock"


def texts_of(value: object) -> list[str]:
    """Return reasons or warnings as texts, whether they are kept as texts or as objects."""
    entries = value if isinstance(value, list) else []
    texts = []
    for entry in entries:
        if isinstance(entry, Mapping):
            entry = next((entry[key] for key in ("text", "message", "reason", "found") if key in entry), "")
        texts.append(str(entry))
    return texts


def _compare(shown: Pictures) -> str:
    marked = f'<img class="marked" src="{shown.marked}" alt="The photo with outlines and sizes drawn in">'
    original = f'<img class="original" src="{shown.original}" alt="The photo as it was taken">'
    if shown.original is None and shown.marked is None:
        return '<p class="none">The photo of this record can’t be shown.</p>\n'
    if not shown.together:
        both = (original if shown.original else "") + (marked if shown.marked else "")
        return f'<figure><div class="stage">{both}</div></figure>\n'
    return (
        f'<figure><div class="stage together">{original}{marked}<span class="handle" aria-hidden="true"></span></div>\n'
        '<figcaption class="divider"><span>Marked</span>'
        '<input type="range" min="0" max="100" value="50" aria-label="Divider between marked photo and original">'
        "<span>Original</span></figcaption></figure>\n"
    )


def _facts(record: Record) -> str:
    labels, data = record.labels, record.latest.document.data
    card_ = data["result"].get("card")
    facts = (
        ("Job", labels.job),
        ("Stone", labels.stone),
        ("Tube", labels.tube),
        ("Metal", labels.metal),
        ("Tags", ", ".join(labels.tags)),
        ("Kept", words.local_time(record.kept_at)),
        ("Measured", f"{words.local_time(data['measured_at'])}, rimsight {data['program']}"),
        ("Card", _card(card_)),
        ("Photo", record.photo_name),
        ("Record", f"{record.number}, reading {record.latest.number}"),
    )
    rows = "".join(f'<tr><th scope="row">{title}</th><td>{_bdi(text)}</td></tr>' for title, text in facts if text)
    return f'<section><h3>About this record</h3>\n<div class="scroll"><table>{rows}</table></div></section>\n'


def _note(record: Record) -> str:
    note = record.labels.note
    return f'<h3>Note</h3>\n<p class="note">{safe(note, lines=True)}</p>\n' if note else ""


def _card(card_: object) -> str:
    if isinstance(card_, str):
        return card_
    if isinstance(card_, Mapping):
        side = f"{card_['side_mm']} mm" if card_.get("side_mm") is not None else ""
        return ", ".join(text for text in (str(card_.get("name") or ""), side) if text)
    return ""


def _table(record: Record) -> str:
    rows = []
    for reading in reversed(record.readings):
        for figure in records.figures(reading.document.result):
            title = words.figure_words(figure.name) + (f", no. {figure.item}" if figure.item else "")
            which = f"<td>{reading.number}</td>" if len(record.readings) > 1 else ""
            size = words.quantity(figure.value, figure.u95, words.unit_of(figure.name))
            rows.append(f'<tr><th scope="row">{safe(title)}</th><td class="number">{safe(size)}</td>{which}</tr>')
    if not rows:
        return ""
    which = '<th scope="col">Reading</th>' if len(record.readings) > 1 else ""
    titles = f'<tr><th scope="col">Quantity</th><th scope="col">Size</th>{which}</tr>'
    return (
        '<section><h3>All figures</h3>\n<div class="scroll"><table>'
        f"<thead>{titles}</thead><tbody>{''.join(rows)}</tbody></table></div></section>\n"
    )


def foot(script: str, made_at: str) -> str:
    """Return the end of the page."""
    return (
        f"</div>\n<footer>Made on {safe(words.local_time(made_at))} with rimsight. Pictures in this page carry no "
        f"position, camera or owner.</footer>\n<script>{script}</script>\n</body>\n</html>\n"
    )
