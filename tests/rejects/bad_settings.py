"""Bad settings: study.yaml, plan.yaml, processing.yaml and device profiles."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.rejects.reject import Reject
from tests.rejects.small_study import CONFIG, SmallStudy


def _study(**changes: Any) -> Callable[[SmallStudy], object]:
    return lambda study: study.study.update(changes)


def _device(name: str, **changes: Any) -> Callable[[SmallStudy], object]:
    return lambda study: study.devices[name].update(changes)


def _channel(**changes: Any) -> Callable[[SmallStudy], object]:
    return lambda study: study.devices["plates"]["channels"][0].update(changes)


def _replaced(name: str, old: str, new: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        content = (CONFIG / name).read_text(encoding="utf-8")
        assert old in content
        study.settings_text[name] = content.replace(old, new, 1)

    return change


def _shared_clocks(groups: list[list[str]]) -> Callable[[SmallStudy], object]:
    return lambda study: study.study["sites"]["harbour"].update(shared_clocks=groups)


def _without_shards(study: SmallStudy) -> None:
    del study.study["shards"]


def _unknown_site_device(study: SmallStudy) -> None:
    study.study["sites"]["ridge"]["devices"] = ["wearable"]


SETTINGS = [
    Reject(
        "misspelled_key",
        _study(clearence_visit="clearance"),
        *("unknown_key", "study.yaml", None, "clearence_visit"),
        *("'clearence_visit'", "clearance_visit", "did you mean 'clearance_visit'?"),
    ),
    Reject(
        "missing_key",
        _without_shards,
        *("missing_key", "study.yaml", None, "shards"),
        *("nothing", "'shards'", "add it"),
    ),
    *(
        Reject(
            name,
            _shared_clocks(groups),
            *("wrong_value", "study.yaml", None, "sites.harbour"),
            *("Harbour", expected, "correct the value"),
        )
        for name, groups, expected in (
            ("clock_of_a_device_elsewhere", [["plates", "cameraman"]], "names 'cameraman'"),
            ("clock_of_one_device", [["plates"]], "has 1 device(s), expected two or more"),
            ("device_with_two_clocks", [["plates", "plates"]], "'plates' twice"),
        )
    ),
    Reject(
        "stomp_where_one_clock_has_nothing_to_synchronise",
        _study(synchronisation="stomp"),
        *("wrong_value", "study.yaml", None, "(whole file)"),
        *("Small study", "the site 'ridge' has one clock", "correct the value"),
    ),
    Reject(
        "clearance_is_no_visit",
        _study(clearance_visit="month_9"),
        *("wrong_value", "study.yaml", None, "(whole file)"),
        *("month_9", "not among the visits", "correct the value"),
    ),
    Reject(
        "too_many_shards",
        _study(shards=5000),
        *("wrong_value", "study.yaml", None, "shards"),
        *("5000", "less than or equal to 999", "correct the value"),
    ),
    Reject(
        "device_of_a_site_has_no_profile",
        _unknown_site_device,
        *("unknown_device", "study.yaml", None, "sites.ridge.devices"),
        *("'wearable'", "plates, wearables", "did you mean 'wearables'?"),
    ),
    Reject(
        "key_written_twice",
        _replaced("processing.yaml", "standard_gravity", "standard_gravity: 9.8\nstandard_gravity"),
        *("settings_not_yaml", "processing.yaml", 3, None),
        *("'standard_gravity' is written twice", "valid YAML", "correct the line"),
    ),
    Reject(
        "gravity_of_another_planet",
        _replaced("processing.yaml", "standard_gravity: 9.80665", "standard_gravity: 3.7"),
        *("wrong_value", "processing.yaml", None, "standard_gravity"),
        *("3.7", "greater than 9.7", "correct the value"),
    ),
    Reject(
        "unknown_metric_in_plan",
        _replaced("plan.yaml", "metric: peak_vgrf", "metric: peak_vgfr"),
        *("unknown_metric", "plan.yaml", None, None),
        *("'peak_vgfr'", "one of:", "did you mean 'peak_vgrf'?"),
    ),
    Reject(
        "unit_of_another_quantity",
        _channel(unit="deg"),
        *("wrong_value", "plates.yaml", None, "channels.0"),
        *("deg", "cannot be converted to 'N'", "correct the value"),
    ),
    Reject(
        "unknown_unit",
        _channel(unit="newtonz"),
        *("wrong_value", "plates.yaml", None, "channels.0"),
        *("newtonz", "unknown", "correct the value"),
    ),
    Reject(
        "unknown_channel",
        _channel(channel="vertical_force.middle"),
        *("wrong_value", "plates.yaml", None, "channels.0.channel"),
        *("vertical_force.middle", "unknown channel", "correct the value"),
    ),
    Reject(
        "column_listed_twice",
        _channel(column="Fz right [N]"),
        *("wrong_value", "plates.yaml", None, "(whole file)"),
        *("Fz right [N]", "the column 'Fz right [N]' is listed twice", "correct the value"),
    ),
    Reject(
        "sign_of_two",
        _channel(sign=2),
        *("wrong_value", "plates.yaml", None, "channels.0.sign"),
        *("2", "1 or -1", "correct the value"),
    ),
    Reject(
        "delimiter_is_decimal_mark",
        _device("plates", csv={"delimiter": ",", "decimal": ","}),
        *("wrong_value", "plates.yaml", None, "csv"),
        *("','", "the same character", "correct the value"),
    ),
    Reject(
        "counter_of_a_format_that_loses_no_rows",
        _device("plates", format="c3d", csv=None, counter={"column": "n", "wraps_at": 256}),
        *("wrong_value", "plates.yaml", None, "(whole file)"),
        *("c3d", "no rows that can be lost: it takes no counter", "correct the value"),
    ),
    Reject(
        "common_rate_above_a_device",
        _replaced("processing.yaml", "    waist: 200 ", "    waist: 5000 "),
        *("harmonised_rate_too_high", "processing.yaml", None),
        "filtering.harmonised_rate_hz.waist",
        *("5000 per second", "at most 200", "set the lowest rate"),
    ),
    Reject(
        "common_rate_without_ratio_to_a_device",
        _replaced("processing.yaml", "    waist: 200 ", "    waist: 197 "),
        *("harmonised_rate_without_ratio", "processing.yaml", None),
        "filtering.harmonised_rate_hz.waist",
        *("197 per second", "no small ratio leads from 200 to 197", "choose another common rate"),
    ),
    Reject(
        "counter_is_a_channel",
        _device("plates", counter={"column": "Fz left [N]", "wraps_at": 256}),
        *("wrong_value", "plates.yaml", None, "(whole file)"),
        *("Fz left [N]", "is listed twice", "correct the value"),
    ),
    Reject(
        "counter_of_two_values",
        _device("plates", counter={"column": "n", "wraps_at": 2}),
        *("wrong_value", "plates.yaml", None, "counter.wraps_at"),
        *("2", "greater than or equal to 4", "correct the value"),
    ),
    Reject(
        "device_name_is_not_file_name",
        _device("plates", device="plate"),
        *("device_name_is_not_file_name", "devices/plates.yaml", None, "device"),
        *("'plate'", "'plates'", "the same name"),
    ),
]  # fmt: skip
