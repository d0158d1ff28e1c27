"""Freeze the plan: `python -m analysis.freeze --settings FOLDER --date YYYY-MM-DD`.

Outcomes are joined to metrics only under a frozen plan. A later change stops the study until it is
frozen again with a reason, which enters the log of deviations that the report prints.
"""

from __future__ import annotations

import argparse
import datetime
import sys
from pathlib import Path

from shared.errors import StudyError
from shared.freeze import FILE, status_of, write_freeze
from shared.settings.load import load_settings


def _day(text: str) -> str:
    return datetime.date.fromisoformat(text).isoformat()


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m analysis.freeze", description=__doc__)
    parser.add_argument("--settings", type=Path, default=Path("config"), help="settings folder")
    parser.add_argument("--date", type=_day, required=True, help="day of the decision, YYYY-MM-DD")
    parser.add_argument("--reason", default="", help="why a frozen plan is changed")
    return parser.parse_args(arguments)


def freeze(folder: Path, date: str, reason: str) -> str:
    """Freeze, or freeze again with a reason; return one line that says what was done.

    Raises
    ------
    StudyError
        The settings are not valid.
    ValueError
        A frozen plan was changed and no reason is given.
    """
    settings = load_settings(folder)
    status = status_of(settings)
    if status.status == "frozen":
        return f"already frozen, unchanged: {status.hash[:12]}"
    if status.status == "not_frozen":
        write_freeze(settings, date, [])
        return f"frozen: {status.hash[:12]} in {FILE}"
    changes = "\n".join(f"    {line}" for line in status.differences)
    if not reason:
        raise ValueError(
            f"the frozen plan was changed:\n{changes}\n"
            "give the reason with --reason; it enters the log of deviations"
        )
    entry = {"date": date, "reason": reason, "changes": "; ".join(status.differences)}
    write_freeze(settings, date, [*status.deviations, entry])
    return f"frozen again with a deviation: {status.hash[:12]}\n{changes}"


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return the exit status."""
    options = _arguments(arguments)
    try:
        print(freeze(options.settings, options.date, options.reason))
    except (StudyError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
