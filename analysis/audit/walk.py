"""Walk over all numbers of a study: `python -m analysis.audit.walk --results FOLDER`.

Each address of the ledger must lead to an estimate, and each estimate to the step that gave it.
Then every step runs once more on its tables, and all its estimates are compared, to the last
digit: a walk by steps, because steps are few and numbers are thousands.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass

from analysis.audit.check.finding import differing
from analysis.audit.recompute import step_again
from analysis.audit.study_folder import (
    StudyFolder,
    TraceError,
    add_folder_options,
    open_folder,
)
from shared.errors import StudyError
from shared.schemas import schema_of
from shared.tables import read_table


@dataclass(frozen=True)
class Again:
    """One step, run again: how many estimates it gave, and which cells differ or why it cannot."""

    part: str
    estimates: int
    differences: tuple[str, ...]


def unresolved(study: StudyFolder) -> list[str]:
    """Return every printed number that leads to no estimate, and every estimate without a step."""
    ledger, numbers = study.table("ledger"), study.table("estimates", columns=["number_id"])
    known = set(numbers["number_id"])
    parts = sorted((study.results / "models").glob("*.parquet"))
    given = {
        number for part in parts for number in read_table(part, columns=["number_id"])["number_id"]
    }
    lost = ledger.loc[~ledger["number_id"].isin(known), "ledger_id"]
    return [
        *(f"{address}: no such estimate" for address in lost),
        *(f"{number}: no step gave it" for number in sorted(known - given)),
    ]


def walk_step(study: StudyFolder, part: str) -> Again:
    """Run one step again and compare all its estimates.

    Raises
    ------
    TraceError
        The plan was changed after the freeze.
    """
    before = read_table(study.results / "models" / f"{part}.parquet")
    names = [n for n in schema_of("estimates").names if n != "number_id"]
    again = step_again(study, part)
    found = differing(before, again, ["number_id"], names)
    return Again(
        part,
        len(before),
        tuple(f"{key}, {column}: {old} before, {new} now" for key, column, old, new in found),
    )


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m analysis.audit.walk", description=__doc__)
    add_folder_options(parser)
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return 0 when all is equal, 1 when not, 2 for a wrong question."""
    options = _arguments(arguments)
    try:
        study = open_folder(options.results, options.settings)
        print(study.mark, end="\n" if study.mark else "")
        lost = unresolved(study)
        print("\n".join(lost) or "every printed number leads to an estimate and its step")
        bad = bool(lost)
        for path in sorted((study.results / "models").glob("*.parquet")):
            found = walk_step(study, path.stem)
            state = f"{len(found.differences)} NOT EQUAL" if found.differences else "equal"
            print(f"{path.stem}: {found.estimates} estimates again, {state}", flush=True)
            print("".join(f"    {line}\n" for line in found.differences[:10]), end="")
            bad |= bool(found.differences)
    except (TraceError, StudyError) as error:
        print(error, file=sys.stderr)
        return 2
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
