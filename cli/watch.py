"""`rimsight watch`: pictures are measured and kept as a phone or camera puts them into a folder."""

from __future__ import annotations

import json
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.arrivals import PATIENCE_S, SETTLE_S, Arrivals, Arrived, Unfinished
from rimsight.cli.failures import SCHEMA
from rimsight.cli.keeping import Keeping
from rimsight.cli.option_groups import with_options

if TYPE_CHECKING:
    from rimsight.archive.records import Labels, Measured
    from rimsight.archive.remeasure import Measure

WATCH_HELP = """Measure and keep pictures as they arrive in a folder, until Ctrl-C.

Pictures that are there already are left alone, unless --existing. A picture that is still being copied is waited
for, and none is measured twice, also not after a restart.

Example: rimsight watch ~/Phone --as rim --job M-104
"""
#: The folder is looked through this often, in seconds, for what the system told nothing of (network drives).
LOOK_AGAIN_S = 10.0
#: What couldn't be kept is tried again this often, in seconds, and so many of it are held meanwhile.
KEEP_AGAIN_S = 5.0
HELD = 20


def register(app: typer.Typer) -> None:
    """Add the command `watch`."""

    @app.command("watch", help=WATCH_HELP)
    @with_options(keeping=Keeping)
    def watch(
        folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder into which the pictures come.")],
        keeping: Keeping,
        kind: Annotated[str, typer.Option("--as", help="What they show: stone, tube or rim.")],
        given: Annotated[
            list[str] | None,
            typer.Option("--input", metavar="NAME=VALUE", help="An input of the measurement; may be given again."),
        ] = None,
        existing: Annotated[bool, typer.Option("--existing", help="Also what is in the folder already.")] = False,
        settle: Annotated[float, typer.Option(min=0.1, max=60, help="Seconds without change to wait.")] = SETTLE_S,
        patience: Annotated[
            float, typer.Option(min=1, max=3600, help="Seconds after which a broken picture is given up.")
        ] = PATIENCE_S,
        as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a picture.")] = False,
    ) -> None:
        from importlib import import_module

        from rimsight.cli.measure_inputs import read_inputs

        if not folder.is_dir():
            raise NotADirectoryError(f"there is no folder {folder}")
        inputs = typed_inputs(given or [])
        if keeping.metal and kind == "rim":
            inputs.setdefault("metal", keeping.metal)  # it decides which rules the rim is judged by
        read_inputs(kind, inputs)  # refused now, not with every picture
        watcher = Watcher(
            measure=import_module("rimsight.cli.measuring").measure_photo,
            kind=kind,
            inputs=inputs,
            labels=keeping.labels(),
            keep=keeping.keep is not False,
            tell=_tell_json if as_json else _tell,
        )
        arrivals = Arrivals(settle, patience)
        if not existing:
            arrivals.ignore(folder)
        if not as_json:
            typer.echo(f"Watching {folder}; Ctrl-C ends it.")
        with ended_by_signal() as end_if_asked:

            def tick() -> None:
                end_if_asked()
                watcher.tick()

            for arrived in pictures_of(folder, arrivals, tick):
                watcher.take(arrived)
                end_if_asked()
        watcher.tick(last=True)
        if not as_json:
            typer.echo(watcher.summary())
        if watcher.held:
            raise typer.Exit(4)


def typed_inputs(given: list[str]) -> dict[str, Any]:
    """Read `NAME=VALUE` inputs.

    Raises
    ------
    ValueError
        One of them has no name.
    """
    inputs: dict[str, Any] = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise ValueError(f"{text!r} is not an input; write it like height=5.0")
        inputs[name.strip().replace("-", "_")] = value.strip()
    return inputs


@dataclass
class Watcher:
    """Measures what arrives, tells of it and keeps it; nothing that fails stops it.

    Parameters
    ----------
    measure : callable
        Kind, file, inputs -> result and marked photo.
    kind : str
        What the pictures show.
    inputs : dict
        What was typed.
    labels : Labels
        What is written on each record.
    keep : bool
        Keep them in the archive.
    tell : callable
        Takes what happened to one picture: a dict with "photo" and "outcome" ("kept", "measured", "known", "failed").
    """

    measure: Measure
    kind: str
    inputs: dict[str, Any]
    labels: Labels
    keep: bool
    tell: Callable[[dict[str, Any]], None]
    seen: set[str] = field(default_factory=set)
    held: list[tuple[bytes, str, Measured]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    _kept_last: float = 0.0

    def take(self, arrived: Arrived | Unfinished) -> None:
        """Deal with one picture."""
        from rimsight.archive.objects import sha256_of

        name = arrived.path.name
        if isinstance(arrived, Unfinished):
            self._count("failed", {"photo": name, "says": f"never became a whole picture: {arrived.why}"})
            return
        sha256 = sha256_of(arrived.data)
        if sha256 in self.seen:
            return  # the same picture under another name, or touched
        self.seen.add(sha256)
        known = self._known(sha256)
        if known is not None:
            self._count("known", {"photo": name, "record": known})
            return
        try:
            measured = self._measured(arrived)
        except Exception as failure:  # whatever is wrong with one picture, the next may be fine
            from rimsight.cli.failures import describe

            self._count("failed", {"photo": name, "says": describe(failure)[1]})
            return
        self._keep(arrived.data, name, measured)

    def _known(self, sha256: str) -> int | None:
        from rimsight.archive.place import archive_folder
        from rimsight.archive.store import Archive

        if not self.keep:
            return None
        with suppress(OSError), Archive(archive_folder()) as archive:
            numbers = archive.numbers_of_photo(sha256, self.kind)
            return numbers[0] if numbers else None
        return None

    def _measured(self, arrived: Arrived) -> Measured:
        from rimsight.archive.records import Measured, canonical
        from rimsight.archive.remeasure import with_photo_name
        from rimsight.cli.keeping import program_version

        with tempfile.TemporaryDirectory(prefix="rimsight-") as folder:
            # A copy: what is kept is what was measured, whatever happens to the file meanwhile.
            path = Path(folder) / f"photo{arrived.path.suffix}"
            path.write_bytes(arrived.data)
            result, overlay = self.measure(self.kind, path, dict(self.inputs))
        result = with_photo_name(result, arrived.path.name)
        canonical(result)  # a result that can't be kept is a failure of this picture, not of the archive
        return Measured(self.kind, result, self.inputs, program_version(), overlay)

    def _keep(self, photo: bytes, name: str, measured: Measured) -> None:
        told = {"photo": name, "result": measured.result}
        if not self.keep:
            self._count("measured", told)
            return
        try:
            kept = self._into_archive(photo, name, measured)
        except OSError as error:
            self._hold(photo, name, measured, told, str(error))
        else:
            self._count("kept", told | {"record": kept})

    def _into_archive(self, photo: bytes, name: str, measured: Measured) -> int:
        from rimsight.archive.place import folder_to_write
        from rimsight.archive.store import Archive

        # Opened each time: the archive may go and come back while this goes on for days.
        with Archive(folder_to_write(), write=True) as archive:
            return archive.keep(photo, name, measured, self.labels, once=True).number

    def _hold(self, photo: bytes, name: str, measured: Measured, told: dict[str, Any], why: str) -> None:
        held = len(self.held) < HELD
        if held:
            self.held.append((photo, name, measured))
        more = "it is tried again" if held else "too many wait already, put the picture into the folder again later"
        self._count("measured", told | {"says": f"not kept yet ({why}); {more}"})

    def tick(self, *, last: bool = False) -> None:
        """Try again to keep what couldn't be kept."""
        if not self.held or not (last or time.monotonic() - self._kept_last >= KEEP_AGAIN_S):
            return
        self._kept_last = time.monotonic()
        waiting, self.held = self.held, []
        for photo, name, measured in waiting:
            try:
                number = self._into_archive(photo, name, measured)
            except OSError:
                self.held.append((photo, name, measured))
            else:
                self._count("kept", {"photo": name, "record": number, "says": "kept at last"})

    def _count(self, outcome: str, told: dict[str, Any]) -> None:
        self.counts[outcome] = self.counts.get(outcome, 0) + 1
        self.tell({"outcome": outcome} | told)

    def summary(self) -> str:
        """Return in one line what was done."""
        parts = [f"{self.counts.get('kept', 0)} measured and kept", f"{self.counts.get('failed', 0)} failed"]
        if self.counts.get("known"):
            parts.append(f"{self.counts['known']} kept before")
        if self.held:
            names = ", ".join(name for _, name, _ in self.held)
            parts.append(f"{len(self.held)} NOT kept because the archive can't be written: {names}")
        return "Stopped: " + ", ".join(parts) + "."


def pictures_of(folder: Path, arrivals: Arrivals, tick: Callable[[], None]) -> Iterator[Arrived | Unfinished]:
    """Yield pictures as they arrive, until interrupted; `tick` is called a few times a second.

    The system's word that something changed makes it quick; looking through the folder now and then makes it sure.
    A folder that vanishes (a phone unplugged) is waited for.
    """
    from watchfiles import watch

    while True:
        looked = float("-inf")
        with suppress(FileNotFoundError, NotADirectoryError):
            for changes in watch(
                folder, watch_filter=None, step=50, debounce=200, rust_timeout=250, yield_on_timeout=True
            ):
                for _, path in changes:
                    arrivals.saw(Path(path))
                if time.monotonic() - looked >= LOOK_AGAIN_S:
                    arrivals.look(folder)
                    looked = time.monotonic()
                yield from arrivals.ready()
                tick()
                if not folder.is_dir():
                    break
        tick()
        time.sleep(0.5)


@contextmanager
def ended_by_signal() -> Iterator[Callable[[], None]]:
    """End the block at Ctrl-C or SIGTERM; gives what ends it if it was asked to end before.

    An interrupt that arrives while Python clears up (in a finaliser, in a library's callback) is printed and forgotten:
    seen once, watching went on for ever. So it is remembered as well, and asked for between pictures.
    """
    asked = False

    def end(_signal: int, _frame: object) -> None:
        nonlocal asked
        asked = True
        raise KeyboardInterrupt

    def end_if_asked() -> None:
        if asked:
            raise KeyboardInterrupt

    before = {one: signal.signal(one, end) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        with suppress(KeyboardInterrupt):
            yield end_if_asked
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _tell_json(told: dict[str, Any]) -> None:
    typer.echo(json.dumps({"schema": SCHEMA} | told, ensure_ascii=False, allow_nan=False))


def _tell(told: dict[str, Any]) -> None:
    from rimsight.archive import words

    parts = [time.strftime("%H:%M:%S"), told["photo"]]
    result = told.get("result")
    if result is not None:
        from rimsight.archive.records import figures

        first: dict[str, tuple[float, float | None]] = {}
        for figure in figures(result):
            first.setdefault(figure.name, (figure.value, figure.u95))
        parts += [str(result.get("verdict") or ""), words.headline(first)]
    if told["outcome"] == "kept":
        parts.append(f"kept as {told['record']}")
    elif told["outcome"] == "known":
        parts.append(f"kept before as {told['record']}")
    parts.append(" ".join(told.get("says", "").splitlines()))  # one picture, one line
    typer.echo(words.shown("  ".join(part for part in parts if part)))
