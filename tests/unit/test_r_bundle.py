"""The bundle for R: what is in it, what R says, and what is said without R.

Source of the numbers compared: R itself (packages survival, lme4), where it is installed.
"""

import re
import shutil
import subprocess
from functools import cache
from itertools import product

import numpy as np
import pandas as pd
import pytest

from analysis.audit import r_bundle
from analysis.audit.r_comparison import ANALYSIS, FAMILY, not_covered
from analysis.audit.r_cox import NO_FIRTH, NOT_FINITE, cox_analyses, cox_for_r, family_for_r
from analysis.audit.r_files import RNumbers, run_r, write_bundle
from analysis.audit.r_mixed import mixed_for_r
from analysis.audit.r_models import FamilyForR, ForR
from analysis.estimates import Estimates, estimates_table
from analysis.models.cox_models import models_of
from analysis.models.filled_cohort import FilledCohort
from analysis.models.limb_difference import one_metric
from analysis.models.outcome_model import PRIMARY
from shared.sources import ROOT
from shared.tables import empty_table
from tests.unit import report_study as study

LIMITS = study.PLAN["audit"]["r_bundle"]
CLEARANCE = study.STUDY["clearance_visit"]
LIMB = ("knee_flexion_excursion", "gyro", "single_leg_drop_landing", "1")
DATA_SETS = 6
CONFIRMED = (
    "largest_difference_in_standard_errors",
    "relative_difference_of_log_likelihood",
    "largest_difference_of_printed",
    "largest_difference_of_tests",
)
SCRIPTS = ROOT / "analysis" / "audit" / "in_r"


def has_r(*packages: str) -> bool:
    """Whether R is installed with some packages."""
    if shutil.which("Rscript") is None:
        return False
    asked = ["Rscript", "--vanilla", "-e", f"find.package(c{packages!r})"]
    return subprocess.run(asked, capture_output=True, check=False).returncode == 0


needs_r = pytest.mark.skipif(
    not has_r("survival", "lme4"), reason="R with survival and lme4 is not installed"
)
needs_nlme = pytest.mark.skipif(
    not has_r("survival", "nlme"), reason="R with survival and nlme is not installed"
)


def cohort(size: int = 200) -> pd.DataFrame:
    """Return a cohort with enough events for the primary models, ties among their times."""
    random = np.random.default_rng(7)
    table = pd.DataFrame(
        {
            "athlete_id": [f"A{i:04d}" for i in range(size)],
            "site": random.choice(study.SITES, size),
            "sex": random.choice(["female", "male"], size),
            "age_at_surgery_years": random.integers(15, 35, size).astype(float),
            "injured_side": random.choice(["left", "right"], size),
            "included": True,
            "followup_days": random.integers(1, 60, size) * 10.0,
            "event": random.choice(
                ["graft_rupture", "contralateral_tear", "end_of_study"], size, p=[0.2, 0.2, 0.6]
            ),
        }
    )
    table["cause"] = table["event"].map({"graft_rupture": 1, "contralateral_tear": 2}).fillna(0)
    for predictor in study.PLAN["primary"]:
        table[predictor["name"]] = random.normal(10.0, 2.0, size)
    return table


def trials(people: pd.DataFrame) -> pd.DataFrame:
    """Return trials of both limbs at two visits, with a limb difference that varies."""
    random, rows = np.random.default_rng(8), []
    for athlete in people["athlete_id"].iloc[:40]:
        level, difference = random.normal(50.0, 8.0), random.normal(-6.0, 3.0)
        for visit in ("clearance", "follow_up"):
            shift = random.normal(0.0, 3.0)
            for limb, trial in [(x, n) for x in ("involved", "uninvolved") for n in (1, 2, 3)]:
                value = level + shift + difference * (limb == "involved") + random.normal(0, 2)
                rows.append((athlete, visit, limb, trial, value))
    table = pd.DataFrame(rows, columns=["athlete_id", "visit", "limb", "trial", "value"])
    return table.assign(
        metric="knee_flexion_excursion",
        sensor="gyro",
        task="single_leg_drop_landing",
        landing=1,
        unit="deg",
        valid=True,
        site=table["athlete_id"].map(people.set_index("athlete_id")["site"]),
    )


def gaps(people: pd.DataFrame) -> FilledCohort:
    """Return the cohort with ten values missing and ten clipped, and values drawn for them."""
    random, parts = np.random.default_rng(9), []
    first, second = (predictor["name"] for predictor in study.PLAN["primary"][:2])
    people = people.copy()
    people.loc[people.index[:10], first] = np.nan
    for number in range(1, DATA_SETS + 1):
        for name, kind, rows in (
            (first, "missing", people[:10]),
            (second, "clipped", people[5:15]),
        ):
            drawn = random.normal(10.0, 2.0, len(rows))
            part = {"athlete_id": rows["athlete_id"].to_numpy(), "value": drawn}
            parts.append(pd.DataFrame(part).assign(data_set=number, predictor=name, kind=kind))
    return FilledCohort(people, pd.concat(parts, ignore_index=True), "")


def cox_estimates(filled: FilledCohort, plan: dict = study.PLAN) -> pd.DataFrame:
    """Return the hazard ratios that the report prints, by both handlings of missing values."""
    found = []
    for analysis, model_of in cox_analyses(plan).items():
        family = "primary" if analysis == PRIMARY else "secondary"
        found += models_of(
            lambda outcome, fit=model_of: fit(filled, plan, outcome),
            plan,
            analysis,
            family,
            plan["primary_outcomes"],
        )
    return estimates_table(*found)


@cache
def bundled() -> tuple[tuple[ForR, ...], FamilyForR]:
    """Return the models of a study with gaps, and their family of tests."""
    people = cohort()
    filled, rows = gaps(people), trials(people)
    printed = cox_estimates(filled)
    cox = list(cox_for_r(filled, printed, study.PLAN))
    injured = rows.merge(people[["athlete_id", "sex", "age_at_surgery_years", "injured_side"]])
    limbs = estimates_table(*one_metric(LIMB, injured, study.PLAN, CLEARANCE))
    mixed = mixed_for_r(rows, people, limbs, study.PLAN, CLEARANCE)
    return (*cox, *mixed), family_for_r(cox, printed, study.PLAN)


@pytest.fixture
def folder(tmp_path):
    """Return a bundle."""
    write_bundle(*bundled(), LIMITS, tmp_path / "bundle")
    return tmp_path / "bundle"


def found(numbers: Estimates) -> pd.Series:
    return estimates_table(numbers).set_index("number_id")["estimate"]


def verdicts(numbers: Estimates) -> dict[str, float]:
    """Return the subjects compared, and whether they agree."""
    table = estimates_table(numbers)
    rows = table.loc[table["quantity"] == "passed"]
    return dict(zip(rows["subject"], rows["estimate"], strict=True))


def changed(path, column: str, factor: float, row: int = 0) -> None:
    """Multiply one value of a file of a bundle."""
    table = pd.read_csv(path, float_precision="round_trip")
    table.loc[row, column] = table.loc[row, column] * factor
    table.to_csv(path, index=False, na_rep="NA")


def rows_of(path, model: str) -> int:
    """Return the first row of a model in a file of a bundle."""
    return int(np.flatnonzero(pd.read_csv(path)["model"] == model)[0])


def test_the_models_are_those_of_the_plan():
    models, family = bundled()
    outcomes = study.PLAN["primary_outcomes"]
    assert [model.subject for model in models] == [
        *product(("cox_primary", "cox_complete_cases"), outcomes),
        ("limb_difference", *LIMB[:3]),
    ]
    assert not any(model.reason for model in models)
    assert [len(model.fits) for model in models] == [DATA_SETS, DATA_SETS, 1, 1, 1]
    assert family.reason == ""
    assert family.size == len(outcomes) * len(study.PLAN["primary"])


def test_a_bundle_holds_no_identifier_and_no_order_of_athletes(folder):
    models, _ = bundled()
    text = "".join(path.read_text(encoding="utf-8") for path in sorted(folder.iterdir()))
    assert re.search(r"A\d{4}", text) is None
    cox = "".join(path.read_text(encoding="utf-8") for path in folder.glob("cox_*.csv"))
    assert not any(site in cox for site in study.SITES)
    times = pd.read_csv(folder / f"{models[0].name}.csv")["time"]
    assert times.is_monotonic_increasing
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    bundled.cache_clear()
    write_bundle(*bundled(), LIMITS, folder)
    assert before == {path.name: path.read_bytes() for path in folder.iterdir()}
    expected = pd.read_csv(folder / "expected.csv", float_precision="round_trip")
    assert expected["coefficient"].iloc[0] == models[0].fits[0].coefficients[0]


@needs_r
def test_r_finds_the_same(folder):
    models, family = bundled()
    numbers = r_bundle.r_numbers(models, family, folder, LIMITS)
    assert verdicts(numbers) == dict.fromkeys(
        [FAMILY, *sorted(".".join(model.subject) for model in models)], 1.0
    )
    values = found(numbers)
    for model in models:
        base = f"{ANALYSIS}.{'.'.join(model.subject)}.all"
        # The limits of the issue, whatever those of the plan are.
        assert abs(values[f"{base}.relative_difference_of_log_likelihood"]) < 1e-8
        assert abs(values[f"{base}.largest_difference_in_standard_errors"]) < 1e-6
        assert abs(values[f"{base}.largest_difference_of_printed"]) < 1e-6
        if model.kind == "cox":
            assert abs(values[f"{base}.largest_difference_of_tests"]) < 1e-6
    assert values[f"{ANALYSIS}.all.survival.all.models"] == 4
    assert values[f"{ANALYSIS}.all.survival.all.fits"] == 2 * DATA_SETS + 2
    assert sorted(path.name for path in folder.glob("r_*")) == []


@needs_r
def test_r_pools_as_published(tmp_path):
    """Source: STATISTICS.md row I-BR (Barnard & Rubin 1999): five data sets, between-variance 1.2
    of a total of 4; missing information by hand from Rubin 1987, equation 3.1.10: share 0.36, df
    30.864, odds 0.5625, (0.5625 + 2 / 33.864) / 1.5625 = 0.397798.
    """
    script = (
        f"source('{SCRIPTS / 'pooling.R'}'); share <- 1.2 * 1.2 / 4;"
        "estimates <- matrix(c(1, 3, 2, 2, 2), 1); errors <- matrix(sqrt(2), 1, 5);"
        "one <- rubin(estimates, errors, 20);"
        "cat(barnard_rubin(5, share, 20), barnard_rubin(5, share, Inf),"
        " missing_information(5, share), one$coefficient, one$standard_error^2)"
    )
    done = subprocess.run(
        ["Rscript", "--vanilla", "-e", f"options(digits = 12); {script}"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    values = [float(word) for word in done.stdout.split()]
    # By hand: mean 2, between-variance 0.5, total 2 + 1.2 x 0.5.
    assert values == pytest.approx([8.477056, 30.864198, 0.397798, 2.0, 2.6], rel=1e-6)


@needs_r
def test_planted_mistakes_are_found(folder, monkeypatch):
    """One mistake per hazard model, each in another file: without it they agree, as above."""
    models, family = bundled()
    cox = [model.name for model in models[:4]]
    changed(
        folder / "expected.csv", "coefficient", 1.0001, rows_of(folder / "expected.csv", cox[1])
    )
    changed(folder / "printed.csv", "p", 1.0001, rows_of(folder / "printed.csv", cox[2]))
    changed(folder / "tests.csv", "p", 1.0001, rows_of(folder / "tests.csv", cox[3]))
    events = np.flatnonzero(pd.read_csv(folder / f"{cox[0]}.csv")["event"] == 1)
    changed(folder / f"{cox[0]}.csv", "x4", 1.1, events[0])
    said = run_r(folder, "Rscript", "absent")
    monkeypatch.setattr(r_bundle, "run_r", lambda *arguments: said)
    table = estimates_table(r_bundle.r_numbers(models, family, folder, LIMITS))
    passed = table.loc[table["quantity"] == "passed"].set_index("subject")["estimate"]
    assert [passed[".".join(model.subject)] for model in models[:4]] == [0.0, 0.0, 0.0, 0.0]
    notes = table.set_index("number_id")["note"]
    second, third, last = (f"{ANALYSIS}.{'.'.join(model.subject)}.all" for model in models[1:4])
    first_term = models[1].names[0]
    where = f"; {first_term}, data set 1"
    assert notes[f"{second}.largest_difference_in_standard_errors"].endswith(where)
    assert notes[f"{third}.largest_difference_of_printed"].endswith(f"; {first_term}: p")
    assert notes[f"{last}.largest_difference_of_tests"].endswith(f"; {first_term}: p")
    # A package that is missing is told, and keeps nothing else from being compared.
    mixed = f"{ANALYSIS}.{'.'.join(models[4].subject)}.all.not_run"
    assert notes[mixed] == "not installed: absent"


@needs_nlme
def test_nlme_finds_the_same_and_a_model_that_fails_leaves_the_others(folder, monkeypatch):
    """Where lme4 is missing nlme is taken; here it is asked for, and one file is lost."""
    models, family = bundled()
    (folder / f"{models[0].name}.csv").unlink()
    said = run_r(folder, "Rscript", "nlme")
    assert said.failure == ""
    rows = said.differences.loc[said.differences["model"] == models[-1].name]
    assert set(rows["package"]) == {"nlme"}
    sizes = rows.set_index("quantity")["difference"].abs()
    assert sizes["largest_difference_in_standard_errors"] < LIMITS["nlme_coefficient"]
    assert sizes["largest_difference_of_printed"] < LIMITS["nlme_coefficient"]
    # No variance is zero here, so nlme finds the same top as lme4.
    assert sizes["relative_difference_of_log_likelihood"] < 1e-8
    monkeypatch.setattr(r_bundle, "run_r", lambda *arguments: said)
    numbers = r_bundle.r_numbers(models, family, folder, LIMITS)
    table = estimates_table(numbers)
    refused = table.loc[table["quantity"] == "not_run"].set_index("subject")["note"]
    assert "cannot open" in refused[".".join(models[0].subject)]
    assert refused[FAMILY] == "a model of the family was not fitted"
    assert verdicts(numbers) == {".".join(model.subject): 1.0 for model in models[1:]}


@needs_r
def test_r_that_fails_early_or_late_is_told(folder):
    models, family = bundled()
    (folder / "models.R").write_text('stop("no such model")\n')
    table = estimates_table(r_bundle.r_numbers(models, family, folder, LIMITS))
    assert table["quantity"].tolist() == ["not_run"]
    assert table["note"].iloc[0].startswith("R failed")
    said = [
        "model,package,version,quantity,difference,at",
        *(f"{models[0].name},survival,R,{quantity},1e-9,x1" for quantity in CONFIRMED),
        f"{models[1].name},survival,R,{CONFIRMED[0]},1e-9,x1",
    ]
    lines = ", ".join(f'"{line}"' for line in said)
    (folder / "models.R").write_text(
        f'writeLines(c({lines}), "r_differences.csv")\nstop("the disk is full")\n'
    )
    numbers = r_bundle.r_numbers(models, family, folder, LIMITS)
    # The second model has one of its differences only.
    outcomes = ("graft_rupture", 1.0), ("contralateral_tear", 0.0)
    assert verdicts(numbers) == {f"cox_primary.{name}": agrees for name, agrees in outcomes}
    table = estimates_table(numbers)
    refused = table.loc[table["quantity"] == "not_run"].set_index("subject")["note"]
    assert len(refused) == len(models) - 1
    assert refused.str.startswith("R failed").all()


def test_without_r_the_run_says_so(folder, monkeypatch):
    models, family = bundled()
    monkeypatch.setattr(shutil, "which", lambda program: None)
    table = estimates_table(r_bundle.r_numbers(models, family, folder, LIMITS))
    assert table["quantity"].tolist() == ["not_run"]
    assert table["note"].tolist() == ["R is not installed"]


def test_a_number_that_only_one_of_both_has_does_not_agree(folder, monkeypatch):
    models, family = bundled()
    sizes = [0.0, 0.0, np.nan, 0.0]
    rows = [
        (models[0].name, "survival", "R", quantity, size, "x1: df")
        for quantity, size in zip(CONFIRMED, sizes, strict=True)
    ]
    names = ["model", "package", "version", "quantity", "difference", "at"]
    reasons = pd.DataFrame(columns=["model", "reason"])
    said = RNumbers(pd.DataFrame(rows, columns=names), reasons, "")
    monkeypatch.setattr(r_bundle, "run_r", lambda *arguments: said)
    monkeypatch.setattr(shutil, "which", lambda program: program)
    numbers = r_bundle.r_numbers(models, family, folder, LIMITS)
    assert verdicts(numbers) == {"cox_primary.graft_rupture": 0.0}


def test_a_model_without_finite_estimates_is_not_compared():
    people = cohort()
    name = study.PLAN["primary"][0]["name"]
    people[name] = (people["event"] == "graft_rupture") * 5.0
    whole = FilledCohort(people, empty_table("filled_values"), "nothing was filled in")
    estimates = cox_estimates(whole)
    models = list(cox_for_r(whole, estimates, study.PLAN))
    # No contralateral tear has the value of the graft ruptures: the other outcome diverges too.
    assert models[0].reason == models[1].reason == NOT_FINITE
    assert models[2].reason == "nothing was filled in"
    family = family_for_r(models, estimates, study.PLAN)
    assert family.reason.startswith("a model of the family is not compared")


def test_the_penalty_of_firth_is_not_in_r():
    plan = study.PLAN | {"cox": study.PLAN["cox"] | {"penalty": "firth"}}
    models = list(cox_for_r(gaps(cohort()), cox_estimates(gaps(cohort())), plan))
    assert {model.reason for model in models} == {NO_FIRTH}


def test_what_r_does_not_cover_is_named():
    numbers = Estimates(ANALYSIS)
    not_covered(numbers, study.PLAN)
    notes = estimates_table(numbers)["note"]
    assert notes.str.contains("Satterthwaite").sum() == 1
    # Kenward and Roger change the standard errors too: what is printed is not that of the fit.
    mixed = study.PLAN["mixed"] | {"degrees_of_freedom": "kenward-roger"}
    people, plan = cohort(), study.PLAN | {"mixed": mixed}
    nothing = empty_table("estimates")
    model = next(mixed_for_r(trials(people), people, nothing, plan, CLEARANCE))
    assert model.reason == ""
    assert model.printed.empty
    other = Estimates(ANALYSIS)
    not_covered(other, plan)
    assert "Kenward" in estimates_table(other)["note"].iloc[0]
