"""The parts of the methods text that no setting changes."""

from __future__ import annotations

FIXED: dict[str, str] = {
    "asymmetry": (
        "Asymmetry between the limbs of an athlete was described by the difference and the log "
        "ratio of the means of valid trials, averaged over athletes with intervals by Student's "
        "t, and by the indexes in use."
    ),
    "known_groups": (
        "Landings instructed to be soft and stiff were compared by linear mixed models of the "
        "single trials by REML."
    ),
    "force_model": (
        "Force was estimated from waist acceleration by a line and by a power of the peak, by a "
        "power with covariates (task, limb, sex, body mass, impact speed) and a random athlete, by "
        "boosted trees and by a neural network. The models were judged on athletes, and on sites, "
        "that were left out of their training; kept was the simplest whose error lay within one "
        "standard error of the best. Intervals came from leaving out one athlete at a time."
    ),
    "diagnosed": (
        "The primary models were checked by the score test of proportional hazards (Grambsch and "
        "Therneau), by martingale, deviance and scaled Schoenfeld residuals, by the change without "
        "any one athlete and by variance inflation; the metrics were correlated by Pearson's "
        "coefficient."
    ),
    "knees": (
        "Both knees of each athlete entered one model with baseline hazards by kind of knee and a "
        "variance clustered by athlete."
    ),
    "subdistribution": (
        "Cumulative incidence was modelled by the method of Fine and Gray, for statements on "
        "absolute risk only."
    ),
    "prediction_size": (
        "The sample that a prediction model needs came from the criteria of Riley, Snell, Ensor "
        "and colleagues."
    ),
    "second_opinion": ("The models were fitted a second time by a general-purpose library."),
    "second_opinion_by_r": (
        "R fitted the primary models once more, each completed data set by itself where gaps were "
        "filled in, pooled them by Rubin's rules of its own, and fitted those of the limb "
        "difference."
    ),
    "rederived": (
        "A share of the landings, drawn by a seed, was measured a second time from the raw files "
        "by other code."
    ),
}
"""Part of the analysis -> how it was done."""
