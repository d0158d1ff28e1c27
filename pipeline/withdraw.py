"""Withdraw an athlete's consent: `python -m pipeline.withdraw --settings FOLDER --athlete CODE`.

Writes the withdrawal into the study table `withdrawals`, removes every file that was made with the
athlete's data, makes the study again without the athlete, looks through all files whether anything
is left, and says what it did. Raw data of the study folder are listed and not touched. May be
repeated: after a kill it goes on where it was cut off.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline import run_study
from pipeline.intake.check import examine
from pipeline.intake.problems import at_most
from pipeline.intake.withdrawal_checks import look_it_up
from pipeline.withdrawal.marks import (
    TABLES,
    Marks,
    athletes_of,
    digests_of_others,
    marks_of,
    paths_of,
)
from pipeline.withdrawal.products import (
    ENGINE,
    engine_files,
    independent,
    made_by_workflow,
    remove,
)
from pipeline.withdrawal.scan import Trace, rows_in, traces
from pipeline.withdrawal.study_table import add_withdrawal
from shared.blinding import SUFFIX
from shared.errors import StudyError, stop
from shared.layout import find_table
from shared.manifest import FILE as MANIFEST
from shared.settings.load import Settings, load_settings, with_blinding
from shared.tables import read_table
from shared.withdrawals import belongs_to, rows_of, withdrawn_athletes

ELSEWHERE = """\
What this command does not reach:
  - reports, tables and exported copies that were given to others, backups, other copies of the
    study or its results: ask for their return or deletion as the consent form promises
  - whoever has a shareable edition from before and one from now can compare them: the two differ
    by one athlete. Recall the older one, or give out the new one only after other changes
  - what was published stays published; say in the next publication how many withdrew consent"""


@dataclass(frozen=True)
class Rows:
    """Rows of a table, and how many of them are the athlete's."""

    all: int
    own: int


@dataclass(frozen=True)
class State:
    """What the results hold: rows by table, athletes, athletes in the cohort."""

    rows: Mapping[str, Rows]
    athletes: int | None
    cohort: int | None


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m pipeline.withdraw", description=__doc__)
    parser.add_argument("--settings", type=Path, required=True, help="settings folder")
    parser.add_argument("--athlete", required=True, help="code of the athlete")
    parser.add_argument("--cores", type=int, default=2, help="processes at a time")
    parser.add_argument(
        "--profile", choices=("laptop", "slurm"), default="laptop", help="where the steps run"
    )
    parser.add_argument(
        "--blinded", type=int, metavar="SEED", help="remove from the blinded run of that seed"
    )
    return parser.parse_args(arguments)


def _refuse_unknown(athlete: str, settings: Settings) -> None:
    known = athletes_of(settings.study_folder) | withdrawn_athletes(settings.study_folder)
    if athlete not in known:
        raise stop(
            "unknown_athlete",
            "--athlete",
            found=f"athlete {athlete!r}",
            expected="an athlete of the study",
            mend=look_it_up(athlete, known),
        )


def _refuse_unrecorded(results: Path, engine: Path) -> None:
    """Without the records of the engine, nobody knows which files the study made."""
    made = [path for path in made_by_workflow(results, engine) if path.suffix == ".parquet"]
    if not made and any(results.rglob("*.parquet")):
        raise stop(
            "results_without_records",
            os.path.relpath(results),
            found=f"results, and no record of their making in {engine}",
            expected="the folder in which the study was run",
            mend="give the command where you ran the study; or delete the results, and repeat it",
        )


def _refuse_unsound(settings: Settings) -> None:
    """Stop before anything is removed if the study could not be made again."""
    found = examine(settings.study_folder, settings.study, settings.devices).problems
    if any(problem.severity == "stops_study" for problem in found):
        raise StudyError(at_most(found))


def state_of(results: Path, marks: Marks) -> State:
    """Return what the results hold at present."""
    rows = {}
    for path in sorted(results.rglob("*.parquet")):
        rows[path.relative_to(results).as_posix()] = Rows(*rows_in(path, marks))
    cohort = results / "tables" / "cohort.parquet"
    if not cohort.is_file():
        return State(rows, None, None)
    included = read_table(cohort, ["included"])["included"]
    return State(rows, len(included), int(included.sum()))


def _look_through(settings: Settings, engine: Path, sought: Sequence[Marks]) -> list[Trace]:
    """Return what is left of the athletes; bytes that somebody else recorded too are not theirs."""
    results = settings.results_folder
    files = sorted(path for path in results.rglob("*") if path.is_file())
    found = [*traces(files, results, sought)]
    found += traces(engine_files(results, engine), engine, sought)
    hashes = {digest for marks in sought for digest in marks.digests}
    if any(trace.mark in hashes for trace in found):
        known = frozenset().union(*({marks.code} for marks in sought))
        for marks in sought:
            left = Marks(marks.code, marks.others - known, marks.visits, digests=marks.digests)
            shared = digests_of_others(settings.study_folder, left)
            found = [trace for trace in found if trace.mark not in shared]
    return found


def _of_athletes(settings: Settings) -> list[Marks]:
    folder = settings.study_folder
    withdrawn = withdrawn_athletes(folder)
    known = athletes_of(folder) | withdrawn
    return [marks_of(code, folder, settings.study.visits, known) for code in sorted(withdrawn)]


def _clear(settings: Settings, engine: Path, sought: Sequence[Marks]) -> list[str]:
    """Remove what was made with the athletes, and say what; nothing if that was done before."""
    results = settings.results_folder
    made = made_by_workflow(results, engine)
    if (results / MANIFEST).is_file() and not _look_through(settings, engine, sought):
        return ["Nothing to remove: the results were made without the athlete."]
    naming = {trace.file for trace in traces(made, results, sought)}
    kept = independent(results, made, sought)
    gone = remove(results, engine, made, kept, sought)
    names = [path.relative_to(results).as_posix() for path in gone]
    named = [name for name in names if name in naming]
    lines = [f"Removed from {os.path.relpath(results)}: {len(names)} files, in which the athlete"]
    lines[0] += f" was counted; {len(named)} of them named the athlete or a file of the athlete:"
    lines += [f"  {name}" for name in named]
    shards = {path.parent.name for path in kept if path.parent.parent.name == "extraction"}
    lines.append(
        f"Kept: {len(kept)} files that were made without the athlete: of shards with others alone "
        f"({', '.join(sorted(shards)) or 'none'}), and of units."
    )
    return lines


def _compared(before: State, after: State) -> list[str]:
    lines = [f"  {'table':45} {'rows before':>12} {'the athlete':>12} {'rows now':>12}"]
    for name, rows in before.rows.items():
        now = after.rows.get(name)
        if rows.own or now is None or now.all != rows.all:
            count = f"{now.all:,}" if now else "no table"
            lines.append(f"  {name:45} {rows.all:>12,} {rows.own:>12,} {count:>12}")
    if len(lines) == 1:
        lines = ["  no table has other rows than before"]
    for what, old, new in (
        ("athletes", before.athletes, after.athletes),
        ("in the cohort", before.cohort, after.cohort),
    ):
        lines.append(f"  {what}: {'unknown' if old is None else old} before, {new} now")
    return lines


def _raw_data_left(settings: Settings, athlete: str) -> list[str]:
    """Say which raw data of the athlete the study folder still holds; they are the group's."""
    folder = settings.study_folder
    shown = Path(os.path.relpath(folder))
    lines = []
    for name in TABLES:
        path = find_table(folder, name)
        own = [i for i, row in enumerate(rows_of(path), start=2) if belongs_to(row, {athlete})]
        if path is not None and own:
            places = f"row {own[0]}" if len(own) == 1 else f"{len(own)} rows, the first {own[0]}"
            lines.append(f"  {shown / path.name}: {places}")
    lines += [f"  {shown / n}" for n in paths_of(folder, athlete) if (folder / n).is_file()]
    if not lines:
        return ["No raw data of the athlete are named in the study folder."]
    head = "Raw data of the athlete that are still there. Nothing reads them any more. Whether they"
    head += " must be\ndeleted or kept, the rules of your group say (ethics approval, consent form,"
    head += " law). When you have\ntaken them out, write 'deleted' in the column raw_data of the"
    head += " table of withdrawals."
    if demo := settings.study.demo:
        head += "\nThis is a demo: its generator makes raw data and truth anew, in "
        head += f"{shown} and {os.path.relpath(settings.resolve(demo.truth_folder))}."
    return [head, *lines]


def _strangers(results: Path, engine: Path) -> list[str]:
    made = set(made_by_workflow(results, engine))
    others = [path for path in sorted(results.rglob("*")) if path.is_file() and path not in made]
    if not others:
        return []
    head = "Files in the results that the study did not make; look yourself what they were made of:"
    return [head, *(f"  {path.relative_to(results).as_posix()}" for path in others)]


def _other_run(settings: Settings) -> list[str]:
    """Name the folder of the blinded run beside a true one, or the other way round."""
    results = settings.results_folder
    is_blinded = settings.study.blinded is not None
    name = results.name.removesuffix(SUFFIX) if is_blinded else f"{results.name}{SUFFIX}"
    other = results.with_name(name)
    if not other.is_dir():
        return []
    kind, how = ("true", "without --blinded") if is_blinded else ("blinded", "with --blinded SEED")
    return [
        f"{os.path.relpath(other)} holds a {kind} run, made with the athlete if that was before: "
        f"delete it, or repeat this command {how}."
    ]


def withdraw(options: argparse.Namespace) -> int:
    """Withdraw an athlete; return the exit status: 1 if the study failed or something is left.

    Raises
    ------
    StudyError
        The athlete is not known, the study cannot be made again, or the records are missing.
        Nothing was removed then.
    """
    settings = with_blinding(load_settings(options.settings), options.blinded)
    results, engine = settings.results_folder, ENGINE
    _refuse_unknown(options.athlete, settings)
    _refuse_unrecorded(results, engine)
    run_study.stop_if_plan_changed(settings, options.settings)
    with run_study.only_run(engine):
        table = add_withdrawal(settings.study_folder, options.athlete)
        print(f"{options.athlete} withdrew consent: written in {os.path.relpath(table)}.")
        _refuse_unsound(settings)
        sought = _of_athletes(settings)
        own = next(marks for marks in sought if marks.code == options.athlete)
        before = state_of(results, own)
        print("\n".join(["", *_clear(settings, engine, sought)]), flush=True)
    print("\nMaking the study without the athlete:", flush=True)
    if status := run_study.run(options):
        print("Mend what is wrong and repeat this command: it is not finished.", file=sys.stderr)
        return status
    left = _look_through(settings, engine, sought)
    print("\n".join(["", "What has changed:", *_compared(before, state_of(results, own)), ""]))
    print("\n".join([*_raw_data_left(settings, options.athlete), *_strangers(results, engine)]))
    print("".join(f"{line}\n" for line in _other_run(settings)), end="")
    print("\n".join(["", ELSEWHERE, ""]), flush=True)
    return _verdict(left, sought, results)


def _verdict(left: Sequence[Trace], sought: Sequence[Marks], results: Path) -> int:
    if left:
        lines = [f"  {trace.file}: {trace.mark}" for trace in left]
        print("\n".join(["STILL THERE, and must not be:", *lines]), file=sys.stderr)
        print(
            "A file that the study did not make, delete yourself; then repeat the command.",
            file=sys.stderr,
        )
        return 1
    what = "codes, names and SHA-256 of recordings"
    print(f"Looked through every file of {os.path.relpath(results)} and the records of the engine:")
    print(f"nothing is left of {', '.join(marks.code for marks in sought)} ({what}).")
    if ordinary := [marks.code for marks in sought if marks.is_ordinary]:
        print(
            f"{', '.join(ordinary)} alone is an ordinary number or word: it was looked for in the "
            "columns that name athletes and as part of names of recordings, not in running text."
        )
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Parse the arguments, withdraw, and turn mistakes of the user into messages."""
    try:
        return withdraw(_arguments(arguments))
    except StudyError as error:
        print(error.render(), file=sys.stderr)
        print("\nNothing was removed.", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
