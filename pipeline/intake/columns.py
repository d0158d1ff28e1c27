"""What the study tables must hold: columns, kinds of values, plausible ranges.

The ranges are wide limits of what can be true of a person in such a study (common practice, no
source); they catch slips of unit and of the pen, not unusual athletes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["code", "text", "choice", "number", "whole"]


@dataclass(frozen=True)
class ColumnRule:
    """One column of a study table.

    Parameters
    ----------
    kind : code (an identifier without spaces), text, choice, number, whole (number)
    required : the cell may not be empty
    values : allowed values of a choice
    low, high : limits of a number, in the unit that the column's name says
    unit_slip : when a value times this factor is plausible, say which unit was meant
    may_be_absent : the table may lack the column; its cells then count as empty
    default : what an empty cell of an optional choice means
    """

    name: str
    kind: Kind
    required: bool = True
    values: tuple[str, ...] = ()
    low: float = float("-inf")
    high: float = float("inf")
    unit_slip: tuple[float, str] | None = None
    may_be_absent: bool = False
    default: str = ""


@dataclass(frozen=True)
class TableRule:
    """A study table: its columns, the columns that identify a row, whether it may be missing."""

    name: str
    columns: tuple[ColumnRule, ...]
    key: tuple[str, ...]
    optional: bool = False

    @property
    def names(self) -> list[str]:
        """Names of the columns."""
        return [column.name for column in self.columns]


_ATHLETE = ColumnRule("athlete_id", "code")
_VISIT = ColumnRule("visit", "code")
_DEVICE = ColumnRule("device", "code")
_UNIT = ColumnRule("unit_code", "code")
_PATH = ColumnRule("path", "text")
_YES_NO = ("yes", "no")
_CENTIMETRES = (0.01, "metres, not centimetres")

SESSION_KINDS = ("standing", "standing_end", "functional_flexion")
"""Calibration recordings of a session: quiet standing at its start and end, slow knee flexions."""

BENCH_POSITIONS: dict[str, tuple[str, ...]] = {
    "six_orientations": ("x_up", "x_down", "y_up", "y_down", "z_up", "z_down"),
    "static_poses": (),
    "known_rotation": ("x", "y", "z"),
    "plate_load": ("left", "right", "single"),
}
"""Bench calibrations of a unit, and the positions that each of them knows."""

EVENTS = (
    "graft_rupture",
    "contralateral_tear",
    "other_knee_injury",
    "end_of_sport",
    "lost",
    "end_of_study",
)

TABLES: dict[str, TableRule] = {
    rule.name: rule
    for rule in (
        TableRule(
            "athletes",
            (
                _ATHLETE,
                ColumnRule("site", "code"),
                ColumnRule("sex", "choice", values=("female", "male")),
                # Ages above 89 identify a person: 45 CFR 164.514(b)(2)(i)(C).
                ColumnRule("age_at_surgery_years", "number", low=5, high=89),
                ColumnRule("injured_side", "choice", values=("left", "right", "both")),
                ColumnRule("dominant_side", "choice", values=("left", "right")),
                ColumnRule(
                    "graft",
                    "choice",
                    values=("patellar_tendon", "hamstring", "quadriceps", "allograft"),
                ),
                ColumnRule("mass_kg", "number", low=20, high=200),
                ColumnRule("height_m", "number", low=1.0, high=2.4, unit_slip=_CENTIMETRES),
                ColumnRule("sport_level", "choice", values=("1", "2", "3")),
                ColumnRule("prior_acl_injury", "choice", values=_YES_NO),
            ),
            ("athlete_id",),
        ),
        TableRule(
            "visits",
            (
                _ATHLETE,
                _VISIT,
                ColumnRule("days_since_surgery", "number", low=0, high=7305),
            ),
            ("athlete_id", "visit"),
        ),
        TableRule(
            "recordings",
            (
                _ATHLETE,
                _VISIT,
                ColumnRule("task", "code"),
                ColumnRule("limb", "choice", values=("left", "right", "both")),
                ColumnRule("trial", "whole", low=1, high=999),
                _DEVICE,
                _PATH,
                ColumnRule(
                    "box_height_m",
                    "number",
                    required=False,
                    low=0.05,
                    high=1.0,
                    unit_slip=_CENTIMETRES,
                ),
                ColumnRule(
                    "order_in_session",
                    "whole",
                    required=False,
                    low=1,
                    high=9999,
                    may_be_absent=True,
                ),
            ),
            ("athlete_id", "visit", "task", "limb", "trial", "device"),
        ),
        TableRule(
            "calibrations",
            (
                _ATHLETE,
                _VISIT,
                _DEVICE,
                _UNIT,
                _PATH,
                ColumnRule(
                    "kind",
                    "choice",
                    required=False,
                    values=SESSION_KINDS,
                    may_be_absent=True,
                    default="standing",
                ),
                ColumnRule(
                    "unit_calibration_age_days",
                    "number",
                    required=False,
                    low=0,
                    high=7305,
                    may_be_absent=True,
                ),
            ),
            ("athlete_id", "visit", "device", "kind"),
        ),
        TableRule(
            "outcomes",
            (
                _ATHLETE,
                ColumnRule("followup_days", "number", low=-7305, high=7305),
                ColumnRule("event", "choice", values=EVENTS),
                ColumnRule("event_days", "number", required=False, low=-7305, high=7305),
                ColumnRule("side", "choice", required=False, values=("left", "right", "both")),
                ColumnRule("contact", "choice", required=False, values=_YES_NO),
                ColumnRule("confirmed_by", "text", required=False),
                ColumnRule(
                    "negative_control_days",
                    "number",
                    required=False,
                    low=1,
                    high=7305,
                    may_be_absent=True,
                ),
            ),
            ("athlete_id",),
        ),
        TableRule(
            "exposure",
            (
                _ATHLETE,
                ColumnRule("month", "whole", low=1, high=240),
                # Five a day on each day of a month is more than anyone does.
                ColumnRule("athlete_exposures", "number", low=0, high=155),
            ),
            ("athlete_id", "month"),
        ),
        TableRule(
            "rejections",
            (ColumnRule("recording_id", "text"), ColumnRule("reason", "text")),
            ("recording_id",),
            optional=True,
        ),
        TableRule(
            "withdrawals",
            (
                _ATHLETE,
                ColumnRule(
                    "raw_data",
                    "choice",
                    required=False,
                    values=("kept", "deleted"),
                    may_be_absent=True,
                    default="kept",
                ),
            ),
            ("athlete_id",),
            optional=True,
        ),
        TableRule(
            "unit_calibrations",
            (
                _UNIT,
                _DEVICE,
                ColumnRule("kind", "choice", values=tuple(BENCH_POSITIONS)),
                ColumnRule("position", "text", required=False),
                ColumnRule("known_value", "number", required=False, low=-7200, high=7200),
                _PATH,
            ),
            ("unit_code", "device", "kind", "path"),
            optional=True,
        ),
    )
}
"""Study tables by name."""
