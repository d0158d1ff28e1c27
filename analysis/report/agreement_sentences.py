"""The agreement of the sensors in a few sentences, whose numbers are estimates by address."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.agreement import CLIPPED_AS_READ
from analysis.models.contact_lag import ANALYSIS as CONTACT_LAG
from analysis.report.agreement_groups import ANALYSIS, AgreedGroup, agreed_groups, spread_grows
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, Number, phrase

_INTERVAL = ("estimate", "ci_low", "ci_high")


def _main_groups(context: Context, groups: Sequence[AgreedGroup]) -> list[AgreedGroup]:
    """Return one group of all landings per pair of sensors: of the plan's metric if it has one."""
    planned = [predictor["metric"] for predictor in context.predictors]
    chosen: dict[str, AgreedGroup] = {}
    for group in groups:
        if group.grouping != "all":
            continue
        held = chosen.get(group.sensors)
        if held is None or (group.metric in planned and held.metric not in planned):
            chosen[group.sensors] = group
    return list(chosen.values())


def _numbers(ledger: Ledger, address: str, style: str) -> list[Number]:
    return [ledger.number(address, style, field=field) for field in _INTERVAL]


def _bias(group: AgreedGroup, ledger: Ledger) -> Markup:
    style = group.style(ledger)
    limits = [
        ledger.number(group.address(quantity), style)
        for quantity in ("lower_limit", "upper_limit", "percentile_2_5", "percentile_97_5")
    ]
    return phrase(
        "<strong>{} ({})</strong>: over {} landings of {} athletes the {} differed from the {} by "
        "{} {} on average ({} to {}); the limits of agreement for a single landing are {} and "
        "{}, and nineteen in twenty of the landings lay between {} and {}. Concordance {}.",
        Exempt(sentence_case(metric_label(group.metric)), "name"),
        words(group.other),
        ledger.number(group.address("bias"), "count", field="n_trials"),
        ledger.number(group.address("bias"), "count", field="n_athletes"),
        words(group.other),
        words(group.reference),
        ledger.number(group.address("bias"), style),
        unit_shown(group.unit),
        *_numbers(ledger, group.address("bias"), style)[1:],
        *limits,
        ledger.number(group.address("concordance"), "correlation"),
    )


def _better_told(group: AgreedGroup, ledger: Ledger) -> Markup | None:
    """Say what tells more than limits of the difference where these describe it badly.

    That is the ratio where differences grow with the size; else the percentiles, where the interval
    of a limit and that of its percentile are apart.
    """
    if spread_grows(group, ledger):
        return phrase(
            "The differences spread with the size, so that the ratio of the two tells more: {} on "
            "average, with limits {} and {}.",
            *(
                ledger.number(group.address(f"ratio_{quantity}"), "three_decimals")
                for quantity in ("bias", "lower_limit", "upper_limit")
            ),
        )
    for limit, percentile in (
        ("lower_limit", "percentile_2_5"),
        ("upper_limit", "percentile_97_5"),
    ):
        (low, high), (seen_low, seen_high) = (
            [ledger.value(group.address(quantity), field) for field in _INTERVAL[1:]]
            for quantity in (limit, percentile)
        )
        if low > seen_high or seen_low > high:
            return Markup(
                "The differences are not normally distributed: read the percentiles and the "
                "figure, not the limits."
            )
    return None


def _clipped(main: AgreedGroup, groups: Sequence[AgreedGroup], ledger: Ledger) -> Markup | None:
    """Say how many landings a sensor clipped, and what they would do to the bias."""
    whole = [
        group
        for group in groups
        if (group.metric, group.sensors) == (main.metric, main.sensors)
        and group.grouping == CLIPPED_AS_READ
    ]
    if not whole:
        return None
    as_read = whole[0].address("bias")
    count = number_id(ANALYSIS, (main.metric, main.other, main.reference), "clipped", "landings")
    style = main.style(ledger)
    return phrase(
        "{} more landings hold a clipped value, which is a lower bound and no measurement; with "
        "these as they were read the bias is {} {} ({} to {}).",
        ledger.number(count, "count"),
        ledger.number(as_read, style),
        unit_shown(main.unit),
        *_numbers(ledger, as_read, style)[1:],
    )


_YARDSTICK = Markup(
    "As a yardstick for a joint angle, an error of up to "
    '<span data-exempt="citation">2</span> degrees is good and of '
    '<span data-exempt="citation">2 to 5</span> degrees acceptable with care '
    '(<span data-exempt="citation">McGinley et al. 2009, Gait Posture 29:360</span>, for gait; '
    "landings are faster). It decides nothing here."
)
"""The only published yardstick for one of these pairs (source by memory)."""


def _yardstick(group: AgreedGroup) -> Markup | None:
    return _YARDSTICK if (group.unit, group.reference) == ("deg", "camera") else None


def _limbs(main: AgreedGroup, groups: Sequence[AgreedGroup], ledger: Ledger) -> Markup | None:
    """Say the bias of each limb where their intervals do not meet: it would look asymmetric."""
    limbs = {
        group.level: group
        for group in groups
        if (group.metric, group.sensors, group.grouping) == (main.metric, main.sensors, "limb")
    }
    if not {"involved", "uninvolved"} <= set(limbs):
        return None
    addresses = [limbs[limb].address("bias") for limb in ("involved", "uninvolved")]
    (low, high), (other_low, other_high) = (
        [ledger.value(address, field) for field in _INTERVAL[1:]] for address in addresses
    )
    # Asked this way round, an interval that is hidden or missing shows no difference.
    if not (low > other_high or other_low > high):
        return None
    style = main.style(ledger)
    return phrase(
        "Its bias is not the same in both limbs: {} {} in the involved and {} in the uninvolved "
        "limb. A difference between the limbs by this sensor holds that much error.",
        ledger.number(addresses[0], style),
        unit_shown(main.unit),
        ledger.number(addresses[1], style),
    )


def _contact_lag(ledger: Ledger) -> Markup | None:
    addresses = {
        quantity: number_id(CONTACT_LAG, "", "all", quantity)
        for quantity in ("bias", "lower_limit", "upper_limit")
    }
    if not ledger.holds(addresses["bias"]):
        return None
    return phrase(
        "The waist unit saw the contact {} ms later than the force plate on average ({} to {}); "
        "single landings are expected between {} and {} ms. No value was corrected for it.",
        *_numbers(ledger, addresses["bias"], "one_decimal"),
        ledger.number(addresses["lower_limit"], "one_decimal"),
        ledger.number(addresses["upper_limit"], "one_decimal"),
    )


def agreement_sentences(context: Context, ledger: Ledger) -> list[Markup]:
    """Return what is to be said per pair of sensors, and the lag."""
    groups = agreed_groups(context.estimates, context.study)
    found: list[Markup | None] = []
    for main in _main_groups(context, groups):
        parts = [
            _bias(main, ledger),
            _better_told(main, ledger),
            _limbs(main, groups, ledger),
            _clipped(main, groups, ledger),
            _yardstick(main),
        ]
        found.append(Markup(" ").join(part for part in parts if part is not None))
    found.append(_contact_lag(ledger))
    return [sentence for sentence in found if sentence is not None]
