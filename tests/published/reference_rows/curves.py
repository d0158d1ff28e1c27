"""Rows of script 02_km: survival curves, log-rank, restricted means (R survival 3.5-3)."""

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from analysis.survival.intervals import IntervalType
from analysis.survival.kaplan_meier import kaplan_meier, nelson_aalen
from analysis.survival.log_rank import log_rank
from analysis.survival.restricted_mean import restricted_mean
from tests.published import survival_tables as tables
from tests.published.reference_rows.row import ReferenceRow

EXACT = 1e-12


def maintained() -> pd.DataFrame:
    table = tables.aml()
    return table[table["x"] == "Maintained"]


def mercaptopurine() -> pd.DataFrame:
    table = tables.gehan()
    return table[table["control"] == 0].rename(columns={"cens": "status"})


def curve(row: ReferenceRow, group: Callable[[], pd.DataFrame], interval: IntervalType) -> None:
    table = group()
    fitted = kaplan_meier(table["time"], table["status"], interval=interval)
    moments = row.at("time")
    for part, found in zip(("surv", "se", "lower", "upper"), fitted.at(moments), strict=True):
        row.same(part, found, EXACT, 1e-15)
    row.same("nrisk", fitted.number_at_risk(moments), 0)
    row.leave("time", "the moments asked for")


def compare_table(
    row: ReferenceRow, path: str, groups: list[pd.DataFrame], horizon: float, event: str
) -> None:
    """Compare what `print.survfit` shows of each group."""
    for place, group in enumerate(groups):
        here = f"{path}/{place}"
        for name in ("records", "n.max", "n.start"):
            row.same(f"{here}/{name}", len(group), 0)
        row.same(f"{here}/events", group[event].sum(), 0)
        mean = restricted_mean(group["time"], group[event], horizon)
        row.same(f"{here}/rmean", mean.mean, EXACT)
        row.same(f"{here}/se(rmean)", mean.standard_error, EXACT)
        median = kaplan_meier(group["time"], group[event], interval="log").quantile(0.5)
        row.same(f"{here}/median", median.time, 0)
        row.same(f"{here}/0.95LCL", median.lower, 0)
        row.same(f"{here}/0.95UCL", median.upper, 0)


def aml_groups() -> list[pd.DataFrame]:
    table = tables.aml()
    return [table[table["x"] == name] for name in ("Maintained", "Nonmaintained")]


def aml_median(row: ReferenceRow) -> None:
    groups = aml_groups()
    # The mean is restricted at the last observation of both groups, as the program does.
    compare_table(row, "default_log", groups, 161.0, "status")
    medians = [
        kaplan_meier(group["time"], group["status"], interval="log-log").quantile(0.5)
        for group in groups
    ]
    row.same("loglog_med", [median.time for median in medians], 0)
    row.same("ll_lower", [median.lower for median in medians], 0)
    row.same("ll_upper", [median.upper for median in medians], 0)


def aml_restricted_mean(row: ReferenceRow) -> None:
    compare_table(row, "table", aml_groups(), 30.0, "status")


def lung_restricted_mean(row: ReferenceRow) -> None:
    table = tables.lung()
    compare_table(row, "table", [table[table["sex"] == k] for k in (1, 2)], 365.0, "event")


def cumulative_hazard(row: ReferenceRow) -> None:
    group = mercaptopurine()
    fitted = nelson_aalen(group["time"], group["status"])
    place = np.searchsorted(fitted.times, row.at("time"))
    row.leave("time", "the moments asked for")
    row.same("cumhaz", fitted.cumulative_hazard[place], EXACT)
    row.same("se_ch", fitted.standard_error[place], EXACT)
    row.same("surv", np.exp(-fitted.cumulative_hazard[place]), EXACT)


def compare_log_rank(
    row: ReferenceRow, path: str, table: pd.DataFrame, event: str, group: str, **options: Any
) -> None:
    result = log_rank(table["time"], table[event], table[group], **options)
    row.same(f"{path}/chisq", result.test.statistic, EXACT)
    row.same(f"{path}/df", result.test.df, 0)
    row.same(f"{path}/obs", result.observed, EXACT)
    row.same(f"{path}/exp", result.expected, EXACT)


def aml_log_rank(row: ReferenceRow) -> None:
    compare_log_rank(row, "lr", tables.aml(), "status", "x")
    compare_log_rank(row, "peto", tables.aml(), "status", "x", rho=1.0)


def gehan_log_rank(row: ReferenceRow) -> None:
    compare_log_rank(row, "lr", tables.gehan(), "cens", "control")
    compare_log_rank(row, "peto", tables.gehan(), "cens", "control", rho=1.0)


def veteran_log_rank(row: ReferenceRow) -> None:
    table = tables.veteran()
    order = ["squamous", "smallcell", "adeno", "large"]
    numbered = table.assign(cell=[order.index(kind) for kind in table["celltype"]])
    compare_log_rank(row, "celltype", numbered, "status", "cell")
    compare_log_rank(row, "strat", table, "status", "trt", strata=table["celltype"])


def lung_log_rank(row: ReferenceRow) -> None:
    compare_log_rank(row, "sex", tables.lung(), "event", "sex")
    known = tables.lung().dropna(subset=["inst"])
    compare_log_rank(row, "strat_inst", known, "event", "sex", strata=known["inst"])


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "02_km/aml_main_plain": partial(curve, group=maintained, interval="plain"),
    "02_km/aml_main_log": partial(curve, group=maintained, interval="log"),
    "02_km/aml_main_log-log": partial(curve, group=maintained, interval="log-log"),
    "02_km/aml_main_logit": partial(curve, group=maintained, interval="logit"),
    "02_km/aml_main_arcsin": partial(curve, group=maintained, interval="arcsine"),
    "02_km/gehan_6mp_plain": partial(curve, group=mercaptopurine, interval="plain"),
    "02_km/gehan_6mp_log": partial(curve, group=mercaptopurine, interval="log"),
    "02_km/gehan_6mp_log-log": partial(curve, group=mercaptopurine, interval="log-log"),
    "02_km/gehan_6mp_na": cumulative_hazard,
    "02_km/aml_median": aml_median,
    "02_km/aml_logrank": aml_log_rank,
    "02_km/gehan_logrank": gehan_log_rank,
    "02_km/veteran_logrank": veteran_log_rank,
    "02_km/lung_logrank": lung_log_rank,
    "02_km/aml_rmean30": aml_restricted_mean,
    "02_km/lung_rmean365": lung_restricted_mean,
}
