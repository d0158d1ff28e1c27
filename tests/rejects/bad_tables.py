"""Bad study tables: each against its own rules, the other tables, the settings."""

from __future__ import annotations

from collections.abc import Callable

from tests.rejects.reject import Reject, cell
from tests.rejects.small_study import SmallStudy


def _rename(table: str, old: str, new: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        study.tables[table] = study.tables[table].rename(columns={old: new})

    return change


def _remove_table(study: SmallStudy) -> None:
    del study.tables["visits"]


def _repeat(table: str, row: int) -> Callable[[SmallStudy], object]:
    return lambda study: study.append(table, *study.tables[table].loc[row - 2])


def _repeat_trial(study: SmallStudy) -> None:
    study.append("recordings", *study.tables["recordings"].loc[0])
    study.cell("recordings", 9, "path", "recordings/other.csv")
    study.files["recordings/other.csv"] = study.files[study.path(2)]


def _lose_a_cell(study: SmallStudy) -> None:
    content = study.tables.pop("visits").to_csv(index=False)
    study.raw_tables["visits.csv"] = content.replace(
        "A0002,clearance,303", "A0002,clearance"
    ).encode()


def _stray_quote(study: SmallStudy) -> None:
    content = study.tables.pop("exposure").to_csv(index=False)
    study.raw_tables["exposure.csv"] = (content + 'A0002,2,"9\n' + "A0002,3,4\n" * 20000).encode()


def _latin_1(study: SmallStudy) -> None:
    study.cell("outcomes", 2, "confirmed_by", "Röntgen")
    study.raw_tables["outcomes.csv"] = (
        study.tables.pop("outcomes").to_csv(index=False).encode("latin-1")
    )


def _empty(study: SmallStudy) -> None:
    study.tables.pop("exposure")
    study.raw_tables["exposure.csv"] = b""


def _bilateral_contralateral(study: SmallStudy) -> None:
    study.cell("outcomes", 4, "event", "contralateral_tear")
    study.cell("outcomes", 4, "side", "left")


def _event_before_surgery(study: SmallStudy) -> None:
    study.cell("outcomes", 2, "event_days", "-300")
    study.cell("outcomes", 2, "followup_days", "0")


TABLES = [
    Reject(
        "table_is_missing",
        _remove_table,
        *("missing_table", "visits.csv", None, None),
        *("no such file", "visits.csv, .tsv or .parquet", "config/template/visits.csv"),
    ),
    Reject(
        "table_is_empty",
        _empty,
        *("empty_table", "exposure.csv", None, None),
        *("an empty file", "a line of column names", "config/template/exposure.csv"),
    ),
    Reject(
        "table_not_utf8",
        _latin_1,
        *("table_not_utf8", "outcomes.csv", 2, None),
        *("not UTF-8", "UTF-8", "save the table again"),
    ),
    Reject(
        "quote_that_is_never_closed",
        _stray_quote,
        *("unreadable_table", "exposure.csv", 5, None),
        *("a quote that is not closed", "quotes in pairs", "take out the quote"),
    ),
    Reject(
        "column_misspelled",
        _rename("athletes", "injured_side", "injuredside"),
        *("missing_column", "athletes.csv", 1, "injured_side"),
        *("'injuredside'", "'injured_side'", "rename the column to 'injured_side'"),
    ),
    Reject(
        "row_with_a_missing_cell",
        _lose_a_cell,
        *("wrong_number_of_cells", "visits.csv", 4, None),
        *("2 cells", "3 cells", "delimiter"),
    ),
    Reject(
        "unknown_site",
        cell("athletes", 3, "site", "harbor"),
        *("unknown_site", "athletes.csv", 3, "site"),
        *("'harbor'", "harbour, ridge", "did you mean 'harbour'?"),
    ),
    Reject(
        "sex_in_another_word",
        cell("athletes", 3, "sex", "Male"),
        *("unknown_value", "athletes.csv", 3, "sex"),
        *("'Male'", "female, male", "did you mean 'male'?"),
    ),
    Reject(
        "unknown_graft",
        cell("athletes", 2, "graft", "hamstrings"),
        *("unknown_value", "athletes.csv", 2, "graft"),
        *("'hamstrings'", "patellar_tendon", "did you mean 'hamstring'?"),
    ),
    Reject(
        "injured_side_in_one_letter",
        cell("athletes", 2, "injured_side", "L"),
        *("unknown_value", "athletes.csv", 2, "injured_side"),
        *("'L'", "left, right, both", "use one of these words"),
    ),
    Reject(
        "athlete_twice",
        _repeat("athletes", 3),
        *("duplicate_athlete", "athletes.csv", 5, None),
        *("as row 3", "one row per athlete_id", "take out the copy"),
    ),
    Reject(
        "age_of_another_century",
        cell("athletes", 2, "age_at_surgery_years", "184"),
        *("impossible_value", "athletes.csv", 2, "age_at_surgery_years"),
        *("184", "from 5 to 89", "correct the value"),
    ),
    Reject(
        "height_in_centimetres",
        cell("athletes", 2, "height_m", "168"),
        *("impossible_value", "athletes.csv", 2, "height_m"),
        *("168", "from 1 to 2.4", "give metres, not centimetres: 1.68?"),
    ),
    Reject(
        "text_in_a_number_column",
        cell("athletes", 2, "mass_kg", "61.5 kg"),
        *("text_in_number_column", "athletes.csv", 2, "mass_kg"),
        *("7 characters starting with '6'", "a number", "leave out units"),
    ),
    Reject(
        "empty_cell",
        cell("athletes", 4, "mass_kg", ""),
        *("empty_cell", "athletes.csv", 4, "mass_kg"),
        *("an empty cell", "a number", "fill it"),
    ),
    Reject(
        "unknown_athlete",
        cell("visits", 4, "athlete_id", "A0020"),
        *("unknown_athlete", "visits.csv", 4, "athlete_id"),
        *("'A0020'", "an athlete of athletes.csv", "or add the athlete to athletes.csv"),
    ),
    Reject(
        "unknown_visit",
        cell("visits", 3, "visit", "followup"),
        *("unknown_visit", "visits.csv", 3, "visit"),
        *("'followup'", "clearance, follow_up", "did you mean 'follow_up'?"),
    ),
    Reject(
        "visit_twice",
        cell("visits", 3, "visit", "clearance"),
        *("duplicate_visit", "visits.csv", 3, None),
        *("as row 2", "one row per athlete_id, visit", "correct the key"),
    ),
    Reject(
        "visits_out_of_order",
        cell("visits", 3, "days_since_surgery", "200"),
        *("visits_out_of_order", "visits.csv", 3, "days_since_surgery"),
        *("200 days, not after clearance at 271", "clearance, follow_up", "correct the days"),
    ),
    Reject(
        "clearance_before_surgery",
        cell("visits", 2, "days_since_surgery", "-4"),
        *("impossible_value", "visits.csv", 2, "days_since_surgery"),
        *("-4", "from 0 to", "correct the value"),
    ),
    Reject(
        "unknown_task",
        cell("recordings", 2, "task", "single_leg_drop_ladning"),
        *("unknown_task", "recordings.csv", 2, "task"),
        *("'single_leg_drop_ladning'", "one of:", "did you mean 'single_leg_drop_landing'?"),
    ),
    Reject(
        "unknown_device",
        cell("recordings", 2, "device", "plate"),
        *("unknown_device", "recordings.csv", 2, "device"),
        *("'plate'", "plates, wearables", "did you mean 'plates'?"),
    ),
    Reject(
        "device_not_at_site",
        cell("recordings", 7, "device", "plates"),
        *("device_not_at_site", "recordings.csv", 7, "device"),
        *("'plates' at the site 'ridge'", "wearables", "correct the device"),
    ),
    Reject(
        "visit_of_a_recording_not_in_visits",
        cell("recordings", 5, "visit", "follow_up"),
        *("visit_not_in_visits", "recordings.csv", 5, "visit"),
        *("'follow_up' of A0002", "visits.csv", "add the visit"),
    ),
    Reject(
        "both_limbs_in_a_single_leg_task",
        cell("recordings", 2, "limb", "both"),
        *("limb_does_not_fit_task", "recordings.csv", 2, "limb"),
        *("'both' in the task 'single_leg_drop_landing'", "left or right", "correct the limb"),
    ),
    Reject(
        "one_limb_in_a_task_of_both",
        cell("recordings", 5, "limb", "left"),
        *("limb_does_not_fit_task", "recordings.csv", 5, "limb"),
        *("'left' in the task 'drop_vertical_jump'", "both", "correct the limb"),
    ),
    Reject(
        "trial_twice",
        _repeat_trial,
        *("duplicate_recording", "recordings.csv", 9, None),
        *("as row 2", "one row per athlete_id, visit, task, limb, trial, device", "take out"),
    ),
    Reject(
        "half_a_trial",
        cell("recordings", 2, "trial", "1.5"),
        *("impossible_value", "recordings.csv", 2, "trial"),
        *("1.5", "a whole number", "correct the value"),
    ),
    Reject(
        "same_file_for_two_trials",
        lambda study: study.cell("recordings", 5, "path", study.path(2)),
        *("duplicate_path", "recordings.csv", 5, "path"),
        *("the same file as recordings.csv, row 2", "one file per row", "its own file"),
    ),
    Reject(
        "path_out_of_the_study_folder",
        cell("recordings", 2, "path", "../elsewhere/jump.csv"),
        *("path_outside_study", "recordings.csv", 2, "path"),
        *("leads out", "below the study folder", "relative to the study folder"),
    ),
    Reject(
        "box_height_missing",
        cell("recordings", 5, "box_height_m", ""),
        *("box_height_missing", "recordings.csv", 5, "box_height_m"),
        *("an empty cell", "in metres", "fill it"),
    ),
    Reject(
        "box_height_in_centimetres",
        cell("recordings", 5, "box_height_m", "31"),
        *("impossible_value", "recordings.csv", 5, "box_height_m"),
        *("31", "from 0.05 to 1", "give metres, not centimetres: 0.31?"),
    ),
    Reject(
        "box_height_where_no_box_is",
        cell("recordings", 7, "box_height_m", "0.30"),
        *("box_height_without_box", "recordings.csv", 7, "box_height_m"),
        *("0.3", "has no box", "empty the cell"),
    ),
    Reject(
        "unknown_event",
        cell("outcomes", 2, "event", "rerupture"),
        *("unknown_value", "outcomes.csv", 2, "event"),
        *("'rerupture'", "graft_rupture", ""),
    ),
    Reject(
        "two_outcomes_of_one_athlete",
        _repeat("outcomes", 2),
        *("duplicate_outcome", "outcomes.csv", 5, None),
        *("as row 2", "one row per athlete_id", "take out the copy"),
    ),
    Reject(
        "event_after_the_end_of_followup",
        cell("outcomes", 2, "event_days", "500"),
        *("event_after_followup", "outcomes.csv", 2, "event_days"),
        *("event at 500 days, follow-up until 412", "within the follow-up", "correct"),
    ),
    Reject(
        "event_before_surgery",
        _event_before_surgery,
        *("event_before_surgery", "outcomes.csv", 2, "event_days"),
        *("300 days before clearance", "after the index surgery", "prior_acl_injury"),
    ),
    Reject(
        "event_without_day",
        cell("outcomes", 4, "event_days", ""),
        *("event_without_day", "outcomes.csv", 4, "event_days"),
        *("end_of_sport", "days from clearance", "fill event_days"),
    ),
    Reject(
        "event_without_side",
        cell("outcomes", 2, "side", ""),
        *("event_without_side", "outcomes.csv", 2, "side"),
        *("graft_rupture", "left, right or both", "fill side"),
    ),
    Reject(
        "graft_rupture_of_the_healthy_knee",
        cell("outcomes", 2, "side", "right"),
        *("side_contradicts_event", "outcomes.csv", 2, "side"),
        *("graft_rupture on the side 'right'", "injured_side 'left'", "correct event or side"),
    ),
    Reject(
        "contralateral_tear_after_two_grafts",
        _bilateral_contralateral,
        *("side_contradicts_event", "outcomes.csv", 4, "side"),
        *("contralateral_tear on the side 'left'", "both knees have a graft", "injured_side"),
    ),
    Reject(
        "negative_exposure",
        cell("exposure", 2, "athlete_exposures", "-6"),
        *("impossible_value", "exposure.csv", 2, "athlete_exposures"),
        *("-6", "from 0 to 155", "correct the value"),
    ),
    Reject(
        "month_twice",
        cell("exposure", 3, "month", "1"),
        *("duplicate_exposure", "exposure.csv", 3, None),
        *("as row 2", "one row per athlete_id, month", "correct the key"),
    ),
]  # fmt: skip
