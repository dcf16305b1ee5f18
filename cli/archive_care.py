"""`rimsight archive verify` and `remeasure`: does it still hold what was kept, and does it still measure so."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.archive_filters import HIGHEST, Filters
from rimsight.cli.option_groups import with_options

if TYPE_CHECKING:
    from rimsight.archive.remeasure import Measure, Remeasured
    from rimsight.archive.verify import Report

VERIFY_HELP = """Look whether every photo and every figure is still what was kept, and mend what can be mended.

Finds altered and missing files, altered figures, files without a record and a damaged database; says which records
it touches. Leaves with exit code 4 if something that was kept is not whole.

Example: rimsight archive verify --repair --from ~/backup/workshop.zip
"""
REMEASURE_HELP = """Measure kept photos again with this version: a second reading beside the first, never in its place.

Example: rimsight archive remeasure 12, or --job M-104, or --all
"""
_LISTED = 20

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def _verify(group: typer.Typer) -> None:
    @group.command("verify", help=VERIFY_HELP)
    def verify(
        repair: Annotated[bool, typer.Option("--repair", help="Mend what can be mended.")] = False,
        source: Annotated[
            list[Path] | None,
            typer.Option("--from", help="Exported zip or folder to look for lost photos in; may be given again."),
        ] = None,
        quick: Annotated[bool, typer.Option("--quick", help="Compare sizes only, don't read the photos.")] = False,
        as_json: JsonOption = False,
    ) -> None:
        if source and not repair:
            raise ValueError("--from is for --repair")
        report, told = _verified(repair, source or [], quick)
        if as_json:
            from rimsight.cli.archive import print_json

            print_json(
                records=report.records,
                readings=report.readings,
                files=report.files,
                bytes=report.size,
                findings=[finding.as_json() for finding in report.findings],
                whole=not report.unhealed,
            )
        else:
            for line in told:
                typer.echo(line)
            typer.echo(_report_text(report))
        if report.unhealed:
            raise typer.Exit(4)


def _remeasure(group: typer.Typer) -> None:
    @group.command("remeasure", help=REMEASURE_HELP)
    @with_options(filters=Filters)
    def remeasure(
        filters: Filters,
        numbers: Annotated[
            list[int] | None,
            typer.Argument(min=1, max=HIGHEST, metavar="[NUMBER]...", help="These records.", show_default=False),
        ] = None,
        everything: Annotated[bool, typer.Option("--all", help="All that is kept.")] = False,
        again: Annotated[bool, typer.Option("--again", help="Also what this version measured already.")] = False,
        as_json: JsonOption = False,
    ) -> None:
        from importlib import import_module

        if not (numbers or everything or filters.any()):
            raise ValueError("say which records: numbers, filters such as --job, or --all")
        measure: Measure = import_module("rimsight.cli.measuring").measure_photo
        outcomes, failures = _remeasured(filters, tuple(numbers or ()), measure, again=again, as_json=as_json)
        if as_json:
            from rimsight.cli.archive import print_json

            print_json(
                remeasured=[_outcome_json(outcome) for outcome in outcomes],
                failures=[{"record": number, "says": says} for number, says in failures],
            )
        else:
            fresh = sum(outcome.after is not None for outcome in outcomes)
            typer.echo(f"{fresh} measured again, {len(outcomes) - fresh} were of this version, {len(failures)} failed.")
        if failures:
            raise typer.Exit(3)


def _verified(repair: bool, sources: list[Path], quick: bool) -> tuple[Report, list[str]]:
    from rimsight.archive import verify as look
    from rimsight.archive.errors import ArchiveDamaged, ArchiveReadOnly, NoArchive
    from rimsight.archive.place import archive_folder
    from rimsight.archive.store import Archive

    folder = archive_folder()
    told: list[str] = []
    rebuilt = None
    if not folder.is_dir():
        raise NoArchive(f"there is no archive in {folder}")
    try:
        # To write, because only the holder of the write lock can tell a file without a record from one that is
        # being kept at this moment.
        archive = Archive(folder, write=True)
    except ArchiveReadOnly:
        if repair:
            raise
        archive = Archive(folder)
    except ArchiveDamaged as damage:
        if not repair:
            return look.Report(findings=[look.Finding(look.Problem.DATABASE, str(damage))]), told
        rebuilt = _rebuilt(folder, told)
        archive = Archive(folder, write=True)
    with archive:
        report = look.verify(archive, hashed=not quick, progress=_progress())
    if repair and any(finding.problem is look.Problem.DATABASE for finding in report.findings):
        damage_found = [finding.after(True) for finding in report.findings]
        rebuilt = _rebuilt(folder, told)
        with Archive(folder, write=True) as archive:
            report = look.verify(archive, hashed=not quick)
        report.findings = damage_found + report.findings
    elif rebuilt:
        report.findings.insert(0, look.Finding(look.Problem.DATABASE, "made anew from its files", outcome="repaired"))
    if repair:
        from rimsight.archive import repair as mend

        with Archive(folder, write=True) as archive:
            mend.repair(archive, report, sources)
    return report, told


def _rebuilt(folder: Path, told: list[str]) -> bool:
    from rimsight.archive.rebuild import rebuild
    from rimsight.archive.repair import make_thumbnails
    from rimsight.archive.store import Archive

    outcome = rebuild(folder)
    with Archive(folder, write=True) as archive:
        make_thumbnails(archive)  # the small pictures lie there still: made again, they have the same names
    told.append(
        f"The database was made anew: {outcome.records} records, {outcome.readings} readings, "
        f"labels of {outcome.labels_from_database} as they were last."
    )
    if outcome.old is not None:
        told.append(f"The damaged one is in {outcome.old}.")
    return True


def _progress() -> Any:
    if not sys.stderr.isatty():
        return None

    def show(count: int) -> None:
        if count % 200 == 0:
            print(f"\r{count} files", end="\r", file=sys.stderr, flush=True)

    return show


def _report_text(report: Report) -> str:
    from rimsight.archive import words

    lines = [
        f"Looked at {report.records} records, {report.readings} readings, {report.files} files "
        f"({words.size(report.size)})."
    ]
    groups: dict[tuple[str, str], list[Any]] = {}
    for finding in report.findings:
        groups.setdefault((finding.problem.value, finding.outcome), []).append(finding)
    says = {"found": "", "repaired": " - repaired", "open": " - can't be repaired with what is at hand"}
    for (problem, outcome), findings in groups.items():
        lines.append(f"{problem.capitalize()}{says[outcome]} ({len(findings)}):")
        for finding in findings[:_LISTED]:
            numbers = ", ".join(str(number) for number in finding.numbers[:10])
            of = f"record {numbers}" if len(finding.numbers) == 1 else f"records {numbers}" if numbers else ""
            reading = f", reading {finding.reading}" if finding.reading else ""
            what = finding.what if len(finding.what) != 64 else finding.what[:16] + "..."
            lines.append(f"  {of}{reading}{': ' if of else ''}{words.shown(what)}")
        if len(findings) > _LISTED:
            lines.append(f"  and {len(findings) - _LISTED} more (--json lists them all)")
    if not report.findings:
        lines.append("All whole.")
    elif not report.unhealed:
        lines.append("Everything that was kept is whole.")
    elif any(finding.outcome == "found" for finding in report.unhealed):
        lines.append("`rimsight archive verify --repair` mends what can be mended.")
    return "\n".join(lines)


def _remeasured(
    filters: Filters, numbers: tuple[int, ...], measure: Measure, *, again: bool, as_json: bool
) -> tuple[list[Remeasured], list[tuple[int, str]]]:
    from rimsight.archive import search
    from rimsight.archive.remeasure import remeasure as measure_again
    from rimsight.cli.archive import to_write
    from rimsight.cli.archive_text import differences_text
    from rimsight.cli.failures import describe
    from rimsight.cli.keeping import program_version

    outcomes: list[Remeasured] = []
    failures: list[tuple[int, str]] = []
    with to_write() as archive:
        for number in numbers:
            archive.record(number)
        for number in search.numbers(archive, filters.query(numbers=numbers), oldest_first=True):
            try:
                outcome = measure_again(archive, number, measure, program=program_version(), again=again)
            except Exception as failure:  # one photo that can't be read doesn't stop the others
                failures.append((number, describe(failure)[1]))
                if not as_json:
                    typer.echo(f"Record {number}: {failures[-1][1]}")
                continue
            outcomes.append(outcome)
            if not as_json and outcome.after is not None:
                title = f"Record {number}: reading {outcome.before.number} and now reading {outcome.after.number}"
                typer.echo(differences_text(title, outcome.differences))
    return outcomes, failures


def _outcome_json(outcome: Remeasured) -> dict[str, Any]:
    return {
        "record": outcome.number,
        "before": outcome.before.number,
        "after": None if outcome.after is None else outcome.after.number,
        "differences": [difference.as_json() for difference in outcome.differences],
    }


#: What adds each command to the group.
COMMANDS: dict[str, Callable[[typer.Typer], None]] = {"verify": _verify, "remeasure": _remeasure}
