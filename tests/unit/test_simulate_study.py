"""The generated study as a whole: same bytes, restartable, complete, readable by its profiles."""

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv
import pyarrow.parquet
import pytest

from pipeline.simulate.cohort import simulate_study
from pipeline.simulate.settings import SimulationSettings
from shared.channels import CHANNELS
from shared.errors import StudyError
from shared.settings.device import DeviceProfile
from shared.settings.strict import load
from tests.unit.simulation import CONFIG, settings

G = 9.80665
ATHLETES = 13


def _small() -> SimulationSettings:
    protocol = {**settings().protocol.model_dump(), "trials": 2, "camera_share_of_harbour": 0.5}
    return settings(athletes=ATHLETES, athletes_per_batch=4, protocol=protocol)


def _hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("simulated")
    simulate_study(_small(), folder / "study", folder / "truth", 1)
    return folder


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "copy")
    return tmp_path / "copy"


@pytest.mark.slow
def test_same_bytes_from_one_and_two_cores(made: Path, tmp_path: Path) -> None:
    simulate_study(_small(), tmp_path / "study", tmp_path / "truth", 2)
    assert _hashes(tmp_path) == _hashes(made)


def test_an_athlete_does_not_depend_on_the_size_of_the_cohort(made: Path, tmp_path: Path) -> None:
    alone = _small().model_copy(update={"athletes": 4})
    simulate_study(alone, tmp_path / "study", tmp_path / "truth", 1)
    few = _hashes(tmp_path / "study" / "calibrations")
    many = _hashes(made / "study" / "calibrations")
    clearance = {name for name in few if "/clearance/" in name}
    assert clearance
    assert all(few[name] == many[name] for name in clearance)


def test_a_finished_study_is_left_alone(made: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in made.rglob("*")}
    simulate_study(_small(), made / "study", made / "truth", 2)
    assert {path: path.stat().st_mtime_ns for path in made.rglob("*")} == before


def test_resumes_where_it_was_killed(copy: Path, made: Path) -> None:
    study, truth = copy / "study", copy / "truth"
    victims = sorted(path for path in (study / "recordings" / "A0006").rglob("*") if path.is_file())
    for path in victims[::3]:
        path.unlink()
    (victims[1].with_name(victims[1].name + ".part")).write_bytes(b"half")
    victims[1].unlink()
    (truth / "landings.parquet").unlink()
    (study / "outcomes.csv").unlink()
    kept = study / "recordings" / "A0001"
    untouched = {path: path.stat().st_mtime_ns for path in kept.rglob("*")}
    simulate_study(_small(), study, truth, 1)
    assert _hashes(copy) == _hashes(made)
    assert {path: path.stat().st_mtime_ns for path in kept.rglob("*")} == untouched


def test_other_settings_rebuild_the_study(copy: Path, made: Path) -> None:
    other = _small().model_copy(update={"seed": 5, "athletes": 2})
    simulate_study(other, copy / "study", copy / "truth", 1)
    assert len(pd.read_csv(copy / "study" / "athletes.csv")) == 2
    assert not (copy / "study" / "recordings" / "A0006").exists()
    first = "recordings/A0001/clearance"
    assert _hashes(copy / "study" / first) != _hashes(made / "study" / first)


def test_a_folder_of_someone_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "study").mkdir()
    precious = tmp_path / "study" / "athletes.csv"
    precious.write_text("mine")
    with pytest.raises(StudyError, match="study_folder_not_ours"):
        simulate_study(_small(), tmp_path / "study", tmp_path / "truth", 1)
    assert precious.read_text() == "mine"


def test_truth_is_not_in_the_study_folder(made: Path) -> None:
    study = made / "study"
    listed = {*pd.read_csv(study / "recordings.csv")["path"]}
    listed |= {*pd.read_csv(study / "calibrations.csv")["path"]}
    listed |= {*pd.read_csv(study / "unit_calibrations.csv")["path"]}
    tables = {"athletes.csv", "recordings.csv", "calibrations.csv", "outcomes.csv"}
    tables |= {"unit_calibrations.csv"}
    tables |= {"rejections.csv", "visits.tsv", "exposure.parquet", ".simulation.json"}
    assert set(_hashes(study)) == listed | tables
    truth = {path.name for path in (made / "truth").glob("*.parquet")}
    names = {"effects", "athletes", "landings", "nuisances", "clocks"}
    assert truth == {f"{name}.parquet" for name in names}


def _read(path: Path, profile: DeviceProfile) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Read a raw file by its profile alone; returns time in seconds and SI channels."""
    if profile.format == "c3d":
        import ezc3d

        content = ezc3d.c3d(str(path))
        labels = content["parameters"]["ANALOG"]["LABELS"]["value"]
        units = dict(zip(labels, content["parameters"]["ANALOG"]["UNITS"]["value"], strict=True))
        assert all(
            units[item.column] == item.unit for item in profile.channels if item.column in units
        )
        assert content["parameters"]["ANALOG"]["RATE"]["value"][0] == profile.rate_hz
        columns = dict(zip(labels, content["data"]["analogs"][0], strict=True))
        t = np.arange(len(columns[labels[0]])) / profile.rate_hz
    else:
        if profile.csv is None:
            table = pyarrow.parquet.read_table(path)
        else:
            table = pyarrow.csv.read_csv(
                path,
                pyarrow.csv.ReadOptions(skip_rows=profile.csv.header_lines),
                pyarrow.csv.ParseOptions(delimiter=profile.csv.delimiter),
                pyarrow.csv.ConvertOptions(decimal_point=profile.csv.decimal),
            )
        columns = {name: table[name].to_numpy().astype(float) for name in table.column_names}
        assert profile.time is not None
        t = columns[profile.time.column] * {"s": 1.0, "ms": 1e-3}[profile.time.unit]
        if profile.counter is not None:  # stamped on arrival, packet by packet
            t = np.unwrap(columns[profile.counter.column], period=profile.counter.wraps_at)
            t = (t - t[0]) / profile.rate_hz
    channels = {
        item.channel: columns[item.column] * item.factor
        for item in profile.channels
        if item.column in columns
    }
    required = {item.channel for item in profile.channels if not item.optional}
    assert required <= set(channels)
    return t, channels


def _profile(device: str) -> DeviceProfile:
    return load(DeviceProfile, CONFIG / "devices" / f"{device}.yaml")


def test_standing_reads_as_body_weight_and_one_g_upwards(made: Path) -> None:
    study = made / "study"
    athletes = pd.read_csv(study / "athletes.csv").set_index("athlete_id")
    seen = set()
    table = pd.read_csv(study / "calibrations.csv")
    standings = table["kind"] != "functional_flexion"
    for row in table[standings & (table["visit"] == "clearance")].itertuples():
        t, channels = _read(study / row.path, _profile(row.device))
        seen.add(row.device)
        assert 5.9 < t[-1] < 6.01
        force = sum(v for k, v in channels.items() if CHANNELS[k][1] == "plate")
        if row.device in ("plates_pair", "lab_c3d"):
            weight = athletes.loc[row.athlete_id, "mass_kg"] * G
            assert abs(np.mean(force[t < 1.0])) < 15.0, "the plates are empty first"
            assert np.mean(force[t > 2.0]) == pytest.approx(weight, rel=0.03)
        channels = {name: values[t > 2.0] for name, values in channels.items()}
        if "waist_acceleration.y" in channels:
            axes = [channels[f"waist_acceleration.{axis}"] for axis in "xyz"]
            # raw: bias and scale of the unit are still in it, 20 mg and 1 % each
            assert np.mean(np.sqrt(np.square(axes).sum(axis=0))) == pytest.approx(G, rel=0.06)
            assert np.mean(axes[1]) > 0.9 * G
        for name, values in channels.items():
            if CHANNELS[name][1] == "gyro":
                assert abs(np.degrees(values.mean())) < 3.0
            if CHANNELS[name][1] == "camera":
                assert abs(np.degrees(values.mean())) < 15.0
    assert seen == {
        "plates_pair",
        "wearables_fast",
        "lab_c3d",
        "wearables_basic",
        "camera_knee",
    } | {"reference_unit"}


def _without_stomps(
    device: str, t: np.ndarray, channels: dict[str, np.ndarray]
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return a recording from the movement's time zero (to within the offset of its clock)."""
    if device not in ("plates_pair", "wearables_fast", "camera_knee", "reference_unit"):
        return t, channels
    stretch_s = settings().clocks.stomps.stretch_s
    inside = (t >= stretch_s) & (t <= t[-1] - stretch_s)
    return t[inside] - stretch_s, {name: values[inside] for name, values in channels.items()}


def test_recordings_hold_the_landing_that_the_truth_describes(made: Path) -> None:
    study = made / "study"
    spoiled = set(pd.read_parquet(made / "truth" / "nuisances.parquet")["id"])
    truth = pd.read_parquet(made / "truth" / "landings.parquet")
    truth = truth[truth["task"] == "single_leg_drop_landing"]
    keys = ["athlete_id", "visit", "side", "trial", "metric", "sensor"]
    assert not truth.duplicated(keys).any()
    known = truth.set_index(keys)["value"]
    table = pd.read_csv(study / "recordings.csv")
    checked = dict.fromkeys(("plate", "waist", "knee"), 0)
    for row in table[table["task"] == "single_leg_drop_landing"].itertuples():
        trial = (row.athlete_id, row.visit, row.limb, row.trial)
        name = f"{row.athlete_id}.{row.visit}.{row.task}.{row.limb}.{row.trial}"
        if name in spoiled or f"{name}.{row.device}" in spoiled:
            continue
        t, channels = _without_stomps(row.device, *_read(study / row.path, _profile(row.device)))
        place = "single" if row.device == "lab_c3d" else row.limb
        force = channels.get(f"vertical_force.{place}")
        if force is not None:
            weight = force[t > 5.0].mean() - force[t < 2.0].mean()
            peak = (force.max() - force[t < 2.0].mean()) / weight
            window = known[*trial, "peak_vgrf", "plate"]
            # The window of the definition ends 200 ms after contact; the whole trial may be higher.
            assert peak > window * 0.985
            checked["plate"] += abs(peak / window - 1) < 0.02
        if "waist_acceleration.y" in channels:
            axes = [channels[f"waist_acceleration.{axis}"] for axis in "xyz"]
            peak = np.sqrt(np.square(axes).sum(axis=0)).max() / G
            assert peak == pytest.approx(
                known[*trial, "peak_waist_acceleration", "waist"], rel=0.08
            )
            checked["waist"] += 1
            thigh, shank = (channels[f"{part}_rate.{row.limb}.z"] for part in ("thigh", "shank"))
            rate = np.degrees(thigh - shank - (thigh - shank)[t < 2.0].mean())
            bend = np.cumsum(rate) * (t[1] - t[0])
            extreme = bend[np.argmax(np.abs(bend))]
            mirrored = row.device == "wearables_basic" and row.limb == "left"
            assert (extreme < 0) == mirrored
            checked["knee"] += 1
    assert min(checked.values()) >= 20


def test_every_nuisance_is_there_and_listed(made: Path) -> None:
    study = made / "study"
    nuisances = pd.read_parquet(made / "truth" / "nuisances.parquet")
    athletes = pd.read_csv(study / "athletes.csv")
    recordings = pd.read_csv(study / "recordings.csv")
    recordings["id"] = (
        recordings[["athlete_id", "visit", "task", "limb"]].agg(".".join, axis=1)
        + "."
        + recordings["trial"].astype(str)
        + "."
        + recordings["device"]
    )
    path = recordings.set_index("id")["path"]

    def ids(kind: str) -> list[str]:
        return list(nuisances.loc[nuisances["kind"] == kind, "id"])

    assert ids("bilateral_case") == list(
        athletes.loc[athletes["injured_side"] == "both", "athlete_id"]
    )
    assert len(ids("bilateral_case")) == 1

    outcomes = pd.read_csv(study / "outcomes.csv").set_index("athlete_id")
    assert ids("event_before_clearance") == list(outcomes.index[outcomes["event_days"] < 0])
    assert len(ids("event_before_clearance")) == 1

    hashes = recordings["path"].map(
        lambda name: hashlib.sha256((study / name).read_bytes()).hexdigest()
    )
    copies = recordings.loc[hashes.duplicated(), "id"]
    assert ids("duplicate_recording") == list(copies)
    assert len(copies) == 1

    (wrong,) = ids("rate_mismatch")
    steps = np.diff(pyarrow.parquet.read_table(study / path[wrong])["time_s"].to_numpy())
    assert np.median(steps) == pytest.approx(0.01)

    mirrored = {name.split(".")[0] for name in ids("mirrored_sensor")}
    assert mirrored == set(athletes.loc[athletes["site"] == "ridge", "athlete_id"])
    assert ids("operator_reject") == list(pd.read_csv(study / "rejections.csv")["recording_id"])
    rejected = {name.rsplit(".", 1)[0] for name in ids("operator_reject")}
    assert rejected == {"A0013.clearance.drop_vertical_jump.both.1"}


def test_the_truth_knows_every_clock_of_the_site_without_a_trigger(made: Path) -> None:
    how = settings().clocks.stomps
    clocks = pd.read_parquet(made / "truth" / "clocks.parquet")
    recordings = pd.read_csv(made / "study" / "recordings.csv")
    of_site = recordings["device"].isin(
        ["plates_pair", "wearables_fast", "camera_knee", "reference_unit"]
    )
    assert len(clocks) == of_site.sum()
    on_plates = clocks["recording_id"].str.contains(r"plates_pair|camera_knee", regex=True)
    assert (clocks.loc[on_plates, ["ahead_s", "drift"]] == 0.0).all(axis=None)
    units = clocks.loc[~on_plates]
    assert units["ahead_s"].abs().max() <= how.largest_offset_s
    assert units["ahead_s"].nunique() == len(units)
    assert 0.3 * how.drift_sd < units["drift"].std() < 3.0 * how.drift_sd


def test_the_stomp_of_plate_and_waist_is_the_clock_apart(made: Path) -> None:
    """By eye: the largest sample of the first stretch in both, the way to the waist aside."""
    study = made / "study"
    known = pd.read_parquet(made / "truth" / "clocks.parquet").set_index("recording_id")
    seen = 0
    for path in sorted(
        study.glob("recordings/*/clearance/single_leg_drop_landing.*.plates_pair.*")
    ):
        other = Path(str(path).replace("plates_pair", "wearables_fast"))
        t, force = _read(path, _profile("plates_pair"))
        total = np.where(t < 1.5, sum(force.values()), 0.0)
        t2, felt = _read(other, _profile("wearables_fast"))
        size = np.sqrt(sum(felt[f"waist_acceleration.{axis}"] ** 2 for axis in "xyz"))
        size = np.where(t2 < 1.9, size, 0.0)
        apart_s = t2[np.argmax(size)] - t[np.argmax(total)]
        name = f"{other.parts[-3]}.clearance.{other.name.removesuffix('.csv')}"
        assert apart_s == pytest.approx(known.loc[name, "ahead_s"], abs=0.030)
        seen += 1
    assert seen >= 10


def test_the_radio_counts_every_sample_and_stamps_packets(made: Path) -> None:
    how = settings().clocks.radio
    nuisances = pd.read_parquet(made / "truth" / "nuisances.parquet")
    wrong = set(nuisances.loc[nuisances["kind"] == "rate_mismatch", "id"])
    faulty = nuisances.loc[nuisances["kind"].isin(["gap", "missing_samples"]), "id"]
    faulty = set(faulty[faulty.str.endswith(how.device)])
    recordings = pd.read_csv(made / "study" / "recordings.csv").query("device == @how.device")
    incomplete = set()
    for row in recordings.itertuples():
        name = f"{row.athlete_id}.{row.visit}.{row.task}.{row.limb}.{row.trial}.{row.device}"
        table = pyarrow.parquet.read_table(made / "study" / row.path)
        counts = table["sample_count"].to_numpy()
        assert 0 <= counts.min() <= counts.max() < how.wraps_at
        numbers = np.unwrap(counts.astype(float), period=how.wraps_at)
        stamps = table["time_s"].to_numpy()
        assert (np.diff(stamps) >= 0.0).all()
        rate = 100.0 if name in wrong else 200.0
        late = stamps - (numbers - numbers[0]) / rate
        # Never before it was taken; a packet waits for its last sample, some milliseconds more.
        assert late.min() > -0.001
        assert late.max() < how.packet_samples / rate + 6.0 * how.arrival_sd_s
        if (np.diff(numbers) > 1.0).any():
            incomplete.add(name)
    assert incomplete == faulty != set()


def test_no_address_survives_in_raw_files(made: Path) -> None:
    for path in (made / "study").rglob("*.c3d"):
        content = path.read_bytes()
        start_of_data = (int.from_bytes(content[16:18], "little") - 1) * 512
        assert b"@" not in content[512:start_of_data]
