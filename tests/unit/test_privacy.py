"""The privacy gate: every kind of identifier is found and masked, our own words are left alone.

The kinds follow 45 CFR 164.514(b)(2), the HIPAA Safe Harbor list. All examples are invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.channels import CHANNELS
from shared.metric_dictionary import metrics
from shared.privacy import find_identifiers, find_names_in_prose, identifier_in_column_name
from shared.schemas import schemas

IDENTIFIERS = [
    ("2024-05-13", "date"),
    ("export 2024/5/3 done", "date"),
    ("rec_20240513_01.csv", "date"),
    ("20240513T101530", "date"),
    ("13.05.2024", "date"),
    ("3.5.2024", "date"),
    ("13-05-24", "date"),
    ("05/13/2024", "date"),
    ("5/13/2024", "date"),
    ("13 May 2024", "date"),
    ("May 13, 2024", "date"),
    ("13. März 2024", "date"),
    ("Okt 2023", "date"),
    ("A0001_12Mar.csv", "date"),
    ("3rd of", None),
    ("started 10:22:31", "clock_time"),
    ("10:22", "clock_time"),
    ("at 3:15 pm", "clock_time"),
    ("ask jane.doe@example.org", "e_mail"),
    ("+44 20 7946 0958", "phone"),
    ("(555) 555-0100", "phone"),
    ("Tel: 030 1234567", "phone"),
    ("S/N 4711A", "serial_number"),
    ("serial number: AB-99812", "serial_number"),
    ("Serial;X0012345", "serial_number"),
    ("SN123456", "serial_number"),
    ("IMEI 490154203237518", "serial_number"),
    ("00:1A:2B:3C:4D:5E", "hardware_address"),
    ("192.168.12.7", "network_address"),
    ("see https://example.org/x", "web_address"),
    ("C:\\Users\\jdoe\\data", "user_folder"),
    ("/home/jdoe/data", "user_folder"),
    ("123-45-6789", "record_number"),
    ("MRN 00812345678", "record_number"),
    ("Operator: J. Doe", "name"),
    ("Operator;Jane Doe;;", "name"),
    ("Subject Name = Doe", "name"),
    ("patient:Doe", "name"),
    ("seen by Dr. Doe", "name"),
    ("Mrs Doe came late", "name"),
]


@pytest.mark.parametrize(("text", "kind"), IDENTIFIERS)
def test_identifier_is_found_and_masked(text: str, kind: str | None) -> None:
    findings = find_identifiers(text)
    assert [finding.kind for finding in findings[:1]] == ([kind] if kind else [])
    for finding in findings:
        assert finding.masked[0] == text[finding.start]
        # Beyond its first character nothing of the text may be readable.
        shown = finding.masked[1:].removesuffix(" characters)").removeprefix("… (")
        assert shown.isdigit()


HARMLESS = [
    "A0001_clearance_single_leg_drop_landing_left_1_plates.csv",
    "recordings/A0240/follow_up/countermovement_jump.3.wearables_fast.c3d",
    "A0001.clearance.drop_vertical_jump.both.1.plates_pair",
    "sampling rate 1000 Hz",
    "time;left plate;right plate",
    "time [s];Fz left [N];Fz right [N]",
    "0,001;-0,12345678;812,123456789",
    "1699.12345678,2.0",
    "range +-16 g, +-2000 deg/s",
    "Subject: A0001",
    "operator: op3",
    "Operator: removed",
    "athlete_id;A0001",
    "firmware 5.0.0",
    "version 1.7.2",
    "software 10.2.13",
    "g = 9.80665",
    "samples 10000 of 12",
    "ratio 16:9",
    "Motion Analysis Corp.",
    "R.Knee.Medial",
    "mass 78.2 kg, box 0.30 m",
    "session 3 of 12",
    "imaging",
    "graft_rupture",
    "series 12",
    "unit plates-1",
    "set-3",
    "may have moved 3 cm",
    "second hop in trial 2",
    "trigger at 0.000 s",
    "2000 Hz, 16 bit, 2024 samples",
    "mark 3, march past",
    "snapshot123",
    "operator: lost balance before the jump",
    "Task name: single-leg drop landing",
    "channel_name;Fz",
]


@pytest.mark.parametrize("text", HARMLESS)
def test_words_of_the_trade_are_left_alone(text: str) -> None:
    assert find_identifiers(text) == []


def test_the_vocabulary_of_the_project_is_left_alone() -> None:
    words = [*CHANNELS, *metrics(), *schemas()]
    words += [column for schema in schemas().values() for column in schema.names]
    assert [word for word in words if find_identifiers(word)] == []
    assert [word for word in words if identifier_in_column_name(word)] == []


def test_settings_and_template_tables_are_left_alone() -> None:
    config = Path(__file__).parents[2] / "config"
    files = [*config.glob("devices/*.yaml"), *config.glob("template/*.csv")]
    assert files
    for file in files:
        for line in file.read_text(encoding="utf-8").splitlines():
            assert find_identifiers(line) == [], f"{file.name}: {line}"


def test_allowed_words_do_not_count_but_only_inside_themselves() -> None:
    text = "batch 20240513 and 20240514"
    assert len(find_identifiers(text)) == 2
    assert [f.start for f in find_identifiers(text, {"20240513"})] == [text.index("20240514")]


def test_several_identifiers_in_order_of_place() -> None:
    text = "Operator: Jane Doe\n2024-05-13 10:22:31 jane@example.org"
    kinds = [finding.kind for finding in find_identifiers(text)]
    assert kinds == ["name", "date", "clock_time", "e_mail"]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("name", "name"),
        ("Name", "name"),
        ("first_name", "name"),
        ("LastName", "name"),
        ("SURNAME", "name"),
        ("athlete_name", "name"),
        ("initials", "name"),
        ("DOB", "date"),
        ("date_of_birth", "date"),
        ("birthDate", "date"),
        ("surgery_date", "date"),
        ("Date", "date"),
        ("e-mail", "e_mail"),
        ("Phone", "phone"),
        ("home address", "address"),
        ("zip", "address"),
        ("MRN", "record_number"),
        ("serial_no", "serial_number"),
        ("sensorSN", "serial_number"),
        ("clock_time", "clock_time"),
    ],
)
def test_column_that_would_identify(name: str, kind: str) -> None:
    assert identifier_in_column_name(name) == kind


@pytest.mark.parametrize(
    "name",
    [
        "task_name", "Site Name", "channel name", "update", "candidate", "time", "time_s",
        "timestamp", "days_since_surgery", "Fz_left", "machine", "snr", "emailing", "ipsilateral",
        "zippers", "serialised", "left_plate", "ax", "acc_x", "tibia", "mobility", "confirmed_by",
    ],
)  # fmt: skip
def test_column_that_would_not(name: str) -> None:
    assert identifier_in_column_name(name) is None


@pytest.mark.parametrize("text", ["confirmed by Jane Doe", "Doe, Jane", "Jane A. O'Neil"])
def test_name_in_prose(text: str) -> None:
    assert [finding.kind for finding in find_names_in_prose(text)] == ["name"]


@pytest.mark.parametrize(
    "text", ["MRI", "imaging", "Athlete stepped off", "ACL tear", "MRI Harbour"]
)
def test_prose_without_a_name(text: str) -> None:
    assert find_names_in_prose(text) == []
