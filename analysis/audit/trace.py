"""Follow a number back to raw samples: `python -m analysis.audit.trace NUMBER`.

NUMBER is the id that the report shows, the address of an estimate, or LANDING/METRIC/SENSOR. Or
name a table with ROW,COLUMN, or a figure with the printed text: `--figure-or-table checks 2,3`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

from analysis.audit.address import Target, find, find_in_cell
from analysis.audit.chain import Chain, Level, chain_of
from analysis.audit.study_folder import (
    StudyFolder,
    TraceError,
    add_folder_options,
    open_folder,
)
from shared.errors import StudyError


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m analysis.audit.trace", description=__doc__)
    parser.add_argument("number", nargs="?", default="", help="id of a number, or of a metric row")
    parser.add_argument("--figure-or-table", nargs=2, metavar=("FILE", "CELL"), help="where it is")
    add_folder_options(parser)
    parser.add_argument("--landing", default="", help="landing to follow; default: the first")
    parser.add_argument(
        "--open", type=Path, metavar="FILE", help="draw the raw signal of that landing to a file"
    )
    parser.add_argument(
        "--recompute", action="store_true", help="do it again from the raw file and compare"
    )
    return parser.parse_args(arguments)


def _target(study: StudyFolder, options: argparse.Namespace) -> Target:
    if options.figure_or_table:
        return find_in_cell(study, *options.figure_or_table)
    if not options.number:
        raise TraceError("name a number, or a table and a cell with --figure-or-table")
    return find(study, options.number)


def _screen(number: int, level: Level) -> str:
    return "\n".join([f"{number}. {level.title}", *(f"   {line}" for line in level.lines)])


def _again(study: StudyFolder, chain: Chain) -> Iterator[str]:
    from analysis.audit.recompute import estimate_again, landing_again

    if chain.estimate is not None and chain.part is not None:
        yield f"estimate, from its tables: {estimate_again(study, chain.estimate, chain.part)}"
    if chain.metric_row is not None:
        name = chain.metric_row["landing_id"]
        yield f"{name}, from the raw file: {landing_again(study, chain.metric_row)}"


def _show(screens: list[str]) -> None:
    waits = sys.stdin.isatty() and sys.stdout.isatty()
    for place, screen in enumerate(screens):
        print(screen, end="\n\n")
        if waits and place < len(screens) - 1:
            input("-- Enter for the next level --")


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return the exit status: 0 answered, 1 not equal, 2 a wrong question."""
    options = _arguments(arguments)
    try:
        study = open_folder(options.results, options.settings)
        chain = chain_of(study, _target(study, options), options.landing)
        screens = [_screen(number, level) for number, level in enumerate(chain.levels, start=1)]
        _show([f"{study.mark}\n\n{screen}" if study.mark else screen for screen in screens])
        if options.open:
            if chain.metric_row is None:
                raise TraceError("no landing is behind this number: nothing can be drawn")
            from analysis.audit.waveform import draw

            draw(study, chain.metric_row, options.open)
            print(f"drawn: {options.open}")
        answers = list(_again(study, chain)) if options.recompute else []
        for answer in answers:
            print(answer)
    except (TraceError, StudyError) as error:
        print(error, file=sys.stderr)
        return 2
    return int(any("NOT EQUAL" in answer for answer in answers))


if __name__ == "__main__":
    sys.exit(main())
