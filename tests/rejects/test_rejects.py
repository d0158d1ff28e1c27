"""Every bad input is refused, at its place, with what was found, expected, and how to mend it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.rejects.bad_bids_motion import BIDS_MOTION
from tests.rejects.bad_privacy import PRIVACY
from tests.rejects.bad_recordings import RECORDINGS
from tests.rejects.bad_settings import SETTINGS
from tests.rejects.bad_tables import TABLES
from tests.rejects.bad_units import UNITS
from tests.rejects.bad_withdrawals import WITHDRAWALS
from tests.rejects.reject import Reject
from tests.rejects.small_study import SmallStudy

REJECTS = [*SETTINGS, *TABLES, *RECORDINGS, *PRIVACY, *UNITS, *WITHDRAWALS, *BIDS_MOTION]


@pytest.mark.parametrize("reject", REJECTS, ids=[reject.name for reject in REJECTS])
def test_bad_input_is_refused_with_its_message(reject: Reject, tmp_path: Path) -> None:
    study = SmallStudy(tmp_path)
    reject.breaks(study)
    problems = study.problems()
    everything = "\n\n".join(problem.render() for problem in problems)
    hits = [problem for problem in problems if problem.rule == reject.rule]
    assert hits, everything or "no problem was found"
    problem = hits[0]
    assert (problem.file, problem.row) == (reject.file, reject.row), everything
    if reject.column is not None:
        assert problem.column == reject.column, everything
    assert reject.found in problem.found, everything
    assert reject.expected in problem.expected, everything
    assert reject.mend in problem.mend, everything
    assert problem.severity == reject.severity
    if reject.secret:
        assert reject.secret not in everything


def test_no_two_rejects_have_one_name() -> None:
    names = [reject.name for reject in REJECTS]
    assert len(names) == len(set(names))
    assert len(names) >= 40
