"""Force from waist acceleration in sentences: which model was kept, and how wrong it is."""

from __future__ import annotations

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.report.agreement_groups import ANALYSIS as AGREEMENT
from analysis.report.context import Context
from analysis.report.ledger import Ledger, phrase
from analysis.tables.force_model import ANALYSIS, MODELS, SCOPES, model_kept

FIRST = "athletes_left_out"


def _address(scope: str, term: str | tuple[str, ...], quantity: str) -> str:
    return number_id(ANALYSIS, scope, term, quantity)


def _kept(context: Context, ledger: Ledger, scope: str) -> Markup | None:
    kept = model_kept(context, scope)
    rmse = _address(scope, (FIRST, kept), "rmse")
    if not kept or not ledger.holds(rmse):
        return None
    return phrase(
        "<strong>{}</strong>: the model kept is the {}. In athletes it had not seen, its root mean "
        "square error was {} body weights ({} of the force on average), it explained {} of the "
        "variation ({} to {}), and {} of the measured forces lay within two standard errors of the "
        "estimate.",
        SCOPES[scope].capitalize(),
        MODELS[kept],
        ledger.number(rmse, "two_decimals"),
        phrase("{} %", ledger.number(_address(scope, (FIRST, kept), "mape"), "one_decimal")),
        *(
            ledger.number(_address(scope, (FIRST, kept), "r_squared"), "percent", field=field)
            for field in ("estimate", "ci_low", "ci_high")
        ),
        ledger.number(_address(scope, "prediction_interval", "coverage"), "percent"),
    )


def _differential(ledger: Ledger) -> Markup | None:
    scope, term = "single_leg", "involved_minus_uninvolved"
    address = _address(scope, term, "differential_error")
    if not ledger.holds(address):
        return None
    fields = ("estimate", "ci_low", "ci_high")
    low, high = (ledger.value(address, field) for field in fields[1:])
    # Asked this way round, an interval that is hidden or missing shows no difference.
    if low > 0.0 or high < 0.0:
        shown = ": the estimates are biased between the limbs"
    else:
        shown = ": no difference was shown, which does not prove that there is none"
    return phrase(
        "The error of the involved minus that of the uninvolved limb is {} body weights ({} to "
        "{}){}. Of the variation of the limb ratio measured by plate, the estimates show {} ({} to "
        "{}).",
        *(ledger.number(address, "two_decimals", field=field) for field in fields),
        shown,
        *(
            ledger.number(_address(scope, term, "symmetry_r_squared"), "percent", field=field)
            for field in fields
        ),
    )


def _left_out(ledger: Ledger) -> Markup | None:
    """Say in how many parts athletes and sites were left out; the same for all landings."""
    for scope in SCOPES:
        athletes, sites = (
            _address(scope, validation, "folds") for validation in (FIRST, "sites_left_out")
        )
        if ledger.holds(athletes) and ledger.holds(sites):
            return phrase(
                "Athletes were left out in {} folds, sites one by one: {} sites have plates and "
                "waist units. The fewer they are, the less a site left out tells of other sites.",
                ledger.number(athletes, "count"),
                ledger.number(sites, "count"),
            )
    return None


def _elsewhere(ledger: Ledger) -> list[Markup]:
    found = []
    for scope, label in SCOPES.items():
        clipped = _address(scope, "landings", "clipped")
        without = _address(scope, "landings", "estimated_without_plates")
        if ledger.holds(clipped):
            found.append(
                phrase(
                    "{}: {} landings with a clipped waist peak were left out of training; {} "
                    "landings at sites without plates have an estimate.",
                    label.capitalize(),
                    ledger.number(clipped, "count"),
                    ledger.number(without, "count"),
                )
            )
    return found


def force_plausibility(ledger: Ledger) -> Markup | None:
    """Return what this study has beside the plausible values of common practice."""
    lines = {
        label: _address(scope, (FIRST, "linear"), "r_squared") for scope, label in SCOPES.items()
    }
    explained = [
        phrase("{} ({})", ledger.number(address, "percent"), label)
        for label, address in lines.items()
        if ledger.holds(address)
    ]
    if not explained:
        return None
    found = phrase(
        "Here, in athletes it had not seen, the plain line explained {}",
        Markup(" and ").join(explained),
    )
    peak = ("peak_waist_acceleration", "waist", "reference_accelerometer")
    error = number_id(AGREEMENT, peak, "all", "percent_error_root_mean_square")
    if ledger.holds(error):
        found += phrase(
            ", and peaks that were not clipped were {} % off the reference accelerometer (root "
            "mean square)",
            ledger.number(error, "one_decimal"),
        )
    return found + Markup(".")


def force_sentences(context: Context, ledger: Ledger) -> list[Markup]:
    """Return what was kept and how wrong it is, by kind of landing, then the limbs."""
    found = [_kept(context, ledger, scope) for scope in SCOPES]
    found += [_differential(ledger), _left_out(ledger)]
    return [*(item for item in found if item is not None), *_elsewhere(ledger)]
