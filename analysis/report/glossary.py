"""Words that a reader from sports medicine or from statistics may want explained."""

from __future__ import annotations

GLOSSARY: tuple[tuple[str, str], ...] = (
    (
        "Associated",
        "Goes along with, on average, in the group studied. It says nothing about cause.",
    ),
    (
        "Athlete-exposure",
        "One athlete taking part in one practice or one match.",
    ),
    (
        "Body weight (BW)",
        "Unit of force: the weight of the athlete, measured standing still on the plate.",
    ),
    (
        "Cause-specific hazard ratio",
        "How many times as high the rate of one kind of injury is, among athletes still at risk, "
        "for a difference of one standard deviation in the metric. One means no difference.",
    ),
    (
        "Censored",
        "Follow-up ended without the event in question, so that only its absence until then is "
        "known.",
    ),
    (
        "Clearance visit",
        "The visit at which the athlete was cleared for sport; follow-up starts there.",
    ),
    (
        "Concordance",
        "How near the pairs of values of two sensors lie to equality, from minus one to one. It "
        "depends on how much the athletes differ, so it is no substitute for limits.",
    ),
    (
        "Complete cases",
        "The athletes who have every metric and covariate of a model; the others are left out of "
        "it.",
    ),
    (
        "Confidence interval",
        "Range of values that the data do not speak against, at the stated level.",
    ),
    (
        "Corrected hazard ratio",
        "Hazard ratio after correction for the measurement error of the metric; the naive one "
        "carries no such correction and is pulled towards one.",
    ),
    (
        "Cumulative incidence",
        "Share of athletes who have had the event by a given time, while other events are counted "
        "as what they are and not as censoring.",
    ),
    (
        "Deming regression",
        "A straight line between two sensors that takes both as erring.",
    ),
    ("Drop vertical jump", "Drop from a box onto both feet, followed at once by a maximal jump."),
    (
        "E-value",
        "How strong an unmeasured cause of both the metric and the injury would have to be, as a "
        "risk ratio with each, to produce the association by itself. One: no strength is needed.",
    ),
    (
        "Initial contact",
        "The first moment at which the foot loads the ground in a landing.",
    ),
    (
        "Involved limb",
        "The limb whose ligament was reconstructed; the other one is the uninvolved limb. An "
        "athlete with both reconstructed has no uninvolved limb.",
    ),
    (
        "Knee flexion excursion",
        "How far the knee bends from initial contact to its deepest flexion.",
    ),
    (
        "Landmark",
        "The time from which everybody is followed, with predictors measured up to that time only.",
    ),
    (
        "Limb symmetry index",
        "Involved limb in percent of the uninvolved limb. A hundred may also mean two poor limbs.",
    ),
    (
        "Limits of agreement",
        "Range in which the difference of two sensors lies for nineteen of twenty single landings "
        "of a new athlete, if the differences are normal.",
    ),
    (
        "Loading rate",
        "How fast the force rises after initial contact.",
    ),
    (
        "Minimal detectable effect",
        "The smallest true effect that a study with this number of events would have been likely "
        "to find. A weaker one may be there unseen.",
    ),
    (
        "Mixed model",
        "Model that knows which trials belong to the same athlete, and so does not take them for "
        "independent.",
    ),
    (
        "Peak waist acceleration",
        "Largest magnitude at the waist sensor in the landing, gravity included: it reads one g at "
        "rest.",
    ),
    (
        "Second injury",
        "Graft rupture or tear of the ligament of the other knee, whichever comes first.",
    ),
    (
        "Simulation and extrapolation (SIMEX)",
        "Error of measurement is added to the data in steps, and what that does to the result is "
        "followed back to no error.",
    ),
    (
        "Vertical ground reaction force (vGRF)",
        "Upward force of the ground on the foot, here divided by body weight.",
    ),
)
