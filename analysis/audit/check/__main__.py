"""Check a finished study: `python -m analysis.audit.check --results FOLDER`.

Prints what does not agree and ends with 1; ends with 0 when everything agrees, with 2 when the
folder is not that of a finished study.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator

from analysis.audit.check import edition, hashes, numbers, plan, raw, rows
from analysis.audit.check.finding import Files, Finding
from analysis.audit.study_folder import (
    StudyFolder,
    TraceError,
    add_folder_options,
    open_folder,
)
from shared.errors import StudyError

CHECKS: dict[str, Callable[[Files], Iterator[Finding]]] = {
    "files against the manifest": hashes.manifest,
    "tables against their description": hashes.datapackage,
    "inputs of every table": hashes.recorded_inputs,
    "schemas and keys": rows.schemas,
    "joined tables against shards": rows.joined_shards,
    "summaries against landings": rows.summaries,
    "values against landings": rows.sources,
    "raw files": raw.raw_files,
    "bench recordings": raw.bench_files,
    "settings against the frozen plan": plan.frozen_plan,
    "estimates against their steps": numbers.estimates,
    "ledger against estimates": numbers.ledger,
    "pages against the ledger": numbers.pages,
    "numbers without an address": numbers.unaddressed,
    "tables as CSV and HTML": numbers.tables,
    "tables of the shareable edition": edition.edition,
    "figures on the pages": numbers.figures,
    "data of figures": numbers.figure_data,
    "audit page against estimates": numbers.audit_page,
}
"""What is compared -> the check that yields what does not agree."""


def check_study(study: StudyFolder) -> dict[str, list[Finding]]:
    """Return the findings of each check.

    Raises
    ------
    StudyError
        The settings cannot be read.
    TraceError
        The settings are not beside the results and were not named.
    """
    files = Files(study)
    return {name: list(check(files)) for name, check in CHECKS.items()}


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m analysis.audit.check", description=__doc__)
    add_folder_options(parser)
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return the exit status."""
    options = _arguments(arguments)
    try:
        study = open_folder(options.results, options.settings)
        found = check_study(study)
    except (TraceError, StudyError) as error:
        print(error, file=sys.stderr)
        return 2
    print(study.mark, end="\n" if study.mark else "")
    for name, findings in found.items():
        print(f"{name}: {f'{len(findings)} FOUND' if findings else 'agree'}")
        for finding in findings:
            print("  " + str(finding).replace("\n", "\n  "))
    total = sum(map(len, found.values()))
    print(f"\n{total} finding(s)." if total else "\nEverything agrees.")
    if total:
        print(
            "What was changed by hand is undone by restoring the file or running the study again."
        )
    return int(total > 0)


if __name__ == "__main__":
    sys.exit(main())
