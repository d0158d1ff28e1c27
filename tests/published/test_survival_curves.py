"""Kaplan-Meier, Nelson-Aalen, log-rank and restricted means against published data.

Expected values: R 4.2.2, survival 3.5-3, `survfit` and `survdiff` (15 digits); data Miller 1981
(aml), Freireich 1963 and Gehan 1965 (gehan), Loprinzi 1994 (lung), Kalbfleisch & Prentice 1980
(veteran).
"""

import math

import numpy as np
import pytest

from analysis.survival.follow_up import completeness, reverse_kaplan_meier
from analysis.survival.kaplan_meier import kaplan_meier, nelson_aalen
from analysis.survival.log_rank import log_rank
from analysis.survival.restricted_mean import restricted_mean
from tests.published import survival_tables as tables

AML_TIMES = [9, 13, 18, 23, 31, 34, 48]
AML_SURVIVAL = [
    0.909090909090909,
    0.818181818181818,
    0.715909090909091,
    0.613636363636364,
    0.490909090909091,
    0.368181818181818,
    0.184090909090909,
]
AML_ERRORS = [
    0.0866784172041448,
    0.116291299830333,
    0.139664970557228,
    0.152632331027312,
    0.164193267221136,
    0.162668885827095,
    0.153492745786294,
]
AML_AT_RISK = [11, 10, 8, 7, 5, 4, 2]
AML_LIMITS = {
    "plain": (
        [
            0.739204333133848,
            0.590255058799017,
            0.442170778715077,
            0.314482491946437,
            0.169096200651704,
            0.0493566605554544,
            0,
        ],
        [
            1,
            1,
            0.989647403103104,
            0.91279023532629,
            0.812721981166478,
            0.687006975808182,
            0.484931162720207,
        ],
    ),
    "log": (
        [
            0.754133845081525,
            0.619248987399364,
            0.488426287422128,
            0.37686705950168,
            0.254859951199317,
            0.154877117897191,
            0.0359178984891853,
        ],
        [1, 1, 1, 0.999157600228473, 0.945584955200429, 0.875260678143908, 0.943525769474552],
    ),
    "log-log": (
        [
            0.50808020576993,
            0.447428614682181,
            0.350190385907938,
            0.265752040001286,
            0.167330909776851,
            0.0928295749369852,
            0.0117384801231896,
        ],
        [
            0.986673822667823,
            0.951162228582492,
            0.899023974191053,
            0.835299243250221,
            0.753399790370811,
            0.657040832398164,
            0.525014842726641,
        ],
    ),
    "logit": (
        [
            0.561427502714421,
            0.492976229516424,
            0.396118498507985,
            0.310203712389058,
            0.210146117414524,
            0.128915143761083,
            0.0295468765067873,
        ],
        [
            0.98736055331429,
            0.954185249144278,
            0.906377265817779,
            0.848696532682434,
            0.77752647605982,
            0.696468136323086,
            0.625752737431765,
        ],
    ),
    "arcsine": (
        [
            0.67954384904248,
            0.549331424649796,
            0.42010524961191,
            0.312169781956037,
            0.192685714523408,
            0.0998407109521391,
            0.00305798421222881,
        ],
        [
            0.999883328224895,
            0.979111935447051,
            0.934577885035896,
            0.873541088558101,
            0.792771352219817,
            0.692056240257392,
            0.546108630739465,
        ],
    ),
}
GEHAN_TIMES = [6, 7, 10, 13, 16, 22, 23]
GEHAN_HAZARD = [
    0.142857142857143,
    0.201680672268908,
    0.268347338935574,
    0.351680672268908,
    0.442589763177998,
    0.585446906035141,
    0.752113572701808,
]
GEHAN_HAZARD_ERRORS = [
    0.0824786098842323,
    0.101306113837676,
    0.121273959056908,
    0.147145565987498,
    0.172963234242709,
    0.224331102758856,
    0.279467746695003,
]


def maintained():
    table = tables.aml()
    return table[table["x"] == "Maintained"]


@pytest.mark.parametrize("interval", AML_LIMITS)
def test_aml_curve_and_its_five_interval_types(interval):
    group = maintained()
    curve = kaplan_meier(group["time"], group["status"], interval=interval)
    survival, error, lower, upper = curve.at(AML_TIMES)
    assert survival == pytest.approx(AML_SURVIVAL, rel=1e-12)
    assert error == pytest.approx(AML_ERRORS, rel=1e-12)
    assert lower == pytest.approx(AML_LIMITS[interval][0], rel=1e-10, abs=1e-15)
    assert upper == pytest.approx(AML_LIMITS[interval][1], rel=1e-12)
    assert curve.number_at_risk(AML_TIMES).tolist() == AML_AT_RISK


@pytest.mark.parametrize("interval", ["plain", "log", "log-log"])
def test_gehan_curve_equals_machine_readable_reference(interval):
    entry = tables.reference_values()["02_km"][f"gehan_6mp_{interval}"]
    table = tables.gehan()
    group = table[table["control"] == 0]
    curve = kaplan_meier(group["time"], group["cens"], interval=interval)
    for found, expected in zip(
        curve.at(entry["time"]),
        [entry["surv"], entry["se"], entry["lower"], entry["upper"]],
        strict=True,
    ):
        assert found == pytest.approx(expected, rel=1e-12)
    assert curve.number_at_risk(entry["time"]).tolist() == entry["nrisk"]


@pytest.mark.parametrize(
    ("interval", "group", "expected"),
    [
        ("log", "Maintained", (31, 18, math.inf)),
        ("log-log", "Maintained", (31, 13, math.inf)),
        ("log", "Nonmaintained", (23, 8, math.inf)),
        ("log-log", "Nonmaintained", (23, 5, 33)),
    ],
)
def test_median_with_limits_that_may_stay_open(interval, group, expected):
    table = tables.aml()
    rows = table[table["x"] == group]
    median = kaplan_meier(rows["time"], rows["status"], interval=interval).quantile(0.5)
    assert (median.time, median.lower, median.upper) == expected


def test_flat_piece_at_one_half_gives_its_midpoint():
    """R `quantile.survfit`: with events at 1, 2, 3, 4 the curve is 1/2 from 2 to 3."""
    assert kaplan_meier([1, 2, 3, 4], [1, 1, 1, 1]).quantile(0.5).time == 2.5


def test_nelson_aalen_without_tie_smoothing():
    table = tables.gehan()
    group = table[table["control"] == 0]
    curve = nelson_aalen(group["time"], group["cens"])
    place = np.searchsorted(curve.times, GEHAN_TIMES)
    assert curve.cumulative_hazard[place] == pytest.approx(GEHAN_HAZARD, rel=1e-12)
    assert curve.standard_error[place] == pytest.approx(GEHAN_HAZARD_ERRORS, rel=1e-12)


LOG_RANK = {
    "aml": ("aml", "status", "x", None, 0, 3.3963886989776),
    "aml_peto": ("aml", "status", "x", None, 1, 2.77927954475177),
    "gehan": ("gehan", "cens", "control", None, 0, 16.7929409892165),
    "gehan_peto": ("gehan", "cens", "control", None, 1, 14.4571508187171),
    "lung_sex": ("lung", "event", "sex", None, 0, 10.3267419548856),
    "lung_sex_by_institution": ("lung", "event", "sex", "inst", 0, 8.52446736332317),
    "veteran_cell_type": ("veteran", "status", "celltype", None, 0, 25.4037003457854),
    "veteran_by_cell_type": ("veteran", "status", "trt", "celltype", 0, 0.701743346844319),
}


@pytest.mark.parametrize("case", LOG_RANK)
def test_log_rank(case):
    name, event, group, strata, rho, statistic = LOG_RANK[case]
    table = getattr(tables, name)()
    if strata is not None:
        table = table.dropna(subset=[strata])
    result = log_rank(
        table["time"],
        table[event],
        table[group],
        strata=None if strata is None else table[strata],
        rho=rho,
    )
    assert result.test.statistic == pytest.approx(statistic, rel=1e-12)
    assert result.test.df == table[group].nunique() - 1


def test_log_rank_counts_of_gehan():
    table = tables.gehan()
    result = log_rank(table["time"], table["cens"], table["control"])
    assert result.observed.tolist() == [9, 21]
    assert result.expected == pytest.approx([19.2505009480311, 10.7494990519689], rel=1e-12)


RESTRICTED = {
    ("aml", "x", "Maintained", 30): (24.6022727272727, 2.31314937731913),
    ("aml", "x", "Nonmaintained", 30): (19.6944444444444, 3.05419793071765),
    ("lung", "sex", 1, 365): (241.495085192057, 10.3582264910969),
    ("lung", "sex", 2, 365): (297.465409532037, 10.7913239788001),
}


@pytest.mark.parametrize("case", RESTRICTED)
def test_restricted_mean_and_its_standard_error(case):
    name, column, value, horizon = case
    table = getattr(tables, name)()
    group = table[table[column] == value]
    event = "status" if name == "aml" else "event"
    result = restricted_mean(group["time"], group[event], horizon)
    mean, error = RESTRICTED[case]
    assert result.mean == pytest.approx(mean, rel=1e-12)
    assert result.standard_error == pytest.approx(error, rel=1e-12)


def test_left_truncated_curve_by_hand():
    """Entering at 5 is not being at risk at 5: at risk 3, 2, 2; S = 2/3, 1/3, 1/6."""
    curve = kaplan_meier([4, 5, 6, 6], [1, 1, 0, 1], start=[0, 2, 2, 5])
    assert curve.at_risk.tolist() == [3, 2, 2]
    assert curve.survival == pytest.approx([2 / 3, 1 / 3, 1 / 6])


def test_reverse_kaplan_meier_is_the_curve_of_censoring():
    """A person with the event is censored for follow-up (Schemper & Smith 1996)."""
    curve = reverse_kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])
    assert curve.survival.tolist() == pytest.approx([1, 2 / 3, 2 / 3, 0])
    assert curve.quantile().time == 4


def test_completeness_by_hand():
    """Clark 2002: event at 1 of 4 counts whole, lost at 2 of 4, seen to the end 4 of 4: 7/9."""
    assert completeness([1, 2, 4], [4, 4, 4], [1, 0, 0]) == pytest.approx(7 / 9)
