"""Cox regression against published data sets.

Expected values: R 4.2.2, survival 3.5-3, `coxph` (15 digits). The data and the printed results
are those of Freireich 1963 and Gehan 1965 (gehan), Loprinzi 1994 (lung), Rossi 1980 and Allison
1995 (rossi), Crowley & Hu 1977 (heart), Kalbfleisch & Prentice 1980 (veteran), Mantel 1977 (rats)
and Andersen 1993 (melanoma). `coxph` stops at a relative change of 1e-9 of the likelihood, so its
own coefficients are good to about 1e-8.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import cox_sample
from tests.published import survival_tables as tables


@dataclass(frozen=True)
class Expected:
    coefficients: list[float]
    errors: list[float]
    log_likelihoods: list[float]
    score: float
    robust_errors: list[float] | None = None
    robust_score: float | None = None


EXPECTED = {
    "gehan_efron": Expected(
        coefficients=[1.57212514882907],
        errors=[0.412396717709455],
        log_likelihoods=[-93.1842699968477, -85.0084245773717],
        score=17.2465367957166,
    ),
    "gehan_breslow": Expected(
        coefficients=[1.50919141258588],
        errors=[0.409564406366741],
        log_likelihoods=[-93.9850504782452, -86.3796220711456],
        score=15.9305395640327,
    ),
    "lung_efron": Expected(
        coefficients=[0.0110667645600735, -0.552612395703631, 0.463728475370428],
        errors=[0.00926741101370053, 0.167739053787264, 0.113577266161997],
        log_likelihoods=[-744.48045576144, -729.230121374862],
        score=30.4999227049491,
    ),
    "lung_breslow": Expected(
        coefficients=[0.0110411363494885, -0.551889569787597, 0.462947040590164],
        errors=[0.00926677011353555, 0.167742448021018, 0.113574052061301],
        log_likelihoods=[-744.692819266161, -729.488705176774],
        score=30.4064069153299,
    ),
    "lung_robust": Expected(
        coefficients=[0.0110667645600735, -0.552612395703631, 0.463728475370428],
        errors=[0.00926741101370053, 0.167739053787264, 0.113577266161997],
        log_likelihoods=[-744.48045576144, -729.230121374862],
        score=30.4999227049491,
        robust_errors=[0.00988139278009105, 0.16474842795208, 0.124158848613175],
        robust_score=27.4262958578737,
    ),
    "lung_by_institution": Expected(
        coefficients=[0.011232164214821, -0.556593413976612, 0.469216397079841],
        errors=[0.00926210540521359, 0.168071030875402, 0.114290402159999],
        log_likelihoods=[-739.374983685165, -724.119253118481],
        score=30.4874810490109,
        robust_errors=[0.00688872705866067, 0.112286679925355, 0.117615953254854],
        robust_score=7.26862522140254,
    ),
    "rossi_efron": Expected(
        coefficients=[
            -0.379422166485887,
            -0.0574377426840623,
            0.313899787842499,
            -0.149795697666537,
            -0.433703877937309,
            -0.0848710825003947,
            0.091497080985296,
        ],
        errors=[
            0.191379480713543,
            0.02199947060068,
            0.307992776557418,
            0.212224296248623,
            0.381868057668791,
            0.195756671906624,
            0.0286485499599737,
        ],
        log_likelihoods=[-675.380632346871, -658.747659446087],
        score=33.5286888997077,
    ),
    "rossi_breslow": Expected(
        coefficients=[
            -0.379021887430794,
            -0.0572459250446639,
            0.314129766907369,
            -0.151114600055965,
            -0.432782573762873,
            -0.084982835267301,
            0.0911115420915654,
        ],
        errors=[
            0.191364425859774,
            0.0219831857251267,
            0.308017279736953,
            0.212123160883743,
            0.381794935262924,
            0.195748207309154,
            0.0286312529561066,
        ],
        log_likelihoods=[-675.683389417497, -659.120605677328],
        score=33.3828204240907,
    ),
    "heart_efron": Expected(
        coefficients=[
            0.0271666409576767,
            -0.146346345674196,
            -0.637209889966967,
            -0.0102507724090828,
        ],
        errors=[0.0137141152103185, 0.0704679795188561, 0.367225996180325, 0.313754798337491],
        log_likelihoods=[-298.121355672984, -290.565616218489],
        score=15.0341979130413,
        robust_errors=[0.0138918929240809, 0.0730798592393642, 0.358210202384426, 0.31688234906249],
        robust_score=18.2363014168005,
    ),
    "heart_breslow": Expected(
        coefficients=[
            0.0271520807645268,
            -0.146115750002599,
            -0.635843475598152,
            -0.0118958509638206,
        ],
        errors=[0.0137211312396094, 0.0704657060509134, 0.367210695737067, 0.313644376741173],
        log_likelihoods=[-298.325606736462, -290.794534647673],
        score=14.9838964681169,
        robust_errors=[
            0.0138757999222073,
            0.0727522307811466,
            0.357423616246226,
            0.315417438963734,
        ],
        robust_score=18.3056408423082,
    ),
    "veteran_strata_efron": Expected(
        coefficients=[0.232834676889496, -0.0358011230001631],
        errors=[0.201098744895487, 0.00553019093073314],
        log_likelihoods=[-338.736207226184, -317.580554890043],
        score=45.763768777516,
    ),
    "veteran_strata_breslow": Expected(
        coefficients=[0.227521038235684, -0.03556314472736],
        errors=[0.200805053140067, 0.00552440657055699],
        log_likelihoods=[-339.141598423308, -318.228773072873],
        score=45.2008418119496,
    ),
    "rats_efron": Expected(
        coefficients=[0.904735241949608],
        errors=[0.317510436814849],
        log_likelihoods=[-185.655588350901, -181.667732741229],
        score=8.68019026507273,
        robust_errors=[0.302516506449311],
        robust_score=7.64614326141535,
    ),
    "rats_breslow": Expected(
        coefficients=[0.898225193471417],
        errors=[0.317397798622453],
        log_likelihoods=[-185.779646164394, -181.84507106643],
        score=8.55463748753382,
        robust_errors=[0.300321052972014],
        robust_score=7.64919785946016,
    ),
    "rats_matched": Expected(
        coefficients=[0.984717499526396],
        errors=[0.386993090624936],
        log_likelihoods=[-31.6763063012014, -28.3132065354236],
        score=6.97510373443984,
    ),
    "melanoma_cause_1": Expected(
        coefficients=[0.0121984446565394, 0.432817090608288, 0.108945254064607, 1.16447890359463],
        errors=[0.00829689686272017, 0.267410370948645, 0.0377338860600222, 0.3097511615729],
        log_likelihoods=[-283.199246918651, -262.389487495982],
        score=46.6689097490971,
    ),
    "melanoma_cause_2": Expected(
        coefficients=[0.0725522346044805, 0.358010797610035, 0.0495800569335313, 0.109366534223971],
        errors=[0.0216687560026224, 0.54858871836965, 0.0879391536626799, 0.591280184227835],
        log_likelihoods=[-67.2934797282183, -58.9655876668897],
        score=15.4973750882412,
    ),
}


LUNG = ["age", "sex", "ph.ecog"]
ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
HEART = ["age", "year", "surgery", "transplant"]
MELANOMA = ["age", "male", "thick", "ulc"]


def fit_gehan(ties: str) -> CoxFit:
    table = tables.gehan()
    return fit_cox(cox_sample(table[["control"]], table["time"], table["cens"]), ties=ties)


def fit_lung(ties: str, robust: bool = False) -> CoxFit:
    table = tables.complete_lung()
    return fit_cox(cox_sample(table[LUNG], table["time"], table["event"]), ties=ties, robust=robust)


def fit_lung_by_institution() -> CoxFit:
    table = tables.complete_lung().dropna(subset=["inst"])
    sample = cox_sample(table[LUNG], table["time"], table["event"])
    return fit_cox(sample, cluster=table["inst"])


def fit_rossi(ties: str) -> CoxFit:
    table = tables.rossi()
    return fit_cox(cox_sample(table[ROSSI], table["week"], table["arrest"]), ties=ties)


def fit_heart(ties: str) -> CoxFit:
    table = tables.heart()
    sample = cox_sample(table[HEART], table["stop"], table["event"], start=table["start"])
    return fit_cox(sample, ties=ties, cluster=table["id"])


def fit_veteran(ties: str) -> CoxFit:
    table = tables.veteran()
    columns = table[["trt", "karno"]]
    sample = cox_sample(columns, table["time"], table["status"], strata=table["celltype"])
    return fit_cox(sample, ties=ties)


def fit_rats(ties: str) -> CoxFit:
    table = tables.rats()
    sample = cox_sample(table[["trt"]], table["time"], table["tumor"])
    return fit_cox(sample, ties=ties, cluster=table["litter"])


def fit_matched_rats() -> CoxFit:
    table = tables.rats()
    return fit_cox(
        cox_sample(table[["trt"]], table["time"], table["tumor"], strata=table["litter"])
    )


def fit_melanoma(cause: int) -> CoxFit:
    table = tables.melanoma()
    return fit_cox(cox_sample(table[MELANOMA], table["time"], table["cause"] == cause))


FITS = {
    "gehan_efron": lambda: fit_gehan("efron"),
    "gehan_breslow": lambda: fit_gehan("breslow"),
    "lung_efron": lambda: fit_lung("efron"),
    "lung_breslow": lambda: fit_lung("breslow"),
    "lung_robust": lambda: fit_lung("efron", robust=True),
    "lung_by_institution": fit_lung_by_institution,
    "rossi_efron": lambda: fit_rossi("efron"),
    "rossi_breslow": lambda: fit_rossi("breslow"),
    "heart_efron": lambda: fit_heart("efron"),
    "heart_breslow": lambda: fit_heart("breslow"),
    "veteran_strata_efron": lambda: fit_veteran("efron"),
    "veteran_strata_breslow": lambda: fit_veteran("breslow"),
    "rats_efron": lambda: fit_rats("efron"),
    "rats_breslow": lambda: fit_rats("breslow"),
    "rats_matched": fit_matched_rats,
    "melanoma_cause_1": lambda: fit_melanoma(1),
    "melanoma_cause_2": lambda: fit_melanoma(2),
}

# Where the same numbers stand in the machine-readable reference.
REFERENCE_PATHS = {
    "gehan_efron": ("01_cox", "gehan_efron", "fit"),
    "gehan_breslow": ("01_cox", "gehan_breslow", "fit"),
    "lung_efron": ("01_cox", "lung_efron", "fit"),
    "lung_breslow": ("01_cox", "lung_breslow", "fit"),
    "lung_robust": ("01_cox", "lung_robust", "fit"),
    "lung_by_institution": ("01_cox", "lung_cluster_inst", "fit"),
    "rossi_efron": ("11_extra", "rossi", "efron"),
    "rossi_breslow": ("11_extra", "rossi", "breslow"),
    "heart_efron": ("01_cox", "heart_tv_efron", "rob"),
    "heart_breslow": ("01_cox", "heart_tv_breslow", "rob"),
    "veteran_strata_efron": ("01_cox", "veteran_strat", "fit"),
    "veteran_strata_breslow": ("01_cox", "veteran_strat", "breslow"),
    "rats_efron": ("01_cox", "rats_f_cluster", "fit"),
    "rats_breslow": ("01_cox", "rats_f_cluster", "breslow"),
    "rats_matched": ("01_cox", "rats_f_frailty", "strata"),
    "melanoma_cause_1": ("03_cr", "mel_csh", "c1"),
    "melanoma_cause_2": ("03_cr", "mel_csh", "c2"),
}


def assert_fit(fit: CoxFit, expected: Expected) -> None:
    assert fit.converged
    assert not fit.monotone
    assert fit.coefficients == pytest.approx(expected.coefficients, rel=1e-7)
    assert fit.standard_errors == pytest.approx(expected.errors, rel=1e-8)
    found = [fit.log_likelihood_null, fit.log_likelihood]
    assert found == pytest.approx(expected.log_likelihoods, rel=1e-12)
    gain = 2 * (expected.log_likelihoods[1] - expected.log_likelihoods[0])
    assert fit.likelihood_ratio.statistic == pytest.approx(gain, rel=1e-10)
    assert fit.score.statistic == pytest.approx(expected.score, rel=1e-10)
    if expected.robust_errors is not None:
        assert fit.robust_standard_errors == pytest.approx(expected.robust_errors, rel=1e-8)
        assert fit.robust_score.statistic == pytest.approx(expected.robust_score, rel=1e-10)


@pytest.mark.parametrize("case", FITS)
def test_fit_equals_published_analysis(case):
    assert_fit(FITS[case](), EXPECTED[case])


@pytest.mark.parametrize("case", FITS)
def test_fit_equals_machine_readable_reference(case):
    script, name, part = REFERENCE_PATHS[case]
    entry = tables.reference_values()[script][name][part]
    expected = Expected(
        coefficients=list(entry["coef"].values()),
        errors=list(entry["se"].values()),
        log_likelihoods=entry["loglik"],
        score=entry["score"][0],
        robust_errors=list(entry["robust_se"].values()) or None,
        robust_score=(entry["robscore"] or [None])[0] if entry["robust_se"] else None,
    )
    fit = FITS[case]()
    assert_fit(fit, expected)
    assert (fit.n, fit.n_events) == (entry["n"], entry["nevent"])
    # R prints the Wald statistic with two decimals.
    assert fit.wald.statistic == pytest.approx(entry["wald"][0], abs=0.00501)


def test_cause_specific_models_of_mgus2():
    """R survival `coxph`, 7 digits; data Kyle 2002, the 1338 rows with all laboratory values."""
    table = tables.mgus2().dropna(subset=["hgb", "creat", "mspike"])
    columns = table[["age", "male", "mspike"]]
    progression = fit_cox(cox_sample(columns, table["time"], table["cause"] == 1))
    death = fit_cox(cox_sample(columns, table["time"], table["cause"] == 2))
    assert progression.coefficients == pytest.approx([0.0150186, -0.0787197, 0.9384661], abs=5e-8)
    assert progression.standard_errors == pytest.approx([0.0085081, 0.1906105, 0.1662418], abs=5e-8)
    assert death.coefficients == pytest.approx([0.0649100, 0.3806110, -0.0440152], abs=5e-8)


def test_recurrent_bladder_tumours():
    """Andersen-Gill rows clustered by person (Byar 1980; Wei, Lin & Weissfeld 1989).

    R survival `coxph(Surv(start, stop, event) ~ rx + size + number, cluster = id, bladder2)`; the
    five printed digits are from memory.
    """
    table = tables.bladder()
    columns = table[["rx", "size", "number"]]
    sample = cox_sample(columns, table["stop"], table["event"], start=table["start"])
    fit = fit_cox(sample, cluster=table["id"])
    assert fit.coefficients == pytest.approx([-0.46469, -0.04366, 0.17496], abs=6e-6)
    assert fit.standard_errors == pytest.approx([0.19973, 0.06905, 0.04707], abs=6e-6)
    assert fit.robust_standard_errors == pytest.approx([0.26556, 0.07762, 0.06304], abs=6e-6)


def test_integer_weights_repeat_rows_under_breslow():
    """A row of weight 3 is three rows (Breslow's form is linear in the deaths)."""
    table = tables.complete_lung()
    weights = 1 + np.arange(len(table)) % 3
    repeated = table.loc[np.repeat(table.index, weights)]
    weighted = fit_cox(
        cox_sample(table[LUNG], table["time"], table["event"], weights=weights), ties="breslow"
    )
    unrolled = fit_cox(
        cox_sample(repeated[LUNG], repeated["time"], repeated["event"]), ties="breslow"
    )
    assert weighted.coefficients == pytest.approx(unrolled.coefficients, rel=1e-10)
    assert weighted.covariance == pytest.approx(unrolled.covariance, rel=1e-10)
    assert weighted.log_likelihood == pytest.approx(unrolled.log_likelihood, rel=1e-12)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cutting_rows_in_time_changes_nothing(ties):
    """(0, t] may be cut into (0, t/2] and (t/2, t]: also the sandwich, clustered by person."""
    table = tables.complete_lung()
    X, time, event = table[LUNG].to_numpy(), table["time"].to_numpy(), table["event"].to_numpy()
    cut = np.floor(time / 2)
    whole = fit_cox(cox_sample(X, time, event), ties=ties, robust=True)
    pieces = cox_sample(
        np.vstack([X, X]),
        np.concatenate([cut, time]),
        np.concatenate([np.zeros_like(event), event]),
        start=np.concatenate([np.zeros_like(cut), cut]),
    )
    halves = fit_cox(pieces, ties=ties, cluster=np.tile(np.arange(len(table)), 2))
    assert halves.coefficients == pytest.approx(whole.coefficients, rel=1e-9)
    assert halves.covariance == pytest.approx(whole.covariance, rel=1e-9)
    assert halves.robust_covariance == pytest.approx(whole.robust_covariance, rel=1e-9)


def test_units_and_offsets_of_covariates_do_not_matter():
    table = tables.complete_lung()
    plain = fit_cox(cox_sample(table[LUNG], table["time"], table["event"]))
    moved = table[LUNG].to_numpy() * [1e6, 1e-6, 1.0] + [1e9, 0.0, -40.0]
    scaled = fit_cox(cox_sample(moved, table["time"], table["event"]))
    expected = plain.coefficients * [1e-6, 1e6, 1.0]
    assert scaled.coefficients == pytest.approx(expected, rel=1e-6)
    assert scaled.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-12)


def test_times_equal_but_for_rounding_are_ties():
    """Ages as differences of decimals: 0.1 + 0.2 and 0.3 are one time (as survival >= 2.41)."""
    table = tables.complete_lung()
    noise = 1 + 1e-13 * np.sin(np.arange(len(table)))
    exact = fit_cox(cox_sample(table[LUNG], table["time"], table["event"]))
    noisy = fit_cox(cox_sample(table[LUNG], table["time"] * noise, table["event"]))
    assert noisy.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-13)
